"""A piece of the log as today's settings read it, held against what is stored of it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from baulk.ingest import checks, correction_notes, routing, wire
from baulk.ingest import sensors as ingest_sensors
from baulk.ingest.shop import Shop
from baulk.ingest.store.rejected import Cause, QuarantineRow, Rejected
from baulk.ingest.store.rows import clashing
from baulk.ingest.wire import clock
from baulk.ingest.wire.message import RawMessage, is_right
from baulk.models.reading import Reading, Series

_CHECKED: Final = checks.NAMES | {"thinned"}  # not the wire's

Key = tuple[Series, datetime]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What becomes of the readings of a piece of the log.

    Parameters
    ----------
    messages : int
        How many were compared.
    gone, come : list of Reading
        Those stored that go, and those that come.
    pairs : list of (Reading or None, Reading or None)
        The same two by two: what comes in the place of what.
    held : int
        Readings whose time is taken by another one, which stays.
    rejected : list of Rejected
        Messages that go to quarantine.
    released : list of QuarantineRow
        Messages that leave it.
    """

    messages: int
    gone: list[Reading]
    come: list[Reading]
    pairs: list[tuple[Reading | None, Reading | None]]
    held: int
    rejected: list[Rejected]
    released: list[QuarantineRow]

    def of_times(self) -> Change:
        """Leave only readings that get another time, or had none of their own by a clock that went back."""
        clashes = [row for row in self.released if row.cause is Cause.CLASH]
        apart = set(clashes_of(clashes))
        pairs: list[tuple[Reading | None, Reading | None]] = [
            (old, new)
            for old, new in self.pairs
            if new is not None
            and (
                _is_moved(new) or as_sent(new) in apart
                if old is None
                else (old.series, old.value) == (new.series, new.value)
            )
        ]
        return replace(
            self,
            pairs=pairs,
            gone=[old for old, _ in pairs if old is not None],
            come=[new for _, new in pairs if new is not None],
            held=0,
            rejected=[],
            released=clashes,
        )


def _is_moved(one: Reading) -> bool:
    """Whether its device gave a time that could be true, and is known to be off."""
    said = clock.device_s(one.flags)
    return said is not None and is_right(said, one.arrived_utc) and said != one.taken_utc.timestamp()


def change(
    shop: Shop,
    raws: Sequence[RawMessage],
    stored: Iterable[Reading],
    quarantined: dict[tuple[str, bytes, datetime], QuarantineRow],
    *,
    unread: bool = False,
) -> Change:
    """Compare what a piece of the log says today with what is stored of it.

    With ``unread`` what no setting reads any more says nothing; else it stays as it was.
    """
    tags, sensors = frozenset(shop.register.tags()), ingest_sensors.Sensors(shop)
    then: dict[datetime, list[Reading]] = defaultdict(list)
    away = correction_notes.taken_away(shop.store)
    for reading in stored:
        if correction_notes.CORRECTED in reading.flags:  # what a person put right stays so
            continue
        then[reading.arrived_utc].append(reading)
    groups: dict[datetime, list[RawMessage]] = defaultdict(list)
    for raw in raws:
        groups[raw.arrived_utc].append(raw)
    pairs: list[tuple[Reading | None, Reading | None]] = []
    rejected: list[Rejected] = []
    released: list[QuarantineRow] = []
    said: set[Key] = set()  # the first message that says something of a moment is the one that is stored
    for arrived, group in groups.items():
        routed = [(raw, routing.route(raw, shop, tags, sensors)) for raw in group]
        if not unread and not all(_is_read(raw, one, shop) for raw, one in routed):
            continue
        now = [one for _, each in routed for one in each.readings if key_of(one) not in said]
        now = [one for one in now if key_of(one) not in away]
        now = list({key_of(one): one for one in reversed(now)}.values())[::-1]
        said.update(key_of(one) for one in now)
        found = _paired(then.get(arrived, []), now)
        pairs += found
        if any(new is None for _, new in found):
            rejected += [bad for raw, one in routed if (bad := one.rejected(raw))]
        for raw, one in routed:
            row = quarantined.get((raw.topic, raw.payload, raw.arrived_utc))
            if row is not None and one.reason is None:
                released.append(row)
    return _settled(shop, len(raws), pairs, rejected, released)


def _settled(
    shop: Shop,
    messages: int,
    pairs: list[tuple[Reading | None, Reading | None]],
    rejected: list[Rejected],
    released: list[QuarantineRow],
) -> Change:
    """Leave out what is stored already, perhaps under another arrival, and what another reading holds up."""
    leaving = {key_of(old) for old, _ in pairs if old is not None}
    stored = stored_at(shop, [new for _, new in pairs if new is not None])
    kept, held = [], 0
    for old, new in pairs:
        if new is None or key_of(new) in leaving or key_of(new) not in stored:
            kept.append((old, new))
        elif stored[key_of(new)] == new.value:
            if old is not None:
                kept.append((old, None))
        else:
            held += 1
    return Change(
        messages=messages,
        gone=[old for old, _ in kept if old is not None],
        come=[new for _, new in kept if new is not None],
        pairs=kept,
        held=held,
        rejected=rejected,
        released=released,
    )


def _is_read(raw: RawMessage, one: routing.Routed, shop: Shop) -> bool:
    """Whether today's settings speak of a message at all; what nobody asks for any more stays as it was."""
    if not wire.wanted(raw.topic, slug=shop.config.slug, sources=shop.config.source):
        return False
    return one.reason is None or one.cause is not Cause.PROGRAM


def _paired(then: Sequence[Reading], now: Sequence[Reading]) -> list[tuple[Reading | None, Reading | None]]:
    """Pair what is stored of a message with what it says now; what is the same is left out."""
    same = {_all_of(one) for one in then} & {_all_of(one) for one in now}
    old = [one for one in then if _all_of(one) not in same]
    new = [one for one in now if _all_of(one) not in same]
    pairs: list[tuple[Reading | None, Reading | None]] = []
    for fits in (key_of, lambda one: one.series, lambda _: None):
        waiting: dict[object, list[Reading]] = defaultdict(list)
        for one in new:
            waiting[fits(one)].append(one)
        left = []
        for one in old:
            partner = waiting[fits(one)].pop(0) if waiting[fits(one)] else None
            if partner is None:
                left.append(one)
            else:
                pairs.append((one, partner))
        taken = {id(partner) for _, partner in pairs}
        old, new = left, [one for one in new if id(one) not in taken]
    return [*pairs, *((one, None) for one in old), *((None, one) for one in new)]


def _all_of(one: Reading) -> tuple[Series, datetime, float, tuple[str, ...]]:
    """Give what the wire says of a reading; the flags of checks are not among it."""
    return (
        one.series,
        one.taken_utc,
        one.value,
        tuple(sorted(flag for flag in one.flags if flag not in _CHECKED)),
    )


def key_of(one: Reading) -> Key:
    """Return what a reading is stored by."""
    return one.series, one.taken_utc


def stored_at(shop: Shop, those: Iterable[Reading]) -> dict[Key, float]:
    """Values that are stored at the moments of these readings."""
    by_series: dict[Series, list[datetime]] = defaultdict(list)
    for one in those:
        by_series[one.series].append(one.taken_utc)
    found: dict[Key, float] = {}
    for series, times in by_series.items():
        asked = {round(at.timestamp() * 1e6): at for at in times}
        found_s, values = shop.store.values(series, min(times), max(times))
        for posix_s, value in zip(found_s.tolist(), values.tolist(), strict=True):
            if (at := asked.get(round(posix_s * 1e6))) is not None:
                found[series, at] = value
    return found


def by_message(shop: Shop) -> dict[tuple[str, bytes, datetime], QuarantineRow]:
    """Give what lies in quarantine by its message: topic, payload and arrival."""
    rows: dict[tuple[str, bytes, datetime], QuarantineRow] = {}
    after = 0
    while found := shop.store.quarantined(500, after=after):
        after = found[-1].number
        rows |= {(row.raw.topic, row.raw.payload, row.raw.arrived_utc): row for row in found}
    return rows


def clashes_of(rows: Iterable[QuarantineRow]) -> dict[tuple[Series, float, float], QuarantineRow]:
    """Give the readings that clashed with a stored one, by what their devices said."""
    those = (row for row in rows if row.cause is Cause.CLASH)
    return {as_sent(one): row for row in those if (one := clashing(row.raw))}


def as_sent(one: Reading) -> tuple[Series, float, float]:
    """Return a reading's series and value with the time that its device said, in seconds since 1970."""
    said = clock.device_s(one.flags)
    return one.series, one.value, round(one.taken_utc.timestamp() if said is None else said, 3)
