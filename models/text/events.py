"""Events, values and flags in words, in the reader's units."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime, tzinfo
from typing import Any, Final

from baulk.models import units
from baulk.models.formatting import day, show_along, show_gauge
from baulk.models.quantity import Quantity
from baulk.models.reading import AT_LEAST, Reading, from_end_mm, sensor_of
from baulk.models.text import series as series_text
from baulk.models.text.common import pct
from baulk.models.timber import WANE, Event, EventKind, Timber, Value, sealed_utc
from baulk.models.units import System, TemperatureUnit

Values = Mapping[str, Any]

_FLAGS: Final[Mapping[str, str]] = {
    AT_LEAST: "its meter's scale ended there: at least this wet",
    "clock": "its device clock was wrong; the time is an estimate",
    "above-fsp": "above fibre saturation: at least this wet",
    "below-meter": "below what a pin meter can measure",
    "wet-sensor": "the humidity sensor is wet",
    "jump": "jumps far from the one before",
    "weight-gain": "heavier than the one before",
    "ratio": "looks like a share of one, not a percentage",
    "corrected": "put right",
    "before-arrival": "from before the timber came",
}


def value(reading: Reading, system: System, temperature: TemperatureUnit) -> str:
    """Return a reading's value in the reader's units."""
    said = quantity(reading.series.quantity, reading.value, reading.unit, system, temperature)
    return f"at least {said}" if AT_LEAST in reading.flags else said


def both_values(
    stored: Reading, other: Reading, system: System, temperature: TemperatureUnit
) -> tuple[str, str]:
    """Return two values of one moment in the reader's units, as finely as it takes to tell them apart."""
    told = value(stored, system, temperature), value(other, system, temperature)
    if told[0] != told[1]:
        return told
    kind, unit = stored.series.quantity, stored.unit
    return two_quantities(kind, (stored.value, other.value), unit, system, temperature)


def two_quantities(
    kind: Quantity,
    numbers: tuple[float, float],
    unit: str,
    system: System,
    temperature: TemperatureUnit,
) -> tuple[str, str]:
    """Return two measured numbers in the reader's units, as finely as it takes to tell them apart."""
    first, second = (quantity(kind, each, unit, system, temperature) for each in numbers)
    if first != second:
        return first, second
    first, second = (_finely(each, unit, system, temperature) for each in numbers)
    return first, second


def _finely(number: float, unit: str, system: System, temperature: TemperatureUnit) -> str:
    if unit == "kg" and system == "inch":
        number, unit = number / units.mass_kg("1 lb"), "lb"
    elif unit == "mm" and system == "inch":
        number, unit = number / 25.4, "in"
    elif unit == "degC":
        number, unit = (number * 1.8 + 32, "°F") if temperature == "F" else (number, "°C")
    return f"{number:.6g} {unit}"


def clash(
    stored: Reading, other: Reading, system: System, temperature: TemperatureUnit, zone: tzinfo | None
) -> str:
    """Say that a moment has two values, in the reader's units."""
    first, second = both_values(stored, other, system, temperature)
    at = f"{other.taken_utc.astimezone(zone):%Y-%m-%d %H:%M:%S}"
    name = series_text.named(str(other.series), system)
    return f"{name} at {at} is stored as {first} already and came again as {second}"


def quantity(
    kind: Quantity, number: float, unit: str, system: System, temperature: TemperatureUnit | System
) -> str:
    """Return a measured number, in the unit of its quantity, in the reader's units."""
    if kind is Quantity.WEIGHT:
        return units.show_mass(number, system)
    if unit == "mm":
        return show_gauge(number, system)
    if unit == "degC":
        return units.show_temperature(number, temperature)
    if kind is Quantity.RESISTANCE:
        mega = number / 1e6
        return f"{mega:,.0f} MΩ" if mega >= 10 else f"{mega:.3g} MΩ"
    return f"{number:.1f} {unit}"


def flags(reading: Reading, system: System, *, zone: tzinfo | None = None, with_value: bool = False) -> str:
    """Return what the checks found on a reading and what was said about it.

    Beside its value, which says "at least" itself, that is left out.
    """
    told = (each for each in reading.flags if not (with_value and each == AT_LEAST))
    return "; ".join(_flag(each, system, zone) for each in told)


def _flag(flag: str, system: System, zone: tzinfo | None) -> str:
    if (distance_mm := from_end_mm((flag,))) is not None:
        return f"{units.show_length(distance_mm, system)} from an end"
    if (sensor := sensor_of((flag,))) is not None:
        return f"sensor {sensor}"
    if flag.startswith("device-"):
        return f"its device said {_said(flag.removeprefix('device-'), zone)}"
    return _FLAGS.get(flag, flag)


def _said(seconds: str, zone: tzinfo | None) -> str:
    """Return what a device said of the time, as a date where it is one."""
    try:
        said = datetime.fromtimestamp(float(seconds), UTC).astimezone(zone)
    except (ValueError, OverflowError, OSError):
        return f"{seconds} s since 1970"
    return f"{said:%Y-%m-%d %H:%M:%S}"


def event(what: Event, system: System, *, zone: tzinfo | None = None) -> str:
    """Return what happened, in a few words, with the person's own note behind it.

    A moment that was corrected is told by the clock of ``zone``, or this machine's.
    """
    detail = _by_clock(what, zone) if what.kind is EventKind.EDITED else what.detail
    said = SENTENCES[f"event.{what.kind.value}"](detail, system)
    return f"{said} ({what.note})" if what.note else said


def ends(timber: Timber, events: Iterable[Event], *, zone: tzinfo | None = None) -> str:
    """Return whether the ends of a timber are sealed, and since when if that was done after its arrival."""
    since = sealed_utc(timber, events)
    if since is None:
        return "ends not sealed"
    return "ends sealed" if timber.ends_sealed else f"ends sealed on {day(since.astimezone(zone))}"


def _by_clock(what: Event, zone: tzinfo | None) -> Values:
    if not str(what.detail["field"]).endswith("_utc"):
        return what.detail
    told = {
        name: f"{datetime.fromisoformat(str(value)).astimezone(zone):%Y-%m-%d %H:%M}".removesuffix(" 00:00")
        for name, value in what.detail.items()
        if name in {"old", "new"} and value
    }
    return {**what.detail, **told}


_COATED: Final = {"coat": ("coated", "coat"), "wax": ("waxed", "wax"), "wrap": ("wrapped in film", "film")}


def _coated(held: Values, _system: System) -> str:
    done, what = _COATED[str(held.get("coat", "coat"))]
    return f"{done} on {_faces(held['faces'])}" if held["faces"] else f"{what} taken off"


def _stickered(held: Values, _system: System) -> str:
    return f"lies on {_faces(held['faces'])}" if held["faces"] else "lies free on all faces"


def _cut(held: Values, system: System) -> str:
    return f"cut to {show_along(float(held['length_mm']), system)}{_weighed(held, system)}"


def _planed(held: Values, system: System) -> str:
    size = units.show_size(float(held["width_mm"]), float(held["depth_mm"]), system)
    return f"planed to {size}{_weighed(held, system)}"


def _measured(held: Values, system: System) -> str:
    found, unit = [], units.default_length_unit(system)
    at = f" along face {held['face']}" if "face" in held else ""
    if "from_end_mm" in held:
        at += f", {show_along(float(held['from_end_mm']), system)} from an end"
    sizes = [name for name in ("width_mm", "depth_mm") if name in held]
    if len(sizes) == 2:
        found.append(
            f"{_by_rule(held, 'width_mm', system)} x {_by_rule(held, 'depth_mm', system)} {unit}{at}"
        )
    elif sizes:
        found.append(f"{sizes[0].removesuffix('_mm')} {_by_rule(held, sizes[0], system)} {unit}{at}")
    over = f" over {show_along(float(held['length_mm']), system)}" if "length_mm" in held else ""
    found += [
        what.format(_long(held, name, system))
        for name, what in (
            ("bow_mm", f"bow {{}}{over}"),
            ("crook_mm", f"crook {{}}{over}"),
            ("twist_mm", f"twist {{}}{over}"),
            ("cup_mm", "cup {}"),
            ("out_of_square_mm", "out of square by {}"),
            ("check_mm", "checks {} deep"),
            ("wane_mm", "wane {} wide" if held.get("wane_mm") else "no wane"),
        )
        if name in held
    ]
    for corner, (across, down) in WANE.items():
        if across in held:
            wide = float(held[across])
            deep = float(held.get(down, wide))
            size = f" {units.show_size(wide, deep, system)}" if wide and deep else ""
            found.append(f"{'' if size else 'no '}wane at corner {corner}{size}")
    return f"measured: {', '.join(found)}"


def _checked(held: Values, system: System) -> str:
    what = f"{held['opening']}" if "opening" in held else "check"
    name = f" {held['name']}" if "name" in held else ""
    where = f" in face {held['face']}" if "face" in held else ""
    for name_mm, face in (("from_d_mm", "d"), ("from_a_mm", "a")):
        if name_mm in held:
            where += f", {_long(held, name_mm, system)} from face {face}"
    if "from_end_mm" in held:
        where += f", {show_along(float(held['from_end_mm']), system)} from an end"
    sizes = [
        f"{_narrow(held, name, system) if name == 'width_mm' else _long(held, name, system)} {word}"
        for name, word in (("length_mm", "long"), ("width_mm", "wide"), ("depth_mm", "deep"))
        if name in held
    ]
    since = f", there since {held['since']}" if "since" in held else ""
    return f"{what}{name}{where}{': ' if sizes else ''}{', '.join(sizes)}{since}"


def _defect(held: Values, system: System) -> str:
    name = f" {held['name']}" if "name" in held else ""
    size = units.show_size(float(held["width_mm"]), float(held["depth_mm"]), system)
    return (
        f"{held['what']}{name}, {size}, {_long(held, 'from_d_mm', system)} from face d and "
        f"{_long(held, 'from_a_mm', system)} from face a"
    )


def _narrow(held: Values, name: str, system: System) -> str:
    return show_gauge(float(held[name]), system)


def _kerfed(held: Values, system: System) -> str:
    wide = f", {_long(held, 'width_mm', system)} wide" if "width_mm" in held else ""
    return f"relief kerf sawn into face {held['face']}, {_long(held, 'depth_mm', system)} deep{wide}"


def _oven_dried(held: Values, system: System) -> str:
    end = f", {_long(held, 'from_end_mm', system)} from the end" if "from_end_mm" in held else ""
    return f"section oven-dried: {pct(float(held['mc_pct']))} MC{end}"


def _attached(held: Values, system: System) -> str:
    deep = f", {_long(held, 'depth_mm', system)} deep" if "depth_mm" in held else ""
    face = f", face {held['face']}" if "face" in held else ""
    end = f", {_long(held, 'from_end_mm', system)} from an end" if "from_end_mm" in held else ""
    return f"sensor {held['sensor']} attached{deep}{face}{end}"


_FIELDS: Final = {
    "width": "green width",
    "depth": "green depth",
    "green_mc": "green MC",
    "heartwood": "radius of the heartwood",
}


def _edited(held: Values, system: System) -> str:
    column, old, new = str(held["field"]), held["old"], held["new"]
    if column == "retired_utc" and new == "":
        return "taken back into the yard"
    if column == "tag":
        return f"tag changed from {old} to {new}"

    def told(value: Value) -> str:
        if value == "":
            return "nothing"
        if isinstance(value, bool):
            return "yes" if value else "no"
        if column.endswith("_mm"):
            return units.show_length(float(value), system)
        return f"{value:g}" if isinstance(value, float) else str(value)

    name = re.sub(r"_(mm|pct|utc)$", "", column)
    name = _FIELDS.get(name, name)
    return f"{name.replace('_', ' ')} corrected from {told(old)} to {told(new)}"


_SOURCE: Final = (
    ("supplier", "from {}"), ("log", "log {}"), ("lot", "lot {}"), ("felled", "felled {}"),
    ("grade", "grade {}"), ("cost", "cost {}"), ("part", "for {}"), ("vessel", "of {}"),
)  # fmt: skip


def _sourced(held: Values, _system: System) -> str:
    told = ", ".join(words.format(held[name]) for name, words in _SOURCE if name in held)
    return f"comes {told}" if "supplier" in held else told


def _retired(held: Values, _system: System) -> str:
    return f"retired: {held['reason']}" if "reason" in held else "retired"


def _long(held: Values, name: str, system: System) -> str:
    return units.show_length(float(held[name]), system)


def _by_rule(held: Values, name: str, system: System) -> str:
    """Return a size as it was read: a rule tells half millimetres, which shrinkage is told by."""
    mm = float(held[name])
    return (
        f"{mm:.1f}".removesuffix(".0")
        if system == "metric"
        else _long(held, name, system).removesuffix(" in")
    )


def _weighed(held: Values, system: System) -> str:
    found = [
        f"{units.show_mass(float(held[name]), system)} {when}"
        for name, when in (("weight_before_kg", "before"), ("weight_after_kg", "after"))
        if name in held
    ]
    return f", {' and '.join(found)}" if found else ""


def _faces(letters: object) -> str:
    found = sorted(str(letters))
    return f"face{'s' if len(found) > 1 else ''} {', '.join(found)}"


_OF_KIND: Final[Mapping[EventKind, Callable[[Values, System], str]]] = {
    EventKind.ARRIVED: lambda held, _: f"set on its bearers in {held['place']}",
    EventKind.MOVED: lambda held, _: f"moved from {held['from']} to {held['to']}",
    EventKind.TURNED: lambda held, _: f"turned, face {held['up']} up",
    EventKind.END_SEALED: lambda _held, _: "ends sealed",
    EventKind.COATED: _coated,
    EventKind.STICKERED: _stickered,
    EventKind.CUT: _cut,
    EventKind.PLANED: _planed,
    EventKind.KERFED: _kerfed,
    EventKind.MEASURED: _measured,
    EventKind.CHECKED: _checked,
    EventKind.DEFECT: _defect,
    EventKind.OVEN_DRIED: _oven_dried,
    EventKind.TARED: lambda held, system: f"tare set to {units.show_mass(float(held['tare_kg']), system)}",
    EventKind.SENSOR_ATTACHED: _attached,
    EventKind.SENSOR_DETACHED: lambda held, _: f"sensor {held['sensor']} taken off",
    EventKind.PHOTOGRAPHED: lambda _held, _: "photographed",
    EventKind.SOURCED: _sourced,
    EventKind.FITTED: lambda _held, _: "fitted in its place",
    EventKind.PRIMED: lambda _held, _: "primed",
    EventKind.BEDDED: lambda _held, _: "bedded",
    EventKind.LAUNCHED: lambda _held, _: "launched",
    EventKind.EDITED: _edited,
    EventKind.RETIRED: _retired,
}
# an event's detail are the values: what `baulk.models.event.DETAILS` names
SENTENCES: Final[Mapping[str, Callable[[Values, System], str]]] = {
    f"event.{kind.value}": said for kind, said in _OF_KIND.items()
}
