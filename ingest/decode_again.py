"""What was sent, decoded once more by today's settings and put in the place of what was stored then.

A mapping, a clock or a mistake of ours is put right by reading the log of messages anew. A message and its
readings are known to belong together by the arrival, which holds the packet identifier too. Looking changes
nothing; putting right can be taken back; what is right already stays as it is, so a second time does nothing.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any, Final

from baulk.ingest import checks, decode_compare, log_clocks
from baulk.ingest.shop import Shop
from baulk.ingest.store.rejected import Cause, Rejected
from baulk.ingest.wire import topics
from baulk.ingest.wire.message import RawMessage
from baulk.models.errors import NotFound
from baulk.models.reading import Reading, Series

_KEY: Final = "decoded-again/"
_KEPT: Final = 5  # that can be taken back
_AT_ONCE: Final = 20_000  # messages
_SHOWN: Final = 20


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
    unread: bool = False,
) -> Report:
    """Decode again as `look` and store what comes of it; `undo` takes it back.

    With ``only_times`` a reading gets another time or none of all this, as a better estimate is no change of
    what was meant; that is not kept to be taken back. With ``unread`` a topic that no setting reads any more
    counts too, and its messages go to quarantine; else what was read of it stays.
    """
    report = Report()
    number = max(_numbers(shop), default=0) + 1
    for part, change in enumerate(_changes(shop, report, now_utc, since, until, topic, unread=unread)):
        if only_times:
            change = change.of_times()  # noqa: PLW2901 - the rest is not wanted
        _count(report, change, shop.config.zone)
        if not (change.gone or change.come or change.released):
            continue
        flagged = {decode_compare.key_of(one): one for one in checks.flag(change.come, shop.store)}
        come = [flagged[decode_compare.key_of(one)] for one in change.come]
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
        stored = decode_compare.stored_at(shop, come)
        leaving = [one for one in come if stored.get(decode_compare.key_of(one)) == one.value]
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
    *,
    unread: bool = False,
) -> Iterator[decode_compare.Change]:
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
    quarantined, clocks = decode_compare.by_message(shop), log_clocks.learned(shop)
    clashes = decode_compare.clashes_of(quarantined.values())
    for begin, stop in shop.store.raw.spans(first, last, _AT_ONCE):
        raws = [
            clocks.told_all(raw, shop)
            for raw in shop.store.raw.between(begin, stop)
            if (topic is None or topics.matches(topic, raw.topic))
            and topics.event_tag(raw.topic, shop.config.slug) is None  # the register has it, or quarantine
            and raw.topic != topics.weather_ahead(shop.config.slug)  # kept as a note, or in quarantine
        ]
        if raws:
            change = decode_compare.change(
                shop, raws, shop.store.arrived(begin, stop), quarantined, unread=unread
            )
            apart = [row for one in change.come if (row := clashes.get(decode_compare.as_sent(one)))]
            yield replace(change, released=[*change.released, *apart])


def _count(report: Report, change: decode_compare.Change, zone: tzinfo | None) -> None:
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


def _packed(change: decode_compare.Change, come: Sequence[Reading]) -> bytes:
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
