"""A shop folder and its three parts, each alone: `init`, `listen`, `forecast`, `dashboard`."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import track

from baulk.dashboard import serve as pages
from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, say, say_json
from baulk.dashboard.commands.children import Children, stop_signals
from baulk.dashboard.commands.ports import refuse_taken
from baulk.ingest import config as settings
from baulk.ingest import shop as shops
from baulk.models.units import System

PortOption = Annotated[
    int | None,
    typer.Option("--port", help="Port of the pages on this machine; else that of baulk.toml.", min=1, max=65535),
]


def init(
    folder: Annotated[Path, typer.Argument(help="The folder to make.", metavar="DIR")],
    *,
    name: Annotated[str | None, typer.Option(help="What the shop is called; else the folder's name.")] = None,
    units: Annotated[System, typer.Option(help="What people read and type: inch or metric.")] = "metric",
    json: JsonOption = False,
) -> None:
    """Make a shop folder: baulk.toml, to be edited, and an empty store.

    Example: baulk init ferry --units inch
    """
    made = settings.init(folder, name=name or folder.absolute().name, units=units)
    if json:
        say_json({"shop_dir": made})
    else:
        say(f"{made} is a shop folder; look at its {settings.FILE}, then: baulk serve --shop {folder}")


def listen(
    *,
    once: Annotated[
        bool, typer.Option("--once", help="End with an error if the broker is away, instead of trying on.")
    ] = False,
    shop: ShopOption = HERE,
) -> None:
    """Take readings from the broker into the store until Ctrl-C; a message is acknowledged once it is stored."""
    from baulk.ingest import listener

    with stop_signals() as stop, shops.open(shop) as opened:
        listener.run(opened, stop, once=once)
