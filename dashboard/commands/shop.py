"""A shop folder and its pages: `baulk init`, `baulk dashboard`."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

import typer

from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, say, say_json
from baulk.dashboard.commands.ports import PortOption, refuse_taken
from baulk.dashboard.server import process as pages
from baulk.ingest import config as settings
from baulk.ingest import shop as shops
from baulk.models.errors import OutOfRange
from baulk.models.units import System


def init(
    folder: Annotated[Path, typer.Argument(help="The folder to make.", metavar="DIR")],
    *,
    name: Annotated[str | None, typer.Option(help="What the shop is called; else the folder's name.")] = None,
    units: Annotated[System | None, typer.Option("--units", help="inch or metric.")] = None,
    json: JsonOption = False,
) -> None:
    """Make a shop folder: baulk.toml, to be edited, and an empty store.

    --units are what people read and type.

    Example: baulk init ferry --units inch
    """
    chosen = units or _asked_units(json=json)
    made = shops.init(folder, name=name or folder.absolute().name, units=chosen)
    if json:
        say_json({"shop_dir": made, "units": chosen})
    else:
        say(f"{made} is a shop folder; look at its {settings.FILE}, then: baulk serve --shop {folder}")


def _asked_units(*, json: bool) -> System:
    """Ask for the units on a terminal; elsewhere take this machine's, and say so."""
    usual = units_of(os.environ)
    if sys.stdin.isatty() and not json:
        answer = (
            str(typer.prompt("Do people read and type in inch or metric?", default=usual)).strip().lower()
        )
        if answer not in {"inch", "metric"}:
            raise OutOfRange("the units", f"are inch or metric, not {answer!r}; nothing was made")
        return "inch" if answer == "inch" else "metric"
    if not json:
        say(f"units: {usual}, as this machine is set up; --units or {settings.FILE} says otherwise")
    return usual


def units_of(environment: Mapping[str, str]) -> System:
    """Return the units of a machine's own settings: inch where its locale is American, else metric."""
    for name in ("LC_ALL", "LC_MEASUREMENT", "LANG"):
        if found := environment.get(name, ""):
            return "inch" if found.partition(".")[0].endswith(("_US", "_LR", "_MM")) else "metric"
    return "metric"


def dashboard(*, port: PortOption = None, shop: ShopOption = HERE) -> None:
    """Serve the pages on this machine until Ctrl-C.

    They show what listener and forecasts put into the store.

    Example: baulk dashboard --port 8600
    """
    with shops.open(shop) as opened:  # says now, in a sentence, what a page could only show
        config = opened.config
    port = port or config.dashboard.port
    refuse_taken(port)
    argv = pages.command(config.shop_dir, port, config)
    say(f"the pages of {config.shop_dir} are at {pages.where(config, port)}  (Ctrl-C ends)")
    from baulk.dashboard.server import page_server  # noqa: PLC0415 - nobody else loads Streamlit

    page_server.main(argv[argv.index("run") :])  # here: a process of its own would load the half again
