"""Readings, series and events in the words and units of a person; pages, commands and paper share them."""

from __future__ import annotations

import re

from baulk.dashboard import words
from baulk.models import formatting, units
from baulk.models.quantity import Quantity
from baulk.models.reading import Reading, Series
from baulk.models.text import series as names
from baulk.models.timber import Event, EventKind, Value


def value(reading: Reading, system: units.System, temperature: units.TemperatureUnit) -> str:
    """Return a reading's value in the person's units."""
    kind = reading.series.quantity
    if kind is Quantity.WEIGHT:
        return units.show_mass(reading.value, system)
    if reading.unit == "degC":
        return units.show_temperature(reading.value, temperature)
    if kind is Quantity.RESISTANCE:
        mega = reading.value / 1e6
        return f"{mega:,.0f} MΩ" if mega >= 10 else f"{mega:.3g} MΩ"
    return f"{reading.value:.1f} {reading.unit}"


def where(series: Series, system: units.System) -> str:
    """Return what a series is, with its depth in the person's units."""
    depth = units.show_length(series.depth_mm, system) if series.depth_mm is not None else None
    return words.series(series, depth)


def called(text: str, system: units.System) -> str:
    """Return what a series is, from its stored text."""
    return names.called(text, system)


def plainly(text: str, system: units.System) -> str:
    """Return a sentence with the stored names of series in it told in words."""
    return re.sub(r"timber(?:/[\w.-]+)+[\w]", lambda found: called(found[0], system), text)


def event(what: Event, system: units.System) -> str:
    """Return what happened, in a few words, with the person's own note behind it."""
    said = _event(what, system)
    return f"{said} ({what.note})" if what.note else said


def _event(what: Event, system: units.System) -> str:  # noqa: C901, PLR0911, PLR0912 - one line a kind
    held = what.detail

    def long(name: str) -> str:
        return units.show_length(float(held[name]), system)

    def weighed() -> str:
        found = [
            f"{units.show_mass(float(held[name]), system)} {when}"
            for name, when in (("weight_before_kg", "before"), ("weight_after_kg", "after"))
            if name in held
        ]
        return f", {' and '.join(found)}" if found else ""

    match what.kind:
        case EventKind.ARRIVED:
            return f"set on its bearers in {held['place']}"
        case EventKind.MOVED:
            return f"moved from {held['from']} to {held['to']}"
        case EventKind.TURNED:
            return f"turned, face {held['up']} up"
        case EventKind.END_SEALED:
            return "ends sealed"
        case EventKind.COATED:
            return f"coated on {_faces(held['faces'])}" if held["faces"] else "coat taken off"
        case EventKind.STICKERED:
            return f"lies on {_faces(held['faces'])}" if held["faces"] else "lies free on all faces"
        case EventKind.CUT:
            return f"cut to {formatting.show_along(float(held['length_mm']), system)}{weighed()}"
        case EventKind.PLANED:
            size = units.show_size(float(held["width_mm"]), float(held["depth_mm"]), system)
            return f"planed to {size}{weighed()}"
        case EventKind.OVEN_DRIED:
            end = f", {long('from_end_mm')} from the end" if "from_end_mm" in held else ""
            return f"section oven-dried: {words.pct(float(held['mc_pct']))} MC{end}"
        case EventKind.TARED:
            return f"tare set to {units.show_mass(float(held['tare_kg']), system)}"
        case EventKind.SENSOR_ATTACHED:
            deep = f", {long('depth_mm')} deep" if "depth_mm" in held else ""
            face = f", face {held['face']}" if "face" in held else ""
            return f"sensor {held['sensor']} attached{deep}{face}"
        case EventKind.SENSOR_DETACHED:
            return f"sensor {held['sensor']} taken off"
        case EventKind.PHOTOGRAPHED:
            return "photographed"
        case EventKind.EDITED:
            return _edited(str(held["field"]), held["old"], held["new"], system)
        case EventKind.RETIRED:
            return f"retired{': ' + str(held['reason']) if 'reason' in held else ''}"


def _edited(column: str, old: Value, new: Value, system: units.System) -> str:
    if column == "retired_utc" and new == "":
        return "taken back into the yard"

    def told(value: Value) -> str:
        if value == "":
            return "nothing"
        if isinstance(value, bool):
            return "yes" if value else "no"
        if column.endswith("_mm"):
            return units.show_length(float(value), system)
        return f"{value:g}" if isinstance(value, float) else str(value).removesuffix("T00:00:00+00:00")

    name = re.sub(r"_(mm|pct|utc)$", "", column)
    name = {"width": "green width", "depth": "green depth", "green_mc": "green MC"}.get(name, name)
    return f"{name.replace('_', ' ')} corrected from {told(old)} to {told(new)}"


def _faces(letters: object) -> str:
    found = sorted(str(letters))
    return f"face{'s' if len(found) > 1 else ''} {', '.join(found)}"
