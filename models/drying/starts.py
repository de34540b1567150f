"""What a drying run begins from and when it is asked for, checked."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from baulk.models.constants import DAY_S, Floats
from baulk.models.drying.grid import moved
from baulk.models.drying.members import Members
from baulk.models.errors import OutOfRange
from baulk.models.field import MoistureField
from baulk.models.section import Section

MOST_PCT: Final = 400.0


def times(at_posix_s: ArrayLike, start_posix_s: float) -> tuple[Floats, NDArray[np.intp]]:
    """Return the moments wanted as numbers, and their order; refuse what cannot be."""
    at_s = np.atleast_1d(np.asarray(at_posix_s, dtype=np.float64))
    if at_s.size == 0 or at_s.ndim != 1:
        raise OutOfRange("the times wanted", "are none; ask for at least one moment")
    if not (np.all(np.isfinite(at_s)) and np.isfinite(start_posix_s)):
        raise OutOfRange("the times wanted", "and the start must be moments in POSIX seconds")
    if at_s.min() < start_posix_s:
        raise OutOfRange(
            "the times wanted",
            f"begin {(start_posix_s - at_s.min()) / DAY_S:.1f} days before the start; ask for later ones",
        )
    return at_s, np.argsort(at_s, kind="stable")


def start(  # noqa: PLR0913, PLR0917 - what may be a start
    initial_pct: float | Floats | MoistureField | None,
    section: Section,
    members: Members | None,
    x_edges: Floats,
    y_edges: Floats,
    most_pct: float,
) -> tuple[Floats, bool]:
    """Moisture at the start, shape (m, ny, nx), and whether the answer has a member axis."""
    if initial_pct is None:
        if members is None:
            raise OutOfRange("the moisture at the start", "is missing; give it, or members that have one")
        initial_pct = members.start_mc_pct
    if isinstance(initial_pct, MoistureField):
        found = _regridded(initial_pct, section, x_edges, y_edges)
    else:
        found = np.asarray(initial_pct, dtype=np.float64)[..., None, None]
        found = np.broadcast_to(found, (*found.shape[:-2], y_edges.size - 1, x_edges.size - 1))
    most = MOST_PCT if members is not None else most_pct
    if found.ndim not in {2, 3} or not np.all((found >= 0) & (found <= most)):  # also refuses NaN
        worst = float(found.flat[np.argmax(~((found >= 0) & (found <= most)))]) if found.size else np.nan
        raise OutOfRange(
            "the moisture at the start",
            f"must lie between 0 and {most:.0f} %, the most that the wood can hold, not {worst:g} %",
        )
    found = np.minimum(found, most_pct)  # the guess of a member, not a measurement
    many = members is not None or found.ndim == 3
    if found.ndim == 2:
        found = found[None]
    if members is not None and found.shape[0] not in {1, members.size}:
        raise OutOfRange(
            "the moisture at the start",
            f"is given for {found.shape[0]} members, not for {members.size}",
        )
    count = found.shape[0] if members is None else members.size
    return np.broadcast_to(found, (count, *found.shape[1:])), many


def _regridded(field: MoistureField, section: Section, x_edges: Floats, y_edges: Floats) -> Floats:
    if abs(field.section.width_mm - section.width_mm) + abs(field.section.depth_mm - section.depth_mm) > 1e-3:
        raise OutOfRange(
            "the field at the start",
            f"covers {field.section.width_mm:.0f} x {field.section.depth_mm:.0f} mm, not the section's "
            f"{section.width_mm:.0f} x {section.depth_mm:.0f} mm; cut it first",
        )
    if np.array_equal(field.x_edges_mm, x_edges) and np.array_equal(field.y_edges_mm, y_edges):
        return field.mc_pct
    return moved(field.mc_pct, field.x_edges_mm, field.y_edges_mm, x_edges, y_edges)
