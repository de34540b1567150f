"""Foreign sensors by their mapping: number, JSON or CBOR, bytes, lines, SenML, and word of the device."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from baulk.ingest.errors import NoSuchHour, WireError
from baulk.ingest.wire import byte_layout, senml, spoken, units
from baulk.ingest.wire.clock import WRONG, Clock
from baulk.ingest.wire.message import (
    AHEAD_S,
    MOST_BYTES,
    Decoded,
    RawMessage,
    Told,
    number,
    number_in,
    parse_json,
    text,
)
from baulk.ingest.wire.senml import NO_DEPTH_MM
from baulk.ingest.wire.source import Source
from baulk.ingest.wire.topics import Target
from baulk.ingest.wire.unwrap import inner, outermost, search
from baulk.ingest.wire.zone import placed, zone_of
from baulk.models.errors import OutOfRange
from baulk.models.formatting import count
from baulk.models.quantity import AT_DEPTH, SIZES, SPECS
from baulk.models.reading import AT_LEAST, Reading, Series, end_flag, sensor_flag

MOST_VALUES: Final = senml.MOST_RECORDS  # of one message
_SHOWN: Final = 3


@dataclass(frozen=True, slots=True)
class Sample:
    """A value as it stands in the message, the time that goes with it, and how long before that it was."""

    found: object
    when: object
    what: str
    back_s: float = 0.0


def plain(raw: RawMessage, source: Source) -> Decoded:
    """Read a payload that is one number, or a text that means one."""
    if not _is_asked(raw, source):
        return Decoded()
    words = text(_bounded(raw, source))
    return _told(words, raw, source) or decoded(raw, source, [Sample(words, None, "the payload")])


def nested(raw: RawMessage, source: Source) -> Decoded:
    """Read values, and their times if mapped, out of flat or nested JSON."""
    if not _is_asked(raw, source):
        return Decoded()
    body = parse_json(inner(raw, source.inside).payload)
    if source.each is None:
        samples = _samples(body, source)
    else:
        items = search(source.each, body)
        if not isinstance(items, list) or not items:
            raise WireError(f"there is no list at {source.each!r} in the payload")
        _not_too_many(len(items))
        samples = _apart([one for item in items for one in _samples(item, source)], source)
    if len(samples) == 1 and (told := _told(samples[0].found, raw, source)):
        return told
    return decoded(raw, source, samples)


def packed(raw: RawMessage, source: Source) -> Decoded:
    """Read numbers out of bytes by their declared layout."""
    part = source.bytes
    if part is None or not _is_asked(raw, source):
        return Decoded()
    payload = _bounded(raw, source)
    body = payload[part.skip :]
    long = part.record or max(len(body), 1)
    _not_too_many(-(-len(body) // long))
    samples = []
    for start in range(0, max(len(body), 1), long):
        record = body[start : start + long]
        found = byte_layout.number_at(record, part.at, part.number, bit=part.bit, bits=part.bits)
        when = None if part.time_at is None else byte_layout.number_at(record, part.time_at, part.time_number)
        samples.append(Sample(found, when, f"the {part.number} at byte {part.at}"))
    return decoded(raw, source, _apart(samples, source))


def lines(raw: RawMessage, source: Source) -> Decoded:
    """Read numbers out of lines of separated values."""
    part = source.line
    if part is None or not _is_asked(raw, source):
        return Decoded()
    payload = _bounded(raw, source)
    words = text(payload)
    try:
        rows = [row for row in csv.reader(io.StringIO(words), delimiter=part.separator) if row]
    except csv.Error as err:
        raise WireError(f"the payload is no lines of separated values: {str(err)[:80]}") from err
    if not rows:
        raise WireError("the payload holds no line")
    _not_too_many(len(rows))
    samples = []
    for index, row in enumerate(rows):
        what = f"column {part.column} of line {index + 1}"
        if max(part.column, part.time or 0) >= len(row):
            raise WireError(f"line {index + 1} has {len(row)} columns, too few for column {part.column}")
        when = None if part.time is None else row[part.time].strip() or None
        samples.append(Sample(row[part.column], when, what))
    return decoded(raw, source, _apart(samples, source))


def pack(raw: RawMessage, source: Source) -> Decoded:
    """Read a SenML pack that came on a topic of somebody else's."""
    if not _is_asked(raw, source):
        return Decoded()
    name = source.named(raw.topic)
    try:
        flag = None if source.sensor is None else sensor_flag(name)
    except OutOfRange as err:
        raise WireError(str(err)) from err
    asked = senml.Asked(
        foreign=True,
        names=tuple(source.names.items()),
        depth_mm=source.depth_mm or (None if source.sensor is None else NO_DEPTH_MM),
        from_end_mm=source.from_end_mm,
        face=source.face,
        flag=flag,
    )
    return senml.decode(inner(raw, source.inside), Target(owner=source.owner, name=name), asked)


def status(raw: RawMessage, source: Source) -> Decoded:
    """Read what a device, or the broker as its last will (MQTT 5.0 3.1.2.5), says of the device itself."""
    if not _is_asked(raw, source):
        return Decoded()
    payload = inner(raw, source.inside).payload
    found = search(source.value, parse_json(payload)) if source.value else text(payload)
    if told := _told(found, raw, source):
        return told
    known = ", ".join((*source.away, *source.here))
    raise WireError(f"{str(found)[:40]!r} says neither away nor here; known: {known}")


def _is_asked(raw: RawMessage, source: Source) -> bool:
    return source.only_if is None or bool(search(source.only_if, outermost(raw, source.inside)))


def _told(found: object, raw: RawMessage, source: Source) -> Decoded | None:
    """Return what a text says of the device, where the mapping knows that text."""
    if not (source.away or source.here) or not isinstance(found, str | bool):
        return None
    said = str(found).strip().casefold()
    away = said in {one.casefold() for one in source.away}
    if not away and said not in {one.casefold() for one in source.here}:
        return None
    owner = None if source.sensor is not None else source.owner
    return Decoded(told=(Told(owner=owner, name=source.named(raw.topic), away=away),))


# --- several values in one message


def _samples(item: Any, source: Source) -> list[Sample]:  # noqa: ANN401 - JSON can be anything
    path = source.value or "@"
    found = search(path, item)
    when = search(source.time, item) if source.time else None
    what = f"the value at {path!r}"
    if not isinstance(found, list):
        if found is None:
            raise WireError(f"there is nothing at {path!r} in the payload")
        return [Sample(found, when, what)]
    if not found:
        raise WireError(f"the list at {path!r} is empty")
    _not_too_many(len(found))
    if isinstance(when, list):
        if len(when) != len(found):
            raise WireError(
                f"the list at {path!r} has {count(len(found), 'value')}, that of times {len(when)}"
            )
        return [Sample(one, at, what) for one, at in zip(found, when, strict=True)]
    if source.apart_s is None:
        raise WireError(f"{what} is list, not a number; a list needs a time for each, or apart_s")
    return _apart([Sample(one, when, what) for one in found], source)


def _apart(samples: list[Sample], source: Source) -> list[Sample]:
    """Say of values in a row how long before the newest each was; the newest has the time of the message."""
    if len(samples) < 2 or any(one.back_s for one in samples):
        return samples
    if source.apart_s is None:
        if any(one.when is None for one in samples):
            raise WireError(
                f"the message has {count(len(samples), 'value')} and not a time for each; declare apart_s"
            )
        return samples
    last = len(samples) - 1
    step = source.apart_s
    return [
        Sample(one.found, one.when, one.what, step * (last - index) if step > 0 else -step * index)
        for index, one in enumerate(samples)
    ]


def _bounded(raw: RawMessage, source: Source) -> bytes:
    if len(raw.payload) > MOST_BYTES:
        long = f"{len(raw.payload) / 1e6:.1f} MB"
        raise WireError(f"the payload is {long} long; {MOST_BYTES / 1e6:g} MB are the most")
    return inner(raw, source.inside).payload


def _not_too_many(count: int) -> None:
    if count > MOST_VALUES:
        raise WireError(f"the message has {count} values; {MOST_VALUES} are the most")


# --- from value and time to reading


def decoded(raw: RawMessage, source: Source, samples: Sequence[Sample]) -> Decoded:
    """Make readings of the values of a message.

    Raises
    ------
    WireError
        If none of them can be read.
    """
    if source.quantity is None or source.unit is None:
        raise WireError(f"the [[source]] of {source.topic!r} names no quantity and unit")
    base = search(source.outer_time, outermost(raw, source.inside)) if source.outer_time else None
    timed = [_timed(one, base, raw, source) for one in samples]
    clock = Clock([at for at, _ in timed if at is not None], raw)
    readings, problems, old = [], [], 0
    for one, (posix_s, doubt) in zip(samples, timed, strict=True):
        if posix_s is None:
            taken, flags = raw.now_utc - timedelta(seconds=one.back_s), doubt
        else:
            taken, flags = clock.taken(posix_s)
        if raw.retained and (posix_s is None or (flags and not clock.is_known)):
            old += 1  # the broker's copy of a value whose time nobody knows
            continue
        try:
            readings.append(_reading(raw, source, one, taken, flags))
        except (WireError, OutOfRange) as err:
            problems.append(str(err))
    if problems and not readings and not old:
        raise WireError("; ".join(list(dict.fromkeys(problems))[:_SHOWN]))
    return Decoded(readings=tuple(readings), problems=tuple(problems), old=old)


def _reading(
    raw: RawMessage, source: Source, one: Sample, taken: datetime, flags: tuple[str, ...]
) -> Reading:
    if source.quantity is None or source.unit is None:
        raise WireError(f"the [[source]] of {source.topic!r} names no quantity and unit")
    unit = SPECS[source.quantity].declared[source.unit]
    name = source.named(raw.topic)
    known = spoken.ended(one.found, source.quantity, unit, source.basis)
    if known is not None:
        flags = (*flags, AT_LEAST)
    else:
        value = spoken.value_of(
            one.found,
            one.what,
            scale=(source.scale, source.add),
            words=source.words,
            decimal=source.decimal,
            ends_in=source.ends_in,
        )
        known = units.convert(value, unit)
        if source.basis == "wet":
            known = units.dry_basis(known)
    if source.sensor is not None:  # the pipeline puts it on its timber
        flags = (*flags, sensor_flag(name))
    if source.from_end_mm is not None and source.quantity in AT_DEPTH:
        flags = (*flags, end_flag(source.from_end_mm))
    series = Series(
        owner=source.owner,
        name=name,
        quantity=source.quantity,
        depth_mm=source.depth_mm or _depth_unsaid(source),
        face=source.face,
        from_end_mm=source.from_end_mm if source.quantity in SIZES else None,
    )
    return Reading(series=series, value=known, taken_utc=taken, arrived_utc=raw.arrived_utc, flags=flags)


def _depth_unsaid(source: Source) -> float | None:
    """Stand in for the depth of a moving sensor, which the register knows."""
    return NO_DEPTH_MM if source.sensor is not None and source.quantity in AT_DEPTH else None


def _timed(
    one: Sample, base: object, raw: RawMessage, source: Source
) -> tuple[float | None, tuple[str, ...]]:
    """Return the time that goes with a value in seconds since 1970, and the flags of one that has none."""
    when = base if one.when is None else one.when
    try:
        posix_s = _posix_s(when, source, raw)
    except NoSuchHour:  # a sensor can't be asked which of the two it meant: the arrival tells best
        return None, (WRONG,)
    return (None if posix_s is None else posix_s - one.back_s), ()


def _like_unix(when: object) -> str:
    """Say what to write where a time looks like a count since 1970."""
    digits = str(when).partition(".")[0]
    kind = {10: "unix_s", 13: "unix_ms"}.get(len(digits)) if digits.isdecimal() else None
    return f'; as a count since 1970 it needs time_as = "{kind}"' if kind else ""


def _posix_s(when: object, source: Source, raw: RawMessage) -> float | None:
    if when is None:
        return None
    where = source.time or source.outer_time
    what = f"the time at {where!r}" if where else "the time"
    if source.time_as != "iso":
        seconds = number_in(when, what) if isinstance(when, str) else number(when, what)
        return seconds / 1000 if source.time_as == "unix_ms" else seconds
    try:
        moment = datetime.fromisoformat(str(when))
    except ValueError as err:
        raise WireError(f"the time {str(when)[:40]!r} is not ISO 8601{_like_unix(when)}") from err
    if moment.tzinfo is None:
        if source.time_zone is None:
            return None  # whose time this is nobody has said: the arrival counts
        moment = placed(moment, zone_of(source.time_zone), raw.now_utc + timedelta(seconds=AHEAD_S))
    return moment.timestamp()
