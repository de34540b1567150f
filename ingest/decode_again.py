"""What was sent, decoded once more by today's settings and put in the place of what was stored then.

A mapping, a clock or a mistake of ours is put right by reading the log of messages anew. A message and its
readings are known to belong together by the arrival, which holds the packet identifier too. Looking changes
nothing; putting right can be taken back; what is right already stays as it is, so a second time does nothing.
"""

from __future__ import annotations

import json
import zlib
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any, Final

from baulk.ingest import checks, corrections, device_clock, host_clock, pipeline, wire
from baulk.ingest import sensors as ingest_sensors
from baulk.ingest.errors import WireError
from baulk.ingest.shop import Shop
from baulk.ingest.store.rejected import Cause, QuarantineRow, Rejected
from baulk.ingest.store.rows import clashing
from baulk.ingest.wire import clock, delays, topics
from baulk.ingest.wire.message import RawMessage, is_right
from baulk.models.errors import NotFound
from baulk.models.reading import Reading, Series

_KEY: Final = "decoded-again/"
_KEPT: Final = 5  # that can be taken back
_AT_ONCE: Final = 20_000  # messages
_SHOWN: Final = 20
_CHECKED: Final = checks.NAMES | {"thinned"}  # not the wire's

_Key = tuple[Series, datetime]


@dataclass(slots=True, kw_only=True)
class Report:
    """What decoding again finds.

    Parameters
    ----------
    since_utc, until_utc : datetime or None
        The arrivals that were looked at; None for an empty log.
    messages : int
        How many messages.
    added, changed, set_aside : int
        Readings that come, come in the place of another of their message, and go without one.
    held : int
        Readings whose time is taken by another one, which stays.
    released : int
        Messages that leave quarantine.
    examples : list of str
        What changes, some of it.
    number : int or None
        By which it can be taken back, once it is done.
    """

    since_utc: datetime | None = None
    until_utc: datetime | None = None
    messages: int = 0
    added: int = 0
    changed: int = 0
    set_aside: int = 0
    held: int = 0
    released: int = 0
    examples: list[str] = field(default_factory=list)
    number: int | None = None

    @property
    def anything(self) -> bool:
        """Whether there is anything to put right."""
        return bool(self.added or self.changed or self.set_aside or self.released)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Change:
    """What becomes of the readings of a piece of the log."""

    messages: int
    gone: list[Reading]
    come: list[Reading]
    pairs: list[tuple[Reading | None, Reading | None]]
    held: int
    rejected: list[Rejected]
    released: list[QuarantineRow]

    def of_times(self) -> _Change:
        """Leave only readings that get another time, or had none of their own by a clock that went back."""
        clashes = [row for row in self.released if row.cause is Cause.CLASH]
        apart = set(_clashes(clashes))
        pairs: list[tuple[Reading | None, Reading | None]] = [
            (old, new)
            for old, new in self.pairs
            if new is not None
            and (
                _is_moved(new) or _as_sent(new) in apart
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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Clocks:
    """What is known of clocks: ours, and those of devices whose times could be true, or can't be."""

    host: list[host_clock.Span]
    behind: dict[str, list[delays.Span]]
    devices: dict[str, list[clock.Course]]

    def told(self, raw: RawMessage) -> RawMessage:
        """Tell a message what is known by now."""
        ahead = 0.0 if raw.forwarded else host_clock.ahead_s(self.host, raw.arrived_utc)
        return replace(raw, host_ahead_s=ahead) if ahead else raw

    def told_all(self, raw: RawMessage, shop: Shop) -> RawMessage:
        """Tell a message also how far its device's clock was ahead, if it was held up on its way."""
        raw = self.told(raw)
        spans = self.behind.get(raw.topic, ())
        if behind_s := device_clock.behind_s(spans, raw.now_utc.timestamp()):
            return replace(raw, device_behind_s=behind_s)
        courses = self.devices.get(raw.topic)
        if not courses or (said := _newest_s(raw, shop)) is None:
            return raw
        return replace(raw, clock_ahead_s=clock.ahead_of(courses, raw.now_utc.timestamp(), said))


def _newest_s(raw: RawMessage, shop: Shop) -> float | None:
    """Return the newest time in a message that can't be true, in seconds since 1970."""
    try:
        readings = wire.understand(raw, slug=shop.config.slug, sources=shop.config.source).readings
    except WireError:
        return None
    return max((said for one in readings if (said := clock.device_s(one.flags)) is not None), default=None)


def _clocks(shop: Shop) -> _Clocks:
    """Learn the clocks of devices from the whole log, whatever part of it is decoded again."""
    host, behind = host_clock.spans(shop.store), device_clock.spans(shop.store)
    known = _Clocks(host=host, behind=behind, devices={})
    wrong, extent = host_clock.wrong_clocks(shop.store), shop.store.raw.extent()
    if not wrong or extent.first_utc is None or extent.last_utc is None:
        return known
    points: dict[str, list[tuple[float, float]]] = defaultdict(list)
    end = extent.last_utc + timedelta(microseconds=1)
    for begin, stop in shop.store.raw.spans(extent.first_utc, end, _AT_ONCE):
        for raw in map(known.told, shop.store.raw.between(begin, stop)):
            if raw.topic in wrong and (said := _newest_s(raw, shop)) is not None:
                points[raw.topic].append((raw.now_utc.timestamp(), said))
    return replace(known, devices={topic: clock.learn(those) for topic, those in points.items()})


def look(
    shop: Shop,
    now_utc: datetime,
    *,
    since: datetime | None = None,
    until: datetime | None = None,
    topic: str | None = None,
) -> Report:
    """Say what decoding again would change; nothing is changed.

    Parameters
    ----------
    shop : Shop
        An open shop, with the settings of today.
    now_utc : datetime
        Now, with a time zone.
    since, until : datetime, optional
        Only messages that arrived from then, and before then.
    topic : str, optional
        Only messages on topics that fit this filter.
    """
    report = Report()
    for change in _changes(shop, report, now_utc, since, until, topic):
        _count(report, change, shop.config.zone)
    return report


def put_right(  # noqa: PLR0913 - what `look` takes, and how
    shop: Shop,
    now_utc: datetime,
    *,
    since: datetime | None = None,
    until: datetime | None = None,
    topic: str | None = None,
    only_times: bool = False,
) -> Report:
    """Decode again as `look` and store what comes of it; `undo` takes it back.

    With ``only_times`` a reading gets another time or none of all this, as a better estimate is no change of
    what was meant; that is not kept to be taken back.
    """
    report = Report()
    number = max(_numbers(shop), default=0) + 1
    for part, change in enumerate(_changes(shop, report, now_utc, since, until, topic)):
        if only_times:
            change = change.of_times()  # noqa: PLW2901 - the rest is not wanted
        _count(report, change, shop.config.zone)
        if not (change.gone or change.come or change.released):
            continue
        flagged = {_key(one): one for one in checks.flag(change.come, shop.store)}
        come = [flagged[_key(one)] for one in change.come]
        if not only_times:
            report.number = number
            shop.store.note(f"{_KEY}{number:06d}/{part:04d}", _packed(change, come))
        if change.gone or come or change.rejected:
            shop.store.reattribute(change.gone, come, change.rejected)
        if change.released:
            shop.store.release(*(row.number for row in change.released))
    for old in sorted(_numbers(shop))[:-_KEPT]:
        shop.store.forget(*shop.store.notes(f"{_KEY}{old:06d}/"))
    return report


def undo(shop: Shop, number: int | None = None) -> Report:
    """Take back what decoding again did, the last time or one of the last five times.

    Raises
    ------
    NotFound
        If there is nothing of that number.
    """
    numbers = _numbers(shop)
    if number is None:
        number = max(numbers, default=0)
    if number not in numbers:
        raise NotFound("decoding again, number", str(number), [str(one) for one in sorted(numbers)])
    report = Report(number=number)
    notes = shop.store.notes(f"{_KEY}{number:06d}/")
    for key in sorted(notes, reverse=True):
        body = json.loads(zlib.decompress(notes[key]))
        gone, come = [_reading(one) for one in body["gone"]], [_reading(one) for one in body["come"]]
        stored = _stored(shop, come)
        leaving = [one for one in come if stored.get(_key(one)) == one.value]
        if leaving or gone:
            shop.store.reattribute(leaving, gone)
        rejected = [_rejected(one) for one in body["released"]]
        if rejected:
            shop.store.save((), rejected)
        shop.store.forget(key)
        report.added += len(gone)
        report.set_aside += len(leaving)
    return report


def _changes(  # noqa: PLR0913, PLR0917 - what `look` was asked
    shop: Shop,
    report: Report,
    now_utc: datetime,
    since: datetime | None,
    until: datetime | None,
    topic: str | None,
) -> Iterator[_Change]:
    extent = shop.store.raw.extent()
    if extent.first_utc is None or extent.last_utc is None:
        return
    first = max(extent.first_utc, since or extent.first_utc)
    if (days := shop.config.store.thin_after_days) is not None:  # what was thinned out must not come back
        first = max(first, now_utc - timedelta(days=days) + timedelta(days=1))
    end = extent.last_utc + timedelta(microseconds=1)
    last = min(end, until or end)
    if first >= last:
        return
    report.since_utc, report.until_utc = first, last
    quarantined, clocks = _by_message(shop), _clocks(shop)
    clashes = _clashes(quarantined.values())
    for begin, stop in shop.store.raw.spans(first, last, _AT_ONCE):
        raws = [
            clocks.told_all(raw, shop)
            for raw in shop.store.raw.between(begin, stop)
            if (topic is None or topics.matches(topic, raw.topic))
            and topics.event_tag(raw.topic, shop.config.slug) is None  # the register has it, or quarantine
            and raw.topic != topics.weather_ahead(shop.config.slug)  # kept as a note, or in quarantine
        ]
        if raws:
            change = _change(shop, raws, shop.store.arrived(begin, stop), quarantined)
            apart = [row for one in change.come if (row := clashes.get(_as_sent(one)))]
            yield replace(change, released=[*change.released, *apart])


def _change(
    shop: Shop,
    raws: Sequence[RawMessage],
    stored: Iterable[Reading],
    quarantined: dict[tuple[str, bytes, datetime], QuarantineRow],
) -> _Change:
    """Compare what a piece of the log says today with what is stored of it."""
    tags, sensors = frozenset(shop.register.tags()), ingest_sensors.Sensors(shop)
    then: dict[datetime, list[Reading]] = defaultdict(list)
    away = corrections.taken_away(shop.store)
    for reading in stored:
        if corrections.CORRECTED in reading.flags:  # what a person put right stays so
            continue
        then[reading.arrived_utc].append(reading)
    groups: dict[datetime, list[RawMessage]] = defaultdict(list)
    for raw in raws:
        groups[raw.arrived_utc].append(raw)
    pairs: list[tuple[Reading | None, Reading | None]] = []
    rejected: list[Rejected] = []
    released: list[QuarantineRow] = []
    said: set[_Key] = set()  # the first message that says something of a moment is the one that is stored
    for arrived, group in groups.items():
        sorted_out = [(raw, pipeline.sort(raw, shop, tags, sensors)) for raw in group]
        if not all(_is_read(raw, one, shop) for raw, one in sorted_out):
            continue
        now = [one for _, each in sorted_out for one in each.readings if _key(one) not in said]
        now = [one for one in now if _key(one) not in away]
        now = list({_key(one): one for one in reversed(now)}.values())[::-1]
        said.update(_key(one) for one in now)
        found = _paired(then.get(arrived, []), now)
        pairs += found
        if any(new is None for _, new in found):
            rejected += [bad for raw, one in sorted_out if (bad := one.rejected(raw))]
        for raw, one in sorted_out:
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
) -> _Change:
    """Leave out what is stored already, perhaps under another arrival, and what another reading holds up."""
    leaving = {_key(old) for old, _ in pairs if old is not None}
    stored = _stored(shop, [new for _, new in pairs if new is not None])
    kept, held = [], 0
    for old, new in pairs:
        if new is None or _key(new) in leaving or _key(new) not in stored:
            kept.append((old, new))
        elif stored[_key(new)] == new.value:
            if old is not None:
                kept.append((old, None))
        else:
            held += 1
    return _Change(
        messages=messages,
        gone=[old for old, _ in kept if old is not None],
        come=[new for _, new in kept if new is not None],
        pairs=kept,
        held=held,
        rejected=rejected,
        released=released,
    )


def _is_read(raw: RawMessage, one: pipeline.Sorted, shop: Shop) -> bool:
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
    for fits in (_key, lambda one: one.series, lambda _: None):
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


def _key(one: Reading) -> _Key:
    return one.series, one.taken_utc


def _stored(shop: Shop, those: Iterable[Reading]) -> dict[_Key, float]:
    """Values that are stored at the moments of these readings."""
    by_series: dict[Series, list[datetime]] = defaultdict(list)
    for one in those:
        by_series[one.series].append(one.taken_utc)
    found: dict[_Key, float] = {}
    for series, times in by_series.items():
        asked = {round(at.timestamp() * 1e6): at for at in times}
        rows = shop.store.read(series, min(times), max(times))
        for posix_s, value in zip(rows["posix_s"].tolist(), rows["value"].tolist(), strict=True):
            if (at := asked.get(round(posix_s * 1e6))) is not None:
                found[series, at] = value
    return found


def _by_message(shop: Shop) -> dict[tuple[str, bytes, datetime], QuarantineRow]:
    rows: dict[tuple[str, bytes, datetime], QuarantineRow] = {}
    after = 0
    while found := shop.store.quarantined(500, after=after):
        after = found[-1].number
        rows |= {(row.raw.topic, row.raw.payload, row.raw.arrived_utc): row for row in found}
    return rows


def _clashes(rows: Iterable[QuarantineRow]) -> dict[tuple[Series, float, float], QuarantineRow]:
    """Give the readings that clashed with a stored one, by what their devices said."""
    those = (row for row in rows if row.cause is Cause.CLASH)
    return {_as_sent(one): row for row in those if (one := clashing(row.raw))}


def _as_sent(one: Reading) -> tuple[Series, float, float]:
    said = clock.device_s(one.flags)
    return one.series, one.value, round(one.taken_utc.timestamp() if said is None else said, 3)


def _count(report: Report, change: _Change, zone: tzinfo | None) -> None:
    report.messages += change.messages
    report.held += change.held
    report.released += len(change.released)
    for old, new in change.pairs:
        if old is None:
            report.added += 1
        elif new is None:
            report.set_aside += 1
        else:
            report.changed += 1
        if len(report.examples) < _SHOWN:
            report.examples.append(f"{_said(old, zone)} -> {_said(new, zone)}")


def _said(one: Reading | None, zone: tzinfo | None) -> str:
    if one is None:
        return "nothing"
    flags = f" [{', '.join(one.flags)}]" if one.flags else ""
    return (
        f"{one.series} {one.value:g} {one.unit} at {one.taken_utc.astimezone(zone):%Y-%m-%d %H:%M:%S}{flags}"
    )


# --- what is kept to be taken back


def _numbers(shop: Shop) -> set[int]:
    return {int(key.split("/")[1]) for key in shop.store.notes(_KEY)}


def _packed(change: _Change, come: Sequence[Reading]) -> bytes:
    body = {
        "gone": [_plain(one) for one in change.gone],
        "come": [_plain(one) for one in come],
        "released": [
            [
                row.raw.topic,
                row.raw.payload.hex(),
                row.raw.arrived_utc.isoformat(),
                row.raw.retained,
                row.reason,
                row.cause.value,
                row.waits_for,
            ]
            for row in change.released
        ],
    }
    return zlib.compress(json.dumps(body).encode())


def _plain(one: Reading) -> list[Any]:
    times = one.taken_utc.astimezone(UTC).isoformat(), one.arrived_utc.astimezone(UTC).isoformat()
    return [str(one.series), one.value, *times, one.source, list(one.flags)]


def _reading(plain: Sequence[Any]) -> Reading:
    series, value, taken, arrived, source, flags = plain
    return Reading(
        series=Series.parse(series),
        value=value,
        taken_utc=datetime.fromisoformat(taken),
        arrived_utc=datetime.fromisoformat(arrived),
        source=source,
        flags=tuple(flags),
    )


def _rejected(plain: Sequence[Any]) -> Rejected:
    topic, payload, arrived, retained, reason, cause, waits_for = plain
    raw = RawMessage(
        topic=topic,
        payload=bytes.fromhex(payload),
        arrived_utc=datetime.fromisoformat(arrived),
        retained=retained,
    )
    return Rejected(raw=raw, reason=reason, cause=Cause(cause), waits_for=waits_for)
