"""SenML packs in which nothing is unusual, nearly all that come, read in one pass; any other by `senml`."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any, Final

from baulk.ingest.errors import WireError
from baulk.ingest.wire import senml
from baulk.ingest.wire.message import AHEAD_S, FIRST_POSIX_S, Decoded, RawMessage, flat_pack, moment
from baulk.ingest.wire.topics import Target
from baulk.ingest.wire.units import scaled
from baulk.models.errors import OutOfRange
from baulk.models.quantity import Scale
from baulk.models.reading import Reading, Series, checked_reading

_MOST_KNOWN: Final = 256  # names of one topic; one that sends more makes them up
_SHORT: Final = 4096  # bytes; of a longer pack each record counts, not the pass before it
_USUAL: Final = frozenset({"bn", "bt", "bu", "n", "u", "t", "v"})
_BASES: Final = frozenset({"bn", "bt", "bu"})
_NUMBER: Final = frozenset({float, int})  # not bool, which is an int too
_ANY: Final = (-math.inf, math.inf)
_EVER: Final = datetime.min.replace(tzinfo=UTC)
_Asks = tuple[str, str, str | None]  # base name, name, unit
_Place = tuple[
    Series, Scale | None, float, float
]  # its unit, None if it is ours; the lowest and highest value


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """How the packs of one topic are read.

    Parameters
    ----------
    target : Target
        What the topic speaks of.
    asked : Asked
        How names are to be read.
    flags : tuple of str
        Go on every reading.
    within : callable
        The lowest and the highest value of a series in which there is nothing unusual.
    since_utc : datetime
        What was taken before is unusual.
    places : dict
        What names have turned out to mean; what is learned goes in.
    """

    target: Target
    asked: senml.Asked
    flags: tuple[str, ...] = ()
    within: Callable[[Series], tuple[float, float]] = lambda _: _ANY
    since_utc: datetime = _EVER
    places: dict[_Asks, _Place] = field(default_factory=dict)


@lru_cache(maxsize=1024)
def any_way(target: Target, asked: senml.Asked) -> Way:
    """Give the way to read a topic's packs, whatever they say."""
    return Way(target=target, asked=asked, flags=(asked.flag,) if asked.flag else ())


def decode(raw: RawMessage, target: Target, asked: senml.Asked = senml.PLAIN) -> Decoded:
    """Read the pack of one timber, place or device, as `senml.decode` does.

    Raises
    ------
    WireError
        If nothing in it can be read.
    """
    pack = senml.records(raw.payload)
    readings = None if raw.device_behind_s else _readings(pack, raw, any_way(target, asked))
    if readings is not None:
        return Decoded(readings=tuple(readings))
    return senml.decode(raw, target, asked, pack=pack)


def read(raw: RawMessage, way: Way) -> list[Reading] | None:
    """Read a short pack; None if anything about it is unusual, or out of the way's limits."""
    if len(raw.payload) > _SHORT or raw.device_behind_s:
        return None
    pack = flat_pack(raw.payload)
    return _readings(pack, raw, way) if pack else None


def _readings(  # noqa: C901, PLR0911, PLR0912 - one pass, which anything unusual ends
    pack: list[Any], raw: RawMessage, way: Way
) -> list[Reading] | None:
    known, flags, arrived = way.places, way.flags, raw.arrived_utc
    now_s = (raw.now_utc if raw.host_ahead_s else arrived).timestamp()
    latest_s = now_s + AHEAD_S
    base_name, base_s, base_unit = "", 0.0, None
    last_s, taken = math.nan, arrived
    found: list[Reading] = []
    for record in pack:
        if type(record) is not dict or not record.keys() <= _USUAL:
            return None
        given = record.get
        if not _BASES.isdisjoint(record):
            base_name, base_s, base_unit = given("bn", base_name), given("bt", base_s), given("bu", base_unit)
            if not _is_number(base_s) or ("bu" in record and type(base_unit) is not str):
                return None
        seconds = base_s
        if "t" in record:
            if not _is_number(record["t"]):
                return None
            seconds += record["t"]
        if seconds != last_s:
            if not (FIRST_POSIX_S <= seconds <= latest_s or (seconds == 0 and not raw.retained)):
                return None
            last_s, taken = seconds, moment(seconds or now_s)
            if taken < way.since_utc:
                return None
        value: Any = given("v")
        unit = given("u", base_unit)
        if type(value) not in _NUMBER or not -1e300 < value < 1e300 or (unit is None and "u" in record):
            return None
        asks = base_name, given("n", ""), unit
        try:
            place = known.get(asks) or _learn(asks, way)
        except TypeError:  # a list or an object where a name should be
            return None
        if place is None:
            return None
        series, scale, low, high = place
        value = float(value) if scale is None else scaled(float(value), scale)
        if not low <= value <= high:
            return None
        found.append(checked_reading(series, value, taken, arrived, flags))
    return found


def _learn(asks: _Asks, way: Way) -> _Place | None:
    """Find the series, the unit and the limits of a name; None if `senml` has something to say of it."""
    base_name, name, unit = asks
    if not (_is_text(base_name) and _is_text(name) and (unit is None or _is_text(unit))):
        return None
    try:
        series, scale = senml.place(base_name + name, unit, way.target, way.asked)
    except (WireError, OutOfRange):
        return None
    if len(way.places) >= _MOST_KNOWN:
        way.places.clear()
    place = series, None if scale == (1, 0) else scale, *way.within(series)
    way.places[asks] = place
    return place


def _is_number(given: object) -> bool:
    return (type(given) is float or type(given) is int) and -1e300 < given < 1e300


def _is_text(given: object) -> bool:
    return type(given) is str and len(given) <= senml.LONGEST_NAME
