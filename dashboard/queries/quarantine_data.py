"""What the pages ask of quarantine."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from baulk.dashboard.server.shop_access import ask
from baulk.ingest import hand_readings, operations, pipeline, wire
from baulk.ingest.errors import WireError
from baulk.ingest.exchange import quarantine_file
from baulk.ingest.mqtt.last_messages import shown
from baulk.ingest.store.rejected import QuarantineGroup, QuarantineRow, Which
from baulk.models.reading import Reading
from baulk.models.timber import Event, Place

__all__ = [
    "Run",
    "accept",
    "add_place",
    "clash",
    "count",
    "discard",
    "event_of",
    "exported",
    "go_on",
    "look",
    "place_of",
    "rows",
    "settle",
    "shown",
]
_GROUPS = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Quarantine as a whole.

    Parameters
    ----------
    groups : tuple of QuarantineGroup
        By cause and sender, the most first.
    count : int
        How many messages lie there.
    let_go : tuple of (int, datetime), or None
        How many a full quarantine has let go, and when last.
    """

    groups: tuple[QuarantineGroup, ...]
    count: int
    let_go: tuple[int, datetime] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """How far trying messages again has come.

    Parameters
    ----------
    which : Which
        Those that are tried.
    preview : bool
        Whether nothing is changed.
    total : int
        How many they were.
    seen, stored, settled, left : int
        Messages tried; readings stored; messages that left, and that stay.
    reason : str or None
        Why the first of those stays.
    after : int
        The number of the last one tried.
    upto : int
        The number of the last one to try.
    is_done : bool
        Whether all of them were tried.
    """

    which: Which
    preview: bool
    total: int
    seen: int = 0
    stored: int = 0
    settled: int = 0
    left: int = 0
    reason: str | None = None
    after: int = 0
    upto: int | None = None
    is_done: bool = False


def look() -> Seen:
    """Look at quarantine."""
    return ask(
        lambda s: Seen(
            groups=tuple(s.store.quarantine_groups(_GROUPS)),
            count=s.store.quarantine_count(),
            let_go=s.store.let_go(),
        )
    )


def rows(most: int, which: Which) -> list[QuarantineRow]:
    """Return the newest messages."""
    return ask(lambda s: s.store.quarantined(most, which))


def count(which: Which) -> int:
    """Return how many messages there are."""
    return ask(lambda s: s.store.quarantine_count(which))


def go_on(run: Run, stop: Callable[[], bool]) -> Run:
    """Try a few more messages again."""
    done = ask(
        lambda s: pipeline.replay(
            s, run.which, after=run.after, upto=run.upto, preview=run.preview, stop=stop
        )
    )
    return replace(
        run,
        seen=run.seen + done.settled + done.left,
        stored=run.stored + done.stored,
        settled=run.settled + done.settled,
        left=run.left + done.left,
        reason=run.reason or done.reason,
        after=max(run.after, done.after),
        upto=done.upto,
        is_done=done.is_done,
    )


def discard(which: Which, why: str, by: str, now_utc: datetime) -> int:
    """Take messages out for good; return how many."""
    return ask(lambda s: s.store.discard(which, why=why, by=by, now_utc=now_utc))


def settle(number: int, *, take_other: bool, by: str, now_utc: datetime) -> Reading:
    """Settle two values for one moment."""
    return ask(lambda s: hand_readings.settle_clash(s, number, take_other=take_other, by=by, now_utc=now_utc))


def event_of(row: QuarantineRow) -> Event | None:
    """Return the event that a message tells; None where it tells none."""
    try:
        return ask(lambda s: wire.understand(row.raw, slug=s.config.slug).event)
    except WireError:
        return None


def accept(number: int, *, by: str) -> str | None:
    """Enter the event of a message, however unlikely, as that person says; return why it can't be."""
    return ask(lambda s: pipeline.replay(s, Which(number=number), confirmed_by=by).reason)


def clash(row: QuarantineRow) -> tuple[Reading, Reading] | None:
    """Return the stored reading and the one that clashes with it; None where there are no two."""
    return ask(lambda s: hand_readings.clashing_pair(s, row))


def exported(which: Which) -> bytes:
    """Return messages as CSV."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "quarantine.csv"
        ask(lambda s: quarantine_file.write(s, path, which))
        return path.read_bytes()


def place_of(number: int) -> str | None:
    """Return the place that a message waits for, if it does."""
    waits = ask(lambda s: s.store.quarantined_one(number).waits_for) or ""
    return waits.removeprefix("place:") if waits.startswith("place:") else None


def add_place(name: str) -> int:
    """Enter a place; return how many readings waited for it."""
    return ask(lambda s: operations.add_place(s, Place(name=name)))
