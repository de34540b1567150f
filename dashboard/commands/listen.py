"""The way in, alone: `baulk listen`."""

from __future__ import annotations

from typing import Annotated

import typer

from baulk.dashboard.commands.answers import HERE, ShopOption, say
from baulk.dashboard.commands.children import stop_signals
from baulk.ingest import service_manager
from baulk.ingest.mqtt import listener
from baulk.ingest.wire.message import MOST_LISTENERS


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
            max=MOST_LISTENERS,
            help="Which of several listeners this is; they take turns by the share of [broker].",
        ),
    ] = None,
    shop: ShopOption = HERE,
) -> None:
    """Take readings from the broker into the store until Ctrl-C.

    A message is acknowledged only once it is stored; what can't be understood goes to quarantine with its
    reason (`baulk quarantine groups`). With the store's server away, messages wait in a spool beside
    baulk.toml.

    Example: baulk listen --shop ferry
    """
    with stop_signals() as stop, listener.opened(shop, stop, say=say, once=once) as opened:
        listener.settle_memory()
        where = f"{opened.config.broker.host}:{opened.config.broker.port}"
        service_manager.ready(f"for the broker at {where}")  # which may be away as yet; messages wait there
        listener.run(
            opened,
            stop,
            once=once,
            number=number,
            say=say,
            on_ready=lambda: say(f"taking readings from the broker at {where}"),
        )
        service_manager.ending()
