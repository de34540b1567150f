"""SenML packs in which nothing is unusual, nearly all that come, read in one pass; any other by `senml`."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any, Final

from baulk.ingest.errors import WireError
from baulk.ingest.wire import senml
from baulk.ingest.wire.message import AHEAD_S, FIRST_POSIX_S, Decoded, RawMessage, moment
from baulk.ingest.wire.topics import Target
from baulk.ingest.wire.units import convert
from baulk.models.errors import OutOfRange
from baulk.models.quantity import Scale
from baulk.models.reading import Reading, Series, checked_reading

_MOST_KNOWN: Final = 256  # names of one topic; one that sends more makes them up
_USUAL: Final = frozenset({"bn", "bt", "bu", "n", "u", "t", "v"})
_BASES: Final = frozenset({"bn", "bt", "bu"})
_NUMBER: Final = frozenset({float, int})  # not bool, which is an int too
_Asks = tuple[str, str, str | None]  # base name, name, unit
Known = dict[_Asks, tuple[Series, Scale]]


def decode(
    raw: RawMessage, target: Target, asked: senml.Asked = senml.PLAIN, known: Known | None = None
) -> Decoded:
    """Read the pack of one timber, place or device, as `senml.decode` does.

    Raises
    ------
    WireError
        If nothing in it can be read.
    """
    pack = senml.records(raw.payload)
    readings = None
    if not raw.device_behind_s:
        readings = _readings(pack, raw, target, asked, known_of(target, asked) if known is None else known)
    if readings is not None:
        return Decoded(readings=tuple(readings))
    return senml.decode(raw, target, asked, pack=pack)


def _readings(  # noqa: C901, PLR0911 - one pass, which anything unusual ends
    pack: list[Any], raw: RawMessage, target: Target, asked: senml.Asked, known: Known
) -> list[Reading] | None:
    flags = (asked.flag,) if asked.flag else ()
    arrived = raw.arrived_utc
    now_s = raw.now_utc.timestamp()
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
        value: Any = given("v")
        unit = given("u", base_unit)
        if type(value) not in _NUMBER or not -1e300 < value < 1e300 or (unit is None and "u" in record):
            return None
        asks = base_name, given("n", ""), unit
        try:
            place = known.get(asks) or _learn(known, asks, target, asked)
        except TypeError:  # a list or an object where a name should be
            return None
        if place is None:
            return None
        found.append(checked_reading(place[0], convert(float(value), place[1]), taken, arrived, flags))
    return found


@lru_cache(maxsize=1024)
def known_of(target: Target, asked: senml.Asked) -> Known:  # noqa: ARG001 - each topic has names of its own
    """Give the series and the units that a topic's names have turned out to mean; what is learned goes in."""
    return {}


def _learn(known: Known, asks: _Asks, target: Target, asked: senml.Asked) -> tuple[Series, Scale] | None:
    """Find the series and the unit of a name; None if `senml` has something to say of it."""
    base_name, name, unit = asks
    if not (_is_text(base_name) and _is_text(name) and (unit is None or _is_text(unit))):
        return None
    try:
        place = senml.place(base_name + name, unit, target, asked)
    except (WireError, OutOfRange):
        return None
    if len(known) >= _MOST_KNOWN:
        known.clear()
    known[asks] = place
    return place


def _is_number(given: object) -> bool:
    return (type(given) is float or type(given) is int) and -1e300 < given < 1e300


def _is_text(given: object) -> bool:
    return type(given) is str and len(given) <= senml.LONGEST_NAME
