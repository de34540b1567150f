"""Whether somebody looks for a new sensor: two notes of the store, between page, command and listener.

A page or a command asks for it; the listener listens to everything for ten minutes and writes what it hears.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from baulk.ingest.errors import MappingError
from baulk.ingest.pairing.ring import messages_of
from baulk.ingest.store import Store
from baulk.ingest.wire import topics
from baulk.ingest.wire.message import RawMessage

LASTS: Final = timedelta(minutes=10)
EVERYTHING: Final = "#"
ASKED: Final = "pairing/asked"
HEARD: Final = "pairing/heard"
EAR: Final = "pairing/ear"  # which listener hears it
DEAF: Final = timedelta(seconds=10)  # after which a listener that says nothing is not there


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """Somebody looks for a sensor.

    Parameters
    ----------
    topic : str
        The filter that is listened to.
    since_utc, until_utc : datetime
        From when, and when it ends by itself.
    by : str
        Who asked.
    """

    topic: str
    since_utc: datetime
    until_utc: datetime
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What the listener has heard since.

    Parameters
    ----------
    at_utc : datetime or None
        When it wrote last; None if it has not begun.
    messages : tuple of RawMessage
        The last few of each topic, oldest first; of a long payload (``cut``) only the beginning.
    taken, left_out : int
        Messages that came, and those of topics beyond the number that is kept.
    problem : str or None
        What stands in the way.
    """

    at_utc: datetime | None = None
    messages: tuple[RawMessage, ...] = ()
    taken: int = 0
    left_out: int = 0
    problem: str | None = None

    def of(self, pattern: str) -> list[RawMessage]:
        """Give the messages whose topics fit a filter, oldest first."""
        mine = [one for one in self.messages if topics.matches(pattern, one.topic)]
        return sorted(mine, key=lambda one: one.arrived_utc)


def begin(store: Store, now_utc: datetime, *, by: str = "", topic: str = EVERYTHING) -> Asked:
    """Ask the listener to hear more than Baulk's own topics, for ten minutes.

    Raises
    ------
    MappingError
        If the topic is no filter.
    """
    if not topics.valid_filter(topic) or topic.startswith("$share/"):
        raise MappingError(
            f"{topic!r} is not a topic filter: # stands alone at the end, + alone on its level"
        )
    made = Asked(topic=topic, since_utc=now_utc, until_utc=now_utc + LASTS, by=by)
    store.forget(HEARD, EAR)
    body = {
        "topic": topic,
        "since_utc": now_utc.isoformat(),
        "until_utc": made.until_utc.isoformat(),
        "by": by,
    }
    store.note(ASKED, json.dumps(body).encode())
    return made


def end(store: Store) -> None:
    """End it before its time; what was heard is forgotten."""
    store.forget(ASKED, HEARD, EAR)


def asked(store: Store, now_utc: datetime) -> Asked | None:
    """Return whether somebody looks for a sensor now."""
    body = _body(store.noted(ASKED))
    try:
        found = Asked(
            topic=str(body["topic"]),
            since_utc=datetime.fromisoformat(body["since_utc"]),
            until_utc=datetime.fromisoformat(body["until_utc"]),
            by=str(body["by"]),
        )
    except (KeyError, TypeError, ValueError):
        return None
    # a clock that was set back must not make ten minutes of a year
    return found if now_utc < found.until_utc <= now_utc + LASTS else None


def heard(store: Store) -> Heard:
    """Return what was heard since it was asked for."""
    body = _body(store.noted(HEARD))
    try:
        return Heard(
            at_utc=datetime.fromisoformat(body["at_utc"]),
            messages=tuple(messages_of(body)),
            taken=int(body["taken"]),
            left_out=int(body["left_out"]),
            problem=None if body["problem"] is None else str(body["problem"]),
        )
    except (KeyError, TypeError, ValueError):
        return Heard()


def ear(store: Store) -> tuple[int, datetime] | None:
    """Return the number of the listener that hears it, and when it said so last; None before any does."""
    body = _body(store.noted(EAR))
    try:
        return int(body["number"]), datetime.fromisoformat(body["at_utc"])
    except (KeyError, TypeError, ValueError):
        return None


def keep_ear(store: Store, number: int, now_utc: datetime) -> None:
    """Say that a listener hears it."""
    store.note(EAR, json.dumps({"number": number, "at_utc": now_utc.isoformat()}).encode())


def _body(note: bytes | None) -> dict[str, Any]:
    try:
        found = json.loads(note or b"{}")
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}
