"""SenML in JSON or CBOR (RFC 8428, units of RFC 8798): resolve a pack, then read our own names in it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any, Final

from baulk.ingest.errors import WireError
from baulk.ingest.wire import cbor, units
from baulk.ingest.wire.clock import WRONG, LazyClock
from baulk.ingest.wire.message import Decoded, RawMessage, is_right, moment, number, parse_pack
from baulk.ingest.wire.topics import Target
from baulk.models import moisture_text
from baulk.models.errors import OutOfRange
from baulk.models.quantity import AT_DEPTH, SIZES, SPECS, Quantity, Scale
from baulk.models.reading import AT_LEAST, Reading, Series, sensor_flag
from baulk.models.section import Face

VERSION: Final = 10  # RFC 8428 section 4.4
LONGEST_NAME: Final = 255  # characters of bn and of n; a limit of ours, the RFC has none
MOST_RECORDS: Final = 20_000  # two weeks of minutes; a limit of ours
RELATIVE: Final = 2.0**28  # times below are relative to now; RFC 8428 section 4.5.3
_NUMBERS: Final = frozenset({"bt", "bv", "bs", "bver", "t", "v", "s", "ut"})
_STRINGS: Final = frozenset({"bn", "bu", "n", "u", "vs", "vd"})
_VALUE_ORDER: Final = ("v", "vs", "vb", "vd")
_VALUES: Final = frozenset(_VALUE_ORDER)
_HUGE: Final = 1e300
_BASES: Final = frozenset({"bn", "bt", "bu", "bv", "bs", "bver"})
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")  # RFC 8428 section 4.5.1
_NAMES: Final = "|".join(dict.fromkeys(spec.name or one.value for one, spec in SPECS.items()))
_OURS: Final = re.compile(
    r"(?:(?P<head>.*?)[:/])??(?:pin-(?P<depth>\d{1,3}(?:\.\d{1,3})?)(?:/(?P<face>[abcd]))?/"
    rf"|(?:end-(?P<end>\d{{1,5}}(?:\.\d{{1,3}})?)/)?(?:(?P<along>[abcd])/)?(?={'|'.join(SIZES)}))?"
    rf"(?P<what>{_NAMES})"
)
_HEAD: Final = re.compile(r"(?:.*[:/])?(timber|air)/([^:/]+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """How the names of a foreign sensor's packs are to be read.

    Parameters
    ----------
    foreign : bool
        Whether the topic is not ours: a name may then name any device in front.
    names : tuple of (str, str)
        The sensor's own last level of a name, and ours for it.
    depth_mm, face, from_end_mm : float, Face, float, optional
        Of its pins, or where its gauge is, where the name does not say. [mm]
    flag : str, optional
        Goes on every reading.
    """

    foreign: bool = False
    names: tuple[tuple[str, str], ...] = ()
    depth_mm: float | None = None
    face: Face | None = None
    from_end_mm: float | None = None
    flag: str | None = None

    def our_name(self, given: str) -> str:
        """Put our word for what was measured in place of the sensor's."""
        for theirs, ours in self.names:
            if given == theirs or given.endswith((f"/{theirs}", f":{theirs}")):
                return given.removesuffix(theirs) + ours
        return given


PLAIN: Final = Asked()
NO_DEPTH_MM: Final = 0.001  # stands for the depth of a moving sensor until the register has told it


@lru_cache(maxsize=1024)
def asked_of(sensor: str | None) -> Asked:
    """Say how packs are to be read that a device sends on a topic of its own; None for any other topic."""
    if sensor is None:
        return PLAIN
    try:
        return Asked(depth_mm=NO_DEPTH_MM, flag=sensor_flag(sensor))
    except OutOfRange as err:
        raise WireError(str(err)) from err


@dataclass(slots=True, kw_only=True)  # not frozen: three are made for each message
class Record:
    """One resolved record: full name, own unit, absolute time.

    Parameters
    ----------
    name : str
        Base name and name joined.
    unit : str or None
        Symbol.
    posix_s : float
        Absolute time. [s]
    own_time : bool
        Whether the device gave the time; else it was counted from the arrival.
    value : float or str or bool or None
        Number, string or boolean; base64url data stays a string; nothing for a record with a sum only.
    total : float or None
        Sum.
    update_s : float or None
        Longest time until the next reading. [s]
    problem : str or None
        Why this record says nothing usable; then the value is nothing.
    """

    name: str
    unit: str | None
    posix_s: float
    own_time: bool = True
    value: float | str | bool | None = None
    total: float | None = None
    update_s: float | None = None
    problem: str | None = None


@dataclass(slots=True, kw_only=True)
class _Base:
    """The base fields as they stand, and which of them were given (RFC 8428 section 4.1)."""

    bn: str = ""
    bt: float = 0.0
    bu: str | None = None
    bv: float | None = None
    bs: float | None = None
    bver: float = VERSION

    def take(self, record: dict[str, Any]) -> None:
        """Take over the base fields of a record; they count for it and for those after it."""
        for key in _BASES & record.keys():
            setattr(self, key, record[key])


def resolve(payload: bytes, now_utc: datetime, *, pack: list[Any] | None = None) -> list[Record]:
    """Resolve a pack (RFC 8428 section 4.6), which may be parsed already.

    A mistake that makes the whole pack doubtful raises; one that spoils a single record is noted on it.
    """
    pack = records(payload) if pack is None else pack
    base = _Base()
    found = []
    versions = set()
    now_posix_s = now_utc.timestamp()
    for index, record in enumerate(pack):
        if not isinstance(record, dict):
            raise WireError(f"SenML record {index} is not an object")
        plain = _plain(record)
        if not plain:
            _understood(record, index)
            try:
                _typed(record, index, _BASES)
            except WireError as err:
                raise WireError(f"{err}, and a base field counts for the records after it too") from err
        if not _BASES.isdisjoint(record):
            base.take(record)
            _short(base.bn, "bn", index)
        versions.add(base.bver)
        if not _BASES.issuperset(record) or len(pack) == 1:
            found.append(_resolved(record, base, index, now_posix_s, plain=plain))
    if max(versions) > VERSION:
        raise WireError(f"the pack has SenML version {max(versions):g}; {VERSION} is the last one understood")
    if len(versions) > 1:
        raise WireError("the pack changes its SenML version on the way")
    return found


def records(payload: bytes) -> list[Any]:
    """Parse a pack, JSON or CBOR, and refuse one that no device of a shop would send."""
    pack = cbor.pack(payload) if cbor.begins(payload) else parse_pack(payload)
    if not isinstance(pack, list) or not pack:
        raise WireError("a SenML pack is an array of records, at least one")
    if len(pack) > MOST_RECORDS:
        raise WireError(f"the SenML pack has {len(pack)} records; {MOST_RECORDS} are the most")
    return pack


def _plain(record: dict[str, Any]) -> bool:
    """Whether every field is known and of its type: nearly always so, and seen in one quick pass."""
    for key, value in record.items():
        kind = type(value)
        if kind is float or kind is int:
            if key not in _NUMBERS or not -1e300 < value < 1e300:  # infinite, or beyond any float
                return False
        elif kind is not str or key not in _STRINGS:
            return False
    return True


def _understood(record: dict[str, Any], index: int) -> None:
    for key in record:
        if key.endswith("_"):
            raise WireError(
                f"SenML record {index} has the field {key[:40]!r}, which must be understood and is not"
            )


def _typed(record: dict[str, Any], index: int, keys: frozenset[str]) -> None:
    for key in keys & record.keys():
        if key in _NUMBERS:
            number(record[key], f"{key} of SenML record {index}")
        elif key in _STRINGS and not isinstance(record[key], str):
            raise WireError(f"{key} of SenML record {index} is not a string")


def _resolved(record: dict[str, Any], base: _Base, index: int, now_posix_s: float, *, plain: bool) -> Record:
    made = Record(name=base.bn, unit=None, posix_s=now_posix_s, own_time=False)
    try:
        if not plain:
            _typed(record, index, frozenset(record.keys() - _BASES))
        get = record.get
        name = get("n", "")
        _short(name, "n", index)
        made.name += name
        made.unit = get("u", base.bu)
        if not _is_name(made.name):
            raise WireError(  # noqa: TRY301 - one place notes every problem of the record
                f"the name {made.name[:60]!r} of SenML record {index} is empty or has signs not allowed"
            )
        seconds = base.bt + get("t", 0.0)
        made.own_time = seconds >= RELATIVE
        made.posix_s = float(seconds) if made.own_time else now_posix_s + seconds
        if "s" in record or base.bs is not None:
            made.total = float(base.bs or 0) + float(get("s", 0))
        made.update_s = get("ut")
        made.value = _value(record, base, index, needed=made.total is None)
    except WireError as err:
        made.problem = str(err)
    return made


def _short(name: str, key: str, index: int) -> None:
    """Refuse a long name before it is joined: a base name is copied into every record."""
    if len(name) > LONGEST_NAME:
        raise WireError(
            f"{key} of SenML record {index} has {len(name)} characters; {LONGEST_NAME} are the most"
        )


@lru_cache(maxsize=4096)
def _is_name(name: str) -> bool:
    return bool(_NAME.fullmatch(name))


def _value(record: dict[str, Any], base: _Base, index: int, *, needed: bool) -> float | str | bool | None:
    if len(record.keys() & _VALUES) > 1:
        given = [key for key in _VALUE_ORDER if key in record]
        raise WireError(f"SenML record {index} has several values: {', '.join(given)}")
    if "v" in record:
        value = float(record["v"]) + float(base.bv or 0)
        return value if -_HUGE < value < _HUGE else number(value, f"v of SenML record {index}")
    for key in ("vs", "vd"):
        if key in record:
            return str(record[key])
    if "vb" in record:
        if not isinstance(record["vb"], bool):
            raise WireError(f"vb of SenML record {index} is not true or false")
        return record["vb"]
    if base.bv is not None:
        return float(base.bv)
    if needed:
        raise WireError(f"SenML record {index} has no value")
    return None


def decode(
    raw: RawMessage, target: Target, asked: Asked = PLAIN, *, pack: list[Any] | None = None
) -> Decoded:
    """Read the pack of one timber, place or sensor that moves."""
    resolved = resolve(raw.payload, raw.now_utc, pack=pack)
    clock = LazyClock((one.posix_s for one in resolved if one.own_time), raw)
    readings, problems, old = [], [], 0
    for record in resolved:
        try:
            reading = _reading(record, target, asked, clock, raw)
        except (WireError, OutOfRange) as err:
            problems.append(str(err))
            continue
        if raw.retained and (not record.own_time or (WRONG in reading.flags and not clock.is_known)):
            old += 1  # the broker's copy of a value whose time nobody knows
        else:
            readings.append(reading)
    return Decoded(readings=tuple(readings), problems=tuple(problems), old=old)


def _reading(record: Record, target: Target, asked: Asked, clock: LazyClock, raw: RawMessage) -> Reading:
    if record.problem:
        raise WireError(record.problem)
    series, scales = _series(record.name, record.unit, target, asked)
    value, marks = _measured(record, series.quantity, scales)
    if asked.flag:
        marks = (*marks, asked.flag)
    if record.own_time:
        taken, flags = clock.taken(record.posix_s)
    else:  # counted from the arrival; a negative time of a buffer, or none at all
        believed = is_right(record.posix_s, raw.now_utc)
        taken, flags = (moment(record.posix_s), ()) if believed else (raw.now_utc, (WRONG,))
    return Reading(
        series=series,
        value=value,
        taken_utc=taken,
        arrived_utc=raw.arrived_utc,
        flags=(*flags, *marks),
    )


def _measured(
    record: Record, quantity: Quantity, scales: Mapping[str, Scale]
) -> tuple[float, tuple[str, ...]]:
    """Return the value in our unit; a text in vs may say that a moisture meter's scale ended there."""
    value = record.value
    if type(value) is str:
        scale = scales.get(record.unit or "")
        bare = quantity is Quantity.MOISTURE and moisture_text.names_no_number(value)
        ended = units.at_least(quantity, value, scale or (1, 0)) if scale is not None or bare else None
        if ended is not None:
            return ended, (AT_LEAST,)
    if type(value) is not float:
        raise WireError(f"{record.name} has no number in v")
    return units.convert(value, _scale(record.name, record.unit, scales)), ()


def _scale(name: str, unit: str | None, scales: Mapping[str, Scale]) -> Scale:
    if unit is not None and unit in scales:
        return scales[unit]
    known = " or ".join(scales)
    given = f"the unit {unit[:20]!r}" if unit else "no unit"
    hint = "; SenML has no Fahrenheit" if "Cel" in scales and unit else ""
    raise WireError(f"{name} has {given}; send {known}{hint}")


def place(name: str, unit: str | None, target: Target, asked: Asked) -> tuple[Series, Scale]:
    """Find the series that a full name means, and what its unit is multiplied by.

    Raises
    ------
    WireError, OutOfRange
        If it is none of ours.
    """
    if not _is_name(name):
        raise WireError(f"the name {name[:60]!r} is empty or has signs not allowed")
    series, scales = _series(name, unit, target, asked)
    return series, _scale(name, unit, scales)


@lru_cache(maxsize=4096)  # the names of a shop are few and come again and again
def _series(given: str, unit: str | None, target: Target, asked: Asked) -> tuple[Series, Mapping[str, Scale]]:
    owner, name = target.owner, target.name
    ours = _OURS.fullmatch(asked.our_name(given))
    if not ours:
        raise WireError(
            f"the name {given[:60]!r} is not one of ours, such as pin-45/b/moisture, weight, temp"
        )
    head = _HEAD.fullmatch(ours["head"] or "")
    if head and not asked.foreign and (head[1], head[2]) != (owner.value, name):
        raise WireError(f"the name {given[:60]!r} belongs to {head[1]}/{head[2]}, and the topic to {name}")
    quantity = _by_unit(Quantity(ours["what"]), unit)
    spec = SPECS[quantity]
    if owner not in spec.owners:
        raise WireError(f"{quantity.value} is not something that {owner.value} has")
    placed = quantity in AT_DEPTH or quantity in SIZES
    depth = float(ours["depth"]) if ours["depth"] else asked.depth_mm if quantity in AT_DEPTH else None
    said = ours["face"] or ours["along"]
    face = Face(said) if said else asked.face if placed else None
    if depth is None and quantity in AT_DEPTH:
        raise WireError(f"{quantity.value} needs the depth of the pin tips: pin-45/{quantity.value}")
    series = Series(
        owner=owner,
        name=name,
        quantity=quantity,
        depth_mm=depth,
        face=face,
        from_end_mm=float(ours["end"]) if ours["end"] else asked.from_end_mm if quantity in SIZES else None,
    )
    return series, spec.senml


def _by_unit(named: Quantity, unit: str | None) -> Quantity:
    """Return the quantity of a name that two share: the one that has the unit."""
    sharing = (one for one, spec in SPECS.items() if spec.name == named.value and unit in spec.senml)
    return next(sharing, named)
