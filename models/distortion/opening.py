"""The slit that a boxed heart's check or a relief kerf makes in a section, and the mesh that it cuts open."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.constants import Floats
from baulk.models.section import Face, Section, from_pith_mm, weakest_face

if TYPE_CHECKING:
    from skfem import MeshQuad

SNAP_MM: Final = (
    0.05  # nearer to a line of the grid the slit lies on it, and nearer to its face there is none
)
TIP: Final = 0.2  # of the cell beside the tip is an element of its own
AXIS: Final = {Face.A: (1, 1), Face.B: (0, 1), Face.C: (1, -1), Face.D: (0, -1)}  # axis across it, its side


@dataclass(frozen=True, slots=True, kw_only=True)
class Slit:
    """A plane slit from a face inward, at right angles to it.

    Parameters
    ----------
    face : Face
        Where it opens.
    at_mm : float
        Its place along the face, in the axes of the section. [mm]
    depth_mm : float
        How far it goes in. [mm]
    """

    face: Face
    at_mm: float
    depth_mm: float


def slit_of(section: Section) -> Slit | None:
    """Return the slit of a boxed heart: from the face with the least wood to break to the pith.

    Parameters
    ----------
    section : Section
        The piece, its pith and its relief kerf. [mm]

    Returns
    -------
    Slit or None
        As deep as the kerf where that goes beyond the pith; None free of heart. [mm]
    """
    if not section.boxed_heart:
        return None
    face, _ = weakest_face(section)
    depth_mm = from_pith_mm(section)[face]
    if section.kerf is not None and section.kerf.face is face:
        depth_mm = max(depth_mm, section.kerf.depth_mm)
    at_mm = section.pith_x_mm if AXIS[face][0] == 1 else section.pith_y_mm
    return Slit(face=face, at_mm=at_mm, depth_mm=depth_mm)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grid:
    """Lines of a mesh that follow the cells of a moisture field and the slit.

    Parameters
    ----------
    edges_mm : (ndarray, ndarray)
        Lines along x and along y. [mm]
    cell : ndarray, shape (elements,)
        Cell of the moisture field that each element lies in, elements and cells in (y, x) order.
    mesh : MeshQuad
        The mesh, cut open along the slit.
    slit : Slit or None
        As the mesh has it.
    """

    edges_mm: tuple[Floats, Floats]
    cell: NDArray[np.intp]
    mesh: MeshQuad
    slit: Slit | None


def grid(section: Section, x_edges_mm: Floats, y_edges_mm: Floats) -> Grid:
    """Lay a mesh over a section, with its slit.

    Parameters
    ----------
    section : Section
        The piece, its pith and its relief kerf. [mm]
    x_edges_mm, y_edges_mm : ndarray
        Edges of the moisture field's cells. [mm]

    Returns
    -------
    Grid
        One element a cell, but where a line of the slit divides it.
    """
    edges = [np.asarray(x_edges_mm, dtype=float), np.asarray(y_edges_mm, dtype=float)]
    slit = slit_of(section)
    if slit is None or slit.depth_mm < SNAP_MM:
        lines = _with_crown(section, edges)
        return Grid(edges_mm=(lines[0], lines[1]), cell=_cells(edges, lines), mesh=_mesh(lines), slit=None)
    across, sign = AXIS[slit.face]
    face_mm = edges[across][-1 if sign > 0 else 0]
    lines = list(edges)
    lines[1 - across], at_mm = _with_line(edges[1 - across], slit.at_mm)
    lines[across], tip_mm = _with_line(edges[across], face_mm - sign * slit.depth_mm)
    lines = [_finer(lines[0], (at_mm, tip_mm)[1 - across]), _finer(lines[1], (at_mm, tip_mm)[across])]
    kept = Slit(face=slit.face, at_mm=at_mm, depth_mm=abs(face_mm - tip_mm))
    inside = edges[1 - across][0] < at_mm < edges[1 - across][-1] and kept.depth_mm > 0
    return Grid(
        edges_mm=(lines[0], lines[1]),
        cell=_cells(edges, lines),
        mesh=_torn(_mesh(lines), across, sign, at_mm, tip_mm) if inside else _mesh(lines),
        slit=kept if inside else None,
    )


def _with_crown(section: Section, edges: list[Floats]) -> list[Floats]:
    """Return the lines with one where a face lies next to a pith outside: there it stands out most."""
    along = 1 - AXIS[weakest_face(section)[0]][0]
    at_mm = float(np.clip((section.pith_x_mm, section.pith_y_mm)[along], edges[along][0], edges[along][-1]))
    lines = list(edges)
    lines[along], _ = _with_line(edges[along], at_mm)
    return lines


def _mesh(lines: list[Floats]) -> MeshQuad:
    from skfem import MeshQuad  # noqa: PLC0415 - finite elements, 20 MB, for few

    return MeshQuad.init_tensor(lines[0], lines[1])


def _with_line(edges: Floats, at_mm: float) -> tuple[Floats, float]:
    """Return the lines with one more, or the line that is as good as there."""
    nearest = float(edges[np.argmin(np.abs(edges - at_mm))])
    if abs(nearest - at_mm) < SNAP_MM:
        return edges, nearest
    return np.sort(np.append(edges, at_mm)), at_mm


def _finer(lines: Floats, at_mm: float) -> Floats:
    """Return the lines with one more on each side of the tip, where stress is steep."""
    at = int(np.argmin(np.abs(lines - at_mm)))
    beside = [lines[other] for other in (at - 1, at + 1) if 0 <= other < lines.size]
    return np.sort([*lines, *(lines[at] + TIP * (other - lines[at]) for other in beside)])


def _cells(edges: list[Floats], lines: list[Floats]) -> NDArray[np.intp]:
    """Return the field's cell of every element, in (y, x) order."""
    x, y = (np.searchsorted(old, (new[1:] + new[:-1]) / 2) - 1 for old, new in zip(edges, lines, strict=True))
    return np.asarray((y[:, None] * (edges[0].size - 1) + x).ravel(), dtype=np.intp)


def _torn(mesh: MeshQuad, across: int, sign: int, at_mm: float, tip_mm: float) -> MeshQuad:
    """Give the nodes of the slit, but for its tip, a twin that the elements on the far side hold."""
    p, along = mesh.p, 1 - across
    torn = np.flatnonzero((np.abs(p[along] - at_mm) < 1e-9) & (sign * (p[across] - tip_mm) > 1e-9))
    twin = np.arange(p.shape[1])
    twin[torn] = p.shape[1] + np.arange(torn.size)
    far = p[along, mesh.t].mean(axis=0) > at_mm
    t = mesh.t.copy()
    t[:, far] = twin[t[:, far]]
    return type(mesh)(np.hstack([p, p[:, torn]]), t)
