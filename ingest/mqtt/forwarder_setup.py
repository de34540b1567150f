"""What a forwarder needs before it starts: settings that hang together, and its spool."""

from __future__ import annotations

from typing import Final

from baulk.ingest.config import FILE, Config, ForwardPart
from baulk.ingest.errors import ConfigError
from baulk.ingest.mqtt.spool import Spool

REMEMBERED: Final = 20_000  # messages that stay in the spool after they were sent


def check(config: Config) -> ForwardPart:
    """Return the settings of a forwarder.

    Raises
    ------
    ConfigError
        If there are none, or both brokers are the same one.
    """
    part, broker = config.forward, config.broker
    if part is None:
        raise ConfigError(
            f"{config.shop_dir / FILE} has no [forward]; write there which broker the messages go to: "
            'host = "..." of the shop'
        )
    if (part.host, part.port) == (broker.host, broker.port):
        raise ConfigError(
            f"[broker] and [forward] name the same broker, {part.host}:{part.port}; [broker] is the one at "
            "the yard, [forward] the shop's"
        )
    return part


def misnamed(part: ForwardPart) -> str | None:
    """Say what is wrong if a forwarder is not named as its account at the shop's broker; None if it is."""
    account = part.account("forward")
    if account is None or account == part.name:
        return None
    return (
        f"[forward] signs in as {account} and has the name {part.name}: an account may tell the shop how its "
        f"forwarder is under its own name only, so Sensors and `baulk doctor` there stay without word; set "
        f'name = "{account}" in [forward]. What is forwarded is not touched by it'
    )


def spool_of(config: Config, part: ForwardPart) -> Spool:
    """Open a forwarder's spool."""
    file = config.shop_dir / f"forward-{part.name}.db"
    return Spool(file, room_mb=part.spool_mb, remembers=REMEMBERED, section="forward")
