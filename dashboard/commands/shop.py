"""A shop folder and its pages: `baulk init`, `baulk dashboard`."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, say, say_json
from baulk.dashboard.commands.ports import PortOption, refuse_taken
from baulk.dashboard.server import process as pages
from baulk.ingest import config as settings
from baulk.ingest import shop as shops
from baulk.models.units import System


def init(
    folder: Annotated[Path, typer.Argument(help="The folder to make.", metavar="DIR")],
    *,
    name: Annotated[str | None, typer.Option(help="What the shop is called; else the folder's name.")] = None,
    units: Annotated[System, typer.Option("--units", help="inch or metric.")] = "metric",
    json: JsonOption = False,
) -> None:
    """Make a shop folder: baulk.toml, to be edited, and an empty store.

    --units are what people read and type.

    Example: baulk init ferry --units inch
    """
    made = shops.init(folder, name=name or folder.absolute().name, units=units)
    if json:
        say_json({"shop_dir": made})
    else:
        say(f"{made} is a shop folder; look at its {settings.FILE}, then: baulk serve --shop {folder}")


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
    os.execv(argv[0], argv)  # noqa: S606 - our own words; signals reach the server itself
