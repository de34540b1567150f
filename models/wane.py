"""Wane as people noted it: which corners of a timber are off, how far, and whether anyone said at which."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

from baulk.models.errors import OutOfRange
from baulk.models.timber import CORNERS, WANE, Event, EventKind, Value
from baulk.models.units import LengthUnit, size_mm

Legs = tuple[float, float]
_NONE: Final[Mapping[str, Legs]] = MappingProxyType({})


@dataclass(frozen=True, slots=True, kw_only=True)
class Wane:
    """What is off the corners of a timber.

    Parameters
    ----------
    legs_mm : mapping of str to (float, float)
        By corner, as "ab": how far it reaches across the width and down the depth, above 0. [mm]
    everywhere : bool
        Whether some of it was noted without its corner, and is taken at each.
    """

    legs_mm: Mapping[str, Legs] = field(default_factory=lambda: _NONE)
    everywhere: bool = False


def noted(events: Iterable[Event]) -> Wane:
    """Return the wane of a timber as it was noted last, corner by corner.

    Parameters
    ----------
    events : iterable of Event
        Those that count, oldest first.

    Returns
    -------
    Wane
        Wane without a corner is the widest along any face: nobody said where, so that it holds for all four
        until one of them is measured. A planing takes half of its depth from either side; one of which the
        size before it is not known leaves none.

    References
    ----------
    Geometry of a bevel, as in `baulk.models.plan.sawing.bevel`.
    """
    legs: dict[str, Legs] = {}
    unnamed: set[str] = set()
    for each in events:
        if each.kind is EventKind.PLANED:
            legs = _planed(legs, each)
        if each.kind is not EventKind.MEASURED:
            continue
        if "wane_mm" in each.detail:
            legs = dict.fromkeys(CORNERS, (float(each.detail["wane_mm"]),) * 2)
            unnamed = set(CORNERS)
        for corner, (across, down) in WANE.items():
            if across in each.detail:
                wide = float(each.detail[across])
                legs[corner] = (wide, float(each.detail.get(down, wide)))
                unnamed.discard(corner)
    kept = {corner: legs[corner] for corner in CORNERS if corner in legs and min(legs[corner]) > 0}
    return Wane(legs_mm=MappingProxyType(kept), everywhere=bool(unnamed & kept.keys()))


def corner_of(text: str, bare: LengthUnit) -> tuple[str, Legs]:
    """Read a corner and how far it is off, as a person writes it.

    Parameters
    ----------
    text : str
        The letters of its two faces, then across x down: "ab 1 x 3/4 in"; "ab none" where it is whole.
    bare : {"in", "mm"}
        Unit of numbers without one.

    Returns
    -------
    corner : str
        One of `CORNERS`.
    legs_mm : (float, float)
        Across the width and down the depth. [mm]

    Raises
    ------
    OutOfRange
        If it names no corner, or no size.
    """
    faces, _, rest = text.strip().partition(" ")
    found = next((each for each in CORNERS if sorted(each) == sorted(faces.lower())), None)
    if found is None or not rest.strip():
        raise OutOfRange(
            "a corner", f"is ab, bc, cd or da and how far it is off, as 'ab 1 x 3/4 in', not {text!r}"
        )
    whole = rest.strip().lower() in {"0", "none"}
    return found, (0.0, 0.0) if whole else size_mm(rest, bare=bare)


def detail_of(texts: Iterable[str], bare: LengthUnit) -> dict[str, Value]:
    """Return corners as a person writes them as details of a `measured` event.

    Parameters
    ----------
    texts : iterable of str
        Each as `corner_of` reads it.
    bare : {"in", "mm"}
        Unit of numbers without one.

    Returns
    -------
    dict
        Names of `WANE` and lengths. [mm]

    Raises
    ------
    OutOfRange
        If one of them names no corner or no size.
    """
    found: dict[str, Value] = {}
    for each in texts:
        corner, legs = corner_of(each, bare)
        found |= dict(zip(WANE[corner], legs, strict=True))
    return found


def _planed(legs: Mapping[str, Legs], event: Event) -> dict[str, Legs]:
    """Return what a planing leaves of each corner's wane."""
    if not {"from_width_mm", "from_depth_mm"} & event.detail.keys():
        return {}
    off = event.halves_off_mm()
    left = {
        corner: 1 - off[0] / across - off[1] / down
        for corner, (across, down) in legs.items()
        if min(across, down) > 0
    }
    return {
        corner: (legs[corner][0] * share, legs[corner][1] * share)
        for corner, share in left.items()
        if share > 0
    }
