"""The way in, alone: `baulk listen`."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Annotated, Final

import typer

from baulk.dashboard.commands.answers import HERE, ShopOption, say
from baulk.dashboard.commands.children import stop_signals
from baulk.ingest import listener
from baulk.ingest import shop as shops
from baulk.ingest.errors import StoreAway

_RETRY_S: Final = 5.0


def listen(
    *,
    once: Annotated[
        bool, typer.Option("--once", help="End with an error if the broker is away, instead of trying on.")
    ] = False,
    number: Annotated[
        int | None,
        typer.Option(
            "--number",
            min=1,
            max=99,
            help="Which of several listeners this is; they take turns by the share of [broker].",
        ),
    ] = None,
    shop: ShopOption = HERE,
) -> None:
    """Take readings from the broker into the store until Ctrl-C.

    A message is acknowledged only once it is stored; what can't be understood goes to quarantine with its
    reason (`baulk reading quarantine`). With the store's server away, messages wait in a spool beside
    baulk.toml.
    """
    with stop_signals() as stop, _opened(shop, stop, once=once) as opened:
        where = f"{opened.config.broker.host}:{opened.config.broker.port}"
        listener.run(
            opened,
            stop,
            once=once,
            number=number,
            say=say,
            on_ready=lambda: say(f"taking readings from the broker at {where}"),
        )


def _opened(folder: Path, stop: threading.Event, *, once: bool) -> shops.Shop:
    """Open the shop; while its server is away, messages wait at the broker and it is tried again."""
    said = None
    while True:
        try:
            return shops.open(folder)
        except StoreAway as err:
            if once or stop.is_set():
                raise
            if str(err) != said:
                said = str(err)
                say(f"{said}; messages wait at the broker, trying again")
            stop.wait(_RETRY_S)
