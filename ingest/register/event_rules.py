"""What the details of an event may hold: faces by letter, depths inside the piece, weights that fall."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import PurePosixPath
from typing import Final

from baulk.models.errors import OutOfRange
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Series, sensor_flag
from baulk.models.section import Face, Kerf
from baulk.models.timber import Event, EventKind, Timber, Value

_LETTERS: Final = "".join(face.value for face in Face)
# numbers that an event may carry: lowest, highest, unit; wide on purpose, our own
_NUMBERS: Final[Mapping[str, tuple[float, float, str]]] = {
    "length_mm": (1.0, 1e5, "mm"),
    "width_mm": (1.0, 1e4, "mm"),
    "depth_mm": (0.0, 1e4, "mm"),
    "from_end_mm": (0.0, 1e5, "mm"),
    "bow_mm": (0.0, 5e3, "mm"),
    "crook_mm": (0.0, 5e3, "mm"),
    "check_mm": (0.0, 1e3, "mm"),
    "wane_mm": (0.0, 1e3, "mm"),
    "weight_before_kg": (0.001, 20_000.0, "kg"),
    "weight_after_kg": (0.001, 20_000.0, "kg"),
    "tare_kg": (0.0, 20_000.0, "kg"),
    "mc_pct": (0.0, 400.0, "%"),
}

MOST_GROWN: Final = 1.1  # wood that came dry swells by less; our own judgement


def checked(event: Event, timber: Timber) -> Event:
    """Give an event with its details in their usual form, or refuse it.

    Parameters
    ----------
    event : Event
        As entered.
    timber : Timber
        The timber as it stands.

    Raises
    ------
    OutOfRange
        If a detail can't be meant.
    """
    detail: dict[str, Value] = {}
    for name, value in event.detail.items():
        usual = _one(event.kind, name, value)
        if usual is not None:
            detail[name] = usual
    if event.kind is EventKind.MOVED:
        Series(owner=Owner.AIR, name=str(detail["to"]), quantity=Quantity.TEMP)
    if event.kind is EventKind.SENSOR_ATTACHED and "depth_mm" in detail:
        face = Face(str(detail["face"])) if "face" in detail else None
        timber.section.refuse_depth(float(detail["depth_mm"]), face)
    if event.kind is EventKind.KERFED:
        if "face" not in detail:
            raise OutOfRange("a relief kerf", "needs its face: a, b, c or d")
        kerf = Kerf(face=Face(str(detail["face"])), depth_mm=float(detail["depth_mm"]))
        replace(timber.section, kerf=kerf)  # refuses one that saws through
    if event.kind is EventKind.MEASURED:
        _measured(detail, timber)
        if {"bow_mm", "crook_mm"} & detail.keys():  # a later cut takes a part of the curve with it
            detail.setdefault("length_mm", timber.length_mm)
    _weights(detail)
    end = detail.get("from_end_mm")
    if end is not None and float(end) > timber.length_mm:
        raise OutOfRange(
            "the distance from an end",
            f"of {float(end):.0f} mm is longer than {timber.tag}, which is {timber.length_mm:.0f} mm",
        )
    return replace(event, detail=detail)


def _one(kind: EventKind, name: str, value: Value) -> Value | None:
    if name in _NUMBERS:
        return _number(name, value)
    if name == "faces":
        return _faces(kind, str(value))
    if name == "up" or (name == "face" and value != ""):
        if str(value).strip().lower() not in set(_LETTERS):
            raise OutOfRange("a face", f"is one of a, b, c, d, not {value!r}")
        return str(value).strip().lower()
    if name == "face":
        return None
    if name == "sensor":
        return sensor_flag(str(value).strip()).removeprefix("sensor-")
    if name in {"file", "to"} and not str(value).strip():
        raise OutOfRange(f"the {'photograph' if name == 'file' else 'place'}", "needs a name")
    usual = value.strip() if isinstance(value, str) else value
    return _inside(str(usual)) if name == "file" else usual


def _inside(file: str) -> str:
    path = PurePosixPath(file)
    if path.is_absolute() or ".." in path.parts or "\\" in file or not file.isprintable():
        raise OutOfRange("a photograph", f"lies in the shop's folder, like photos/one.jpg, not {file!r}")
    return file


def _number(name: str, value: Value) -> float:
    low, high, unit = _NUMBERS[name]
    number = float(value) if isinstance(value, int | float) and not isinstance(value, bool) else math.nan
    if not low <= number <= high:
        words = name.rpartition("_")[0].replace("_", " ")
        raise OutOfRange(f"the {words} of an event", f"lies between {low:g} and {high:g} {unit}, not {value}")
    return number


def _faces(kind: EventKind, text: str) -> str:
    letters = "".join(sorted(set(text.lower()) - set(" ,")))
    if unknown := sorted(set(letters) - set(_LETTERS)):
        raise OutOfRange(
            "the faces",
            f"of {kind.value} are letters of a, b, c, d, or nothing for none; {unknown[0]!r} is not one",
        )
    return letters


def _measured(detail: Mapping[str, Value], timber: Timber) -> None:
    if not detail.keys() - {"length_mm"}:
        raise OutOfRange(
            "a measurement",
            "holds a width and a depth, a bow, a crook, a check's depth or a wane; name at least one, such "
            "as bow_mm=6",
        )
    if ("width_mm" in detail) != ("depth_mm" in detail):
        raise OutOfRange("a measured size", "is a width and a depth; give both")
    if "width_mm" in detail:
        section = timber.section
        grown = max(
            float(detail["width_mm"]) / section.width_mm, float(detail["depth_mm"]) / section.depth_mm
        )
        if grown > MOST_GROWN:
            raise OutOfRange(
                "a measured size",
                f"of {detail['width_mm']:g} x {detail['depth_mm']:g} mm is larger than {timber.tag} was when "
                f"it was entered, {section.width_mm:.0f} x {section.depth_mm:.0f} mm; if that was a slip, "
                "correct it with edit",
            )


def _weights(detail: Mapping[str, Value]) -> None:
    before, after = detail.get("weight_before_kg"), detail.get("weight_after_kg")
    if before is not None and after is not None and float(after) >= float(before):
        raise OutOfRange(
            "the weights", f"fall when wood is taken off; {after:g} kg is not below {before:g} kg"
        )
