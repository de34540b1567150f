"""What people saw of a timber that no piece may hold: wane, checks, knots, shakes, from its events."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from baulk.models import openings
from baulk.models.openings import Opening
from baulk.models.plan.sawing.bevel import Bevel, wane
from baulk.models.plan.sawing.rects import Rect
from baulk.models.section import Face, Section
from baulk.models.timber import OPENINGS, Event, EventKind
from baulk.models.wane import Wane

CHECK_MM: Final = 6.0  # kept clear about a check, for it wanders; common practice, no source


def bevels(section: Section, seen: Wane) -> tuple[Bevel, ...]:
    """Return the wane that was noted, as bevels of the section.

    Parameters
    ----------
    section : Section
        The section. [mm]
    seen : Wane
        Which corners are off, and how far. [mm]

    Returns
    -------
    tuple of Bevel
        One a corner that is off, at most as far as the section goes. [mm]
    """
    return tuple(
        wane(section, corner, (min(across, section.width_mm), min(down, section.depth_mm)))
        for corner, (across, down) in seen.legs_mm.items()
    )


def checks(section: Section, events: Sequence[Event]) -> tuple[Rect, ...]:
    """Return checks and splits whose depth was measured, from their face inward.

    Parameters
    ----------
    section : Section
        The timber as it is. [mm]
    events : sequence of Event
        Those that count, oldest first.

    Returns
    -------
    tuple of Rect
        Each where it was measured along its face; where nobody measured that, at the place of its face
        nearest to the pith, as checks usually run. That which opens a boxed heart is not among them. [mm]
    """
    places = {_key(each): dict(each.detail) for each in events if _placed(each)}
    deepest: dict[object, tuple[Opening, float | None]] = {}
    for each in openings.seen(events):
        if (
            each.face is None
            or not each.depth_mm
            or each.kind == "shake"
            or openings.opens_heart(each, section)
        ):
            continue
        told = places.get((each.kind, each.face, each.name), {})
        across = each.face in {Face.A, Face.C}
        at = told.get("from_d_mm" if across else "from_a_mm")
        key = (each.face, at)
        if key not in deepest or (deepest[key][0].depth_mm or 0.0) < each.depth_mm:
            deepest[key] = (each, None if at is None else float(at))
    return tuple(
        _inward(section, each.face, each.depth_mm, at)
        for each, at in deepest.values()
        if each.face is not None and each.depth_mm
    )


def _placed(event: Event) -> bool:
    return event.kind is EventKind.CHECKED and bool({"from_d_mm", "from_a_mm"} & event.detail.keys())


def _key(event: Event) -> tuple[str, Face | None, str]:
    face = Face(str(event.detail["face"])) if "face" in event.detail else None
    return str(event.detail.get("opening", OPENINGS[0])), face, str(event.detail.get("name", ""))


def _inward(section: Section, face: Face, deep_mm: float, from_edge_mm: float | None) -> Rect:
    """Return a check of a face, so far from face d (of faces a and c) or from face a. [mm]."""
    across = face in {Face.A, Face.C}
    half, far = section.width_mm / 2, section.depth_mm / 2
    if not across:
        half, far = far, half
    if from_edge_mm is None:
        middle = section.pith_x_mm if across else section.pith_y_mm
    else:
        middle = from_edge_mm - half if across else half - from_edge_mm
    at = min(max(middle, CHECK_MM / 2 - half), half - CHECK_MM / 2) - CHECK_MM / 2
    high = min(deep_mm, 2 * far)
    low = far - high if face in {Face.A, Face.B} else -far
    if across:
        return Rect(x_mm=at, y_mm=low, width_mm=CHECK_MM, height_mm=high)
    return Rect(x_mm=low, y_mm=at, width_mm=high, height_mm=CHECK_MM)


def defects(section: Section, events: Sequence[Event]) -> tuple[Rect, ...]:
    """Return knots, shakes and rot that were noted in the section.

    Parameters
    ----------
    section : Section
        The timber as it is. [mm]
    events : sequence of Event
        Those that count, oldest first; of one kind and name the last counts. What is planed off later is
        taken as half from either side.

    Returns
    -------
    tuple of Rect
        As far as they lie in the section. [mm]
    """
    found: dict[tuple[str, str], tuple[float, float, float, float]] = {}
    for each in events:
        if each.kind is EventKind.DEFECT:
            told = {name: float(each.detail[name]) for name in _SIZES}
            key = (str(each.detail["what"]), str(each.detail.get("name", "")) or f"number {each.number}")
            found[key] = (told["from_d_mm"], told["from_a_mm"], told["width_mm"], told["depth_mm"])
        if each.kind is EventKind.PLANED and {"from_width_mm", "from_depth_mm"} & each.detail.keys():
            off = each.halves_off_mm()
            found = {key: (x - off[0], y - off[1], wide, deep) for key, (x, y, wide, deep) in found.items()}
    clipped = (_clipped(section, *each) for each in found.values())
    return tuple(each for each in clipped if each is not None)


_SIZES: Final = ("from_d_mm", "from_a_mm", "width_mm", "depth_mm")


def _clipped(section: Section, from_d: float, from_a: float, wide: float, deep: float) -> Rect | None:
    left, right = max(from_d, 0.0), min(from_d + wide, section.width_mm)
    top, low = max(from_a, 0.0), min(from_a + deep, section.depth_mm)
    if right - left <= 0 or low - top <= 0:
        return None
    return Rect(
        x_mm=left - section.width_mm / 2,
        y_mm=section.depth_mm / 2 - low,
        width_mm=right - left,
        height_mm=low - top,
    )
