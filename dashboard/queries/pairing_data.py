"""What the pages ask the shop while a new sensor is met."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from baulk.dashboard.server.shop_access import ask
from baulk.ingest.pairing import asked, mapping, replaced
from baulk.ingest.pairing.asked import Asked, Heard
from baulk.ingest.pairing.mapping import Saved, Trial
from baulk.ingest.pairing.replaced import Replaced
from baulk.ingest.store import mappings
from baulk.ingest.store.mappings import Mapping
from baulk.ingest.wire.message import RawMessage
from baulk.ingest.wire.source import Source


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """Whether somebody looks for a sensor, and what is heard.

    Parameters
    ----------
    asked : Asked or None
        Until when; None while nobody looks.
    heard : Heard
        What the listener has heard since.
    """

    asked: Asked | None
    heard: Heard

    def deaf(self, now: datetime) -> bool:
        """Whether no listener hears it."""
        if self.asked is None:
            return False
        return now - (self.heard.at_utc or self.asked.since_utc) > asked.DEAF


def state(now: datetime) -> State:
    """Return how it stands."""
    return ask(lambda s: State(asked=asked.asked(s.store, now), heard=asked.heard(s.store)))


def begin(now: datetime, topic: str, by: str) -> None:
    """Listen to more than our own topics for ten minutes."""
    ask(lambda s: asked.begin(s.store, now, topic=topic, by=by))


def end() -> None:
    """Listen no longer."""
    ask(lambda s: asked.end(s.store))


def trial(source: Source, raws: list[RawMessage]) -> list[Trial]:
    """Read messages by a mapping; nothing is stored."""
    return ask(lambda s: mapping.trial(s, source, raws))


def preview(source: Source) -> list[Trial]:
    """Read the last messages that were kept of a sensor by a mapping; nothing is stored."""
    return ask(lambda s: mapping.trial(s, source, mapping.preview(s, source.topic)))


def save(source: Source, now: datetime, by: str, heard: list[RawMessage]) -> Saved:
    """Keep a mapping with what was heard and kept of its sensor."""
    return ask(lambda s: mapping.save(s, source, now_utc=now, by=by, heard=heard))


def take_back(saved: Saved, now: datetime, by: str) -> None:
    """Take back a mapping just saved with all that it brought in."""
    ask(lambda s: mapping.take_back(s, saved, now_utc=now, by=by))


def in_force() -> list[Mapping]:
    """Return the mappings that people made."""
    return ask(lambda s: mappings.all_of(s.store))


def delete(number: int, now: datetime, by: str) -> None:
    """Take a mapping back; what it has read stays."""
    ask(lambda s: mappings.undo(s.store, number, now_utc=now, by=by))


def restore(number: int) -> None:
    """Let a mapping that was taken back hold again."""
    ask(lambda s: mappings.redo(s.store, number))


def zone_name() -> str | None:
    """Return the name of the shop's time zone, if the settings give one."""
    return ask(lambda s: s.config.shop.zone)


def has_accounts() -> bool:
    """Return whether the broker lets the listener hear only what its access list names."""
    return ask(lambda s: s.config.broker.user is not None)


def replaceable(now: datetime) -> list[str]:
    """Return the sensors that another one could replace."""
    return ask(lambda s: replaced.can_be_replaced(s, now))


def replacing(old: str, now: datetime) -> list[str]:
    """Return what is known and could go on in place of a sensor."""
    return ask(lambda s: replaced.can_replace(s, old, now))


def timber_of(sensor: str, now: datetime) -> str | None:
    """Return the tag of the timber that a sensor is on."""
    found = ask(lambda s: s.register.attachments().find(sensor, now))
    return None if found is None else found.tag


def replace(  # noqa: PLR0913 - which, when, who
    old: str, new: str, *, now: datetime, at: datetime | None, by: str, note: str
) -> Replaced:
    """Let a sensor go on with the series of another."""
    return ask(lambda s: replaced.replace(s, old, new, now_utc=now, at_utc=at, by=by, note=note))


def take_back_replacing(done: Replaced, now: datetime, by: str) -> None:
    """Let the old sensor go on as before."""
    ask(lambda s: replaced.take_back(s, done, now_utc=now, by=by))
