"""For a yard far away: `baulk forward`."""

from __future__ import annotations

from typing import Annotated

import typer

from baulk.dashboard.commands.answers import HERE, ShopOption, say
from baulk.dashboard.commands.children import stop_signals
from baulk.ingest import config as settings
from baulk.ingest import service_manager
from baulk.ingest.mqtt import forwarder, forwarder_setup


def forward(
    *,
    once: Annotated[
        bool,
        typer.Option("--once", help="End with an error if the broker is away, instead of trying on."),
    ] = False,
    shop: ShopOption = HERE,
) -> None:
    """Send what comes at a yard far away to the shop's broker, when the link allows, until Ctrl-C.

    For a machine at the yard. Its baulk.toml names the yard's broker in [broker] and the shop's in
    [forward]; it needs no timbers and no store. Messages are kept on its disk for weeks, sent in order, with
    the time they came, and stored once. The shop's account for it: baulk sensor enrol shed --forwards, and
    `name` in [forward] is that account's name, here shed.

    Example: baulk forward --shop shed
    """
    config = settings.load(shop)
    part = forwarder_setup.check(config)
    here = f"{config.broker.host}:{config.broker.port}"
    with stop_signals() as stop:
        service_manager.ready(f"from {here} to {part.host}:{part.port}")
        forwarder.run(
            config,
            stop,
            once=once,
            say=say,
            on_ready=lambda: say(f"taking messages from {here} for {part.host}:{part.port}"),
        )
        service_manager.ending()
