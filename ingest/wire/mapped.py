"""Foreign sensors by a mapping of baulk.toml: a plain number, a value somewhere in JSON, or SenML."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import jmespath
from jmespath.exceptions import JMESPathError

from baulk.ingest.errors import NoSuchHour, WireError
from baulk.ingest.wire import senml, units
from baulk.ingest.wire.clock import WRONG, Clock
from baulk.ingest.wire.message import AHEAD_S, Decoded, RawMessage, number, number_in, parse_json, text
from baulk.ingest.wire.senml import NO_DEPTH_MM
from baulk.ingest.wire.source import Source
from baulk.ingest.wire.topics import Target
from baulk.ingest.wire.zone import placed, zone_of
from baulk.models.errors import OutOfRange
from baulk.models.quantity import AT_DEPTH, SPECS
from baulk.models.reading import AT_LEAST, Reading, Series, sensor_flag


def plain(raw: RawMessage, source: Source) -> Decoded:
    """Read a payload that is one number."""
    words = text(raw.payload)
    ended = _ended(words, source)
    value = number_in(words, "the payload") if ended is None else 0.0
    return _decoded(raw, source, value, None, ended=ended)


def nested(raw: RawMessage, source: Source) -> Decoded:
    """Read a value, and a time if mapped, out of flat or nested JSON."""
    body = parse_json(raw.payload)
    found = _search(source.value or "@", body)
    if found is None:
        raise WireError(f"there is nothing at {source.value!r} in the payload")
    what = f"the value at {source.value!r}"
    ended = _ended(found, source) if isinstance(found, str) else None
    if ended is not None:
        value = 0.0
    else:
        value = number_in(found, what) if isinstance(found, str) else number(found, what)
    when = _search(source.time, body) if source.time else None
    try:
        return _decoded(raw, source, value, _posix_s(when, source, raw), ended=ended)
    except NoSuchHour:  # a sensor can't be asked which of the two it meant: the arrival tells best
        return _decoded(raw, source, value, None, doubt=(WRONG,), ended=ended)


def pack(raw: RawMessage, source: Source) -> Decoded:
    """Read a SenML pack that came on a topic of somebody else's."""
    name = source.named(raw.topic)
    try:
        flag = None if source.sensor is None else sensor_flag(name)
    except OutOfRange as err:
        raise WireError(str(err)) from err
    asked = senml.Asked(
        foreign=True,
        names=tuple(source.names.items()),
        depth_mm=source.depth_mm or (None if source.sensor is None else NO_DEPTH_MM),
        face=source.face,
        flag=flag,
    )
    return senml.decode(raw, Target(owner=source.owner, name=name), asked)


def _search(path: str, body: Any) -> Any:  # noqa: ANN401 - JSON can be anything
    try:
        return jmespath.search(path, body)
    except (JMESPathError, ValueError, TypeError, RecursionError) as err:
        raise WireError(f"the path {path!r} does not fit the payload: {str(err)[:80]}") from err


def _posix_s(when: object, source: Source, raw: RawMessage) -> float | None:
    if when is None:
        return None
    if source.time_as != "iso":
        what = f"the time at {source.time!r}"
        seconds = number_in(when, what) if isinstance(when, str) else number(when, what)
        return seconds / 1000 if source.time_as == "unix_ms" else seconds
    try:
        moment = datetime.fromisoformat(str(when))
    except ValueError as err:
        raise WireError(f"the time {str(when)[:40]!r} is not ISO 8601") from err
    if moment.tzinfo is None:
        if source.time_zone is None:
            return None  # whose time this is nobody has said: the arrival counts
        moment = placed(moment, zone_of(source.time_zone), raw.now_utc + timedelta(seconds=AHEAD_S))
    return moment.timestamp()


def _depth_unsaid(source: Source) -> float | None:
    """Stand in for the depth of a moving sensor, which the register knows."""
    return NO_DEPTH_MM if source.sensor is not None and source.quantity in AT_DEPTH else None


def _ended(words: str, source: Source) -> float | None:
    """Return where the meter's scale ended, if a text says that."""
    if source.quantity is None or source.unit is None:
        return None
    try:
        scale = SPECS[source.quantity].declared[source.unit]
        return units.at_least(source.quantity, words, scale, basis=source.basis)
    except OutOfRange as err:
        raise WireError(str(err)) from err


def _decoded(  # noqa: PLR0913 - what a message says, and how surely
    raw: RawMessage,
    source: Source,
    value: float,
    posix_s: float | None,
    *,
    doubt: tuple[str, ...] = (),
    ended: float | None = None,
) -> Decoded:
    if source.quantity is None or source.unit is None:
        raise WireError(f"the [[source]] of {source.topic!r} names no quantity and unit")
    if posix_s is None:
        taken, flags, is_known = raw.now_utc, doubt, False
    else:
        clock = Clock((posix_s,), raw)
        (taken, flags), is_known = clock.taken(posix_s), clock.is_known
    if raw.retained and (posix_s is None or (flags and not is_known)):
        return Decoded(old=1)
    try:
        name = source.named(raw.topic)
        converted = units.convert(value, SPECS[source.quantity].declared[source.unit])
        if ended is None:
            known = units.dry_basis(converted) if source.basis == "wet" else converted
        else:
            known, flags = ended, (*flags, AT_LEAST)
        if source.sensor is not None:  # the pipeline puts it on its timber
            flags = (*flags, sensor_flag(name))
        series = Series(
            owner=source.owner,
            name=name,
            quantity=source.quantity,
            depth_mm=source.depth_mm or _depth_unsaid(source),
            face=source.face,
        )
        reading = Reading(
            series=series,
            value=known,
            taken_utc=taken,
            arrived_utc=raw.arrived_utc,
            flags=flags,
        )
    except OutOfRange as err:
        raise WireError(str(err)) from err
    return Decoded(readings=(reading,))
