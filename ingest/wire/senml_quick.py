"""SenML packs in which nothing is unusual, nearly all that come, read in one pass; any other by `senml`."""

from __future__ import annotations

from contextlib import suppress
from functools import lru_cache
from typing import Any, Final

from baulk.ingest.errors import WireError
from baulk.ingest.wire import senml, units
from baulk.ingest.wire.message import AHEAD_S, FIRST_POSIX_S, Decoded, RawMessage, moment
from baulk.ingest.wire.topics import Target
from baulk.models.errors import OutOfRange
from baulk.models.quantity import Scale
from baulk.models.reading import Reading, Series

_MOST_KNOWN: Final = 256  # names of one topic; one that sends more makes them up
_Known = dict[tuple[str, str | None], tuple[Series, Scale]]


def decode(raw: RawMessage, target: Target, asked: senml.Asked = senml.PLAIN) -> Decoded:
    """Read the pack of one timber, place or device, as `senml.decode` does.

    Raises
    ------
    WireError
        If nothing in it can be read.
    """
    pack = senml.records(raw.payload)
    with suppress(OutOfRange):
        readings = None if raw.device_behind_s else _readings(pack, raw, target, asked)
        if readings is not None:
            return Decoded(readings=tuple(readings))
    return senml.decode(raw, target, asked, pack=pack)


def _readings(  # noqa: C901, PLR0911, PLR0912 - one pass, which anything unusual ends
    pack: list[Any], raw: RawMessage, target: Target, asked: senml.Asked
) -> list[Reading] | None:
    known = _known(target, asked)
    flags = (asked.flag,) if asked.flag else ()
    now_s = raw.now_utc.timestamp()
    latest_s = now_s + AHEAD_S
    base_name, base_s, base_unit = "", 0.0, None
    last_s, taken = -1.0, raw.arrived_utc
    found: list[Reading] = []
    for record in pack:
        name, seconds, unit, value = "", 0.0, None, None
        if type(record) is not dict:
            return None
        for key, given in record.items():
            kind = type(given)
            if kind is float or kind is int:
                if not -1e300 < given < 1e300:
                    return None
                if key == "v":
                    value = float(given)
                elif key == "t":
                    seconds = given
                elif key == "bt":
                    base_s = given
                else:
                    return None
            elif kind is str and len(given) <= senml.LONGEST_NAME:
                if key == "n":
                    name = given
                elif key == "u":
                    unit = given
                elif key == "bn":
                    base_name = given
                elif key == "bu":
                    base_unit = given
                else:
                    return None
            else:
                return None
        seconds += base_s
        if value is None or not (FIRST_POSIX_S <= seconds <= latest_s or (seconds == 0 and not raw.retained)):
            return None
        if seconds != last_s:
            last_s, taken = seconds, moment(seconds or now_s)
        asks = base_name + name, unit if unit is not None else base_unit
        place = known.get(asks) or _learn(known, asks, target, asked)
        if place is None:
            return None
        found.append(
            Reading(
                series=place[0],
                value=units.convert(value, place[1]),
                taken_utc=taken,
                arrived_utc=raw.arrived_utc,
                flags=flags,
            )
        )
    return found


@lru_cache(maxsize=1024)
def _known(target: Target, asked: senml.Asked) -> _Known:  # noqa: ARG001 - each topic has names of its own
    return {}


def _learn(
    known: _Known, asks: tuple[str, str | None], target: Target, asked: senml.Asked
) -> tuple[Series, Scale] | None:
    """Find the series and the unit of a name; None if `senml` has something to say of it."""
    try:
        place = senml.place(*asks, target, asked)
    except (WireError, OutOfRange):
        return None
    if len(known) >= _MOST_KNOWN:
        known.clear()
    known[asks] = place
    return place
