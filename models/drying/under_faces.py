"""Moisture of the outer 16 mm at the middle of each face, on cells and steps as fine as the weather asks.

The section's cells are 1 to 8 mm thick there and its steps days long: as deep as the weather of the last
weeks reaches, values read off them are wrong by up to two points. Here a line from the middle of each face
inward has cells of a third of a millimetre at the face and steps of hours, shorter as a wanted moment comes
near. Its deep end follows the section; what flows to it from both sides there is what flows in the section,
and nearer to the face it is less in a straight line.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.cell_means import Potential, bend_weights, point_weights
from baulk.models.constants import DAY_S, HOUR_S, Floats
from baulk.models.diffusion import REFERENCE_PCT, DiffusionLaw
from baulk.models.drying import axes, layout
from baulk.models.drying.grid import centre_shares, of_steps, slope_shares
from baulk.models.drying.members import Members
from baulk.models.drying.mirror import Mirror
from baulk.models.section import Face, Section

# Set beside grids four times finer in steps of an hour: with 12 cells or a finest of 1 mm the front of fresh
# wood is missed at 12 mm, with 16 and more little is gained; a deep end at 12 mm takes over what the section
# has wrong there, one at 20 mm has cells of 3 mm before it
CELLS: Final = 14
FINEST_MM: Final = 1.5  # cells grow as the depth with this added does
DEEPEST_MM: Final = 16.0
DEEPEST_SHARE: Final = 0.15  # of the smaller side
SHORTEST_S: Final = HOUR_S
LONGEST_S: Final = DAY_S
SHARE: Final = 0.08  # of the time until the next wanted moment that a step takes
FIRST_S: Final = 6 * HOUR_S  # until the section is read for the first time,
WATCH_S: Final = 2 * DAY_S  # and later between two times
_FIRST_TIMES: Final = 12
_HELD: Final = 1e6  # times as wide: a cell that stays as it is set
_TIGHT: Final = 1e30  # s/m
_ALONG_X: Final = (Face.B, Face.D)
_HIGH_END: Final = (Face.A, Face.B)
Pair = tuple[Floats, Floats]


def watched_s(end_s: float) -> Floats:
    """Seconds after the start at which the section is read for the deep ends, up to the end, shape (k,)."""
    first = FIRST_S * np.expm1(np.linspace(0.0, np.log1p(WATCH_S / FIRST_S), _FIRST_TIMES))
    return np.unique(np.concatenate([first[first < end_s], np.arange(2 * WATCH_S, end_s, WATCH_S), [end_s]]))


_Reader = Callable[[Floats, Floats, Floats], Floats]


def _edges(section: Section) -> Floats:
    deep = min(DEEPEST_MM, DEEPEST_SHARE * min(section.width_mm, section.depth_mm))
    return np.asarray(FINEST_MM * np.expm1(np.log1p(deep / FINEST_MM) * np.linspace(0, 1, CELLS + 1)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Watched:
    """What the section has along its two lines through the middle, of some of the members.

    Parameters
    ----------
    x_pct, y_pct : ndarray, shape (2, m, t, n)
        Along x and along y: means of the cells [%], and how they bend across the line [%/m2].
    """

    x_pct: Floats
    y_pct: Floats

    @staticmethod
    def of(fields: Floats, x_edges: Floats, y_edges: Floats, mirror: Mirror) -> Watched:
        """Read them off fields of shape (t, ny, nx, m), of what is solved of the section."""
        from baulk.models.drying import kernel  # noqa: PLC0415 - as in `solver`

        t, ny, nx, m = fields.shape
        x, y = np.zeros((2, m, t, nx)), np.zeros((2, m, t, ny))
        across_y, across_x = (
            np.ascontiguousarray(fold(across + across[:, ::-1])) if halved else across
            for fold, halved, across in (
                (mirror.fold_y, mirror.y, _across(y_edges)),
                (mirror.fold_x, mirror.x, _across(x_edges)),
            )
        )
        kernel.middle_lines(fields, across_y, across_x, x, y)
        return Watched(x_pct=mirror.unfold_x(x), y_pct=mirror.unfold_y(y))

    @staticmethod
    def joined(parts: Sequence[Watched]) -> Watched:
        """Put together what was read in one stretch of time after the other."""
        return Watched(
            x_pct=np.concatenate([each.x_pct for each in parts], axis=2),
            y_pct=np.concatenate([each.y_pct for each in parts], axis=2),
        )

    def at(self, which: NDArray[np.intp]) -> Watched:
        """Return some of the moments."""
        return Watched(x_pct=self.x_pct[:, :, which], y_pct=self.y_pct[:, :, which])

    def under_faces_pct(self, edges: Pair, depths_mm: Floats, potential: Potential) -> Floats:
        """Moisture below the middle of each face, shape (4, m, t, k), in the order of `Face`, [%]."""

        def read(means: Floats, places: Floats, at: Floats) -> Floats:
            return potential.values(means[0], places, at)

        return self._of_faces(read, edges, depths_mm)

    def bends(self, edges: Pair, depths_mm: Floats) -> Floats:
        """How moisture bends along each face below its middle, shape (4, m, t, k), [%/m2]."""

        def read(means: Floats, places: Floats, at: Floats) -> Floats:
            return np.asarray(means[1] @ point_weights(places, at).T)

        return self._of_faces(read, edges, depths_mm)

    def _of_faces(self, read: _Reader, edges: Pair, depths_mm: Floats) -> Floats:
        (b, d), (a, c) = (
            np.split(
                read(means, places, np.concatenate([places[-1] - depths_mm, places[0] + depths_mm])), 2, -1
            )
            for means, places in zip((self.x_pct, self.y_pct), edges, strict=True)
        )
        return np.stack([a, b, c, d])


def _across(edges: Floats) -> Floats:
    """Weights across a line through the middle: of the value [-] and of its second derivative [1/m2]."""
    near = np.array([-1e-6, 1e-6])  # the spline's third derivative has a step at each edge
    return np.stack([point_weights(edges, 0.0), 1e6 * bend_weights(edges, near).mean(axis=0)])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layers:
    """The lines under the four faces laid out for the compiled part, in the order of `Face`.

    Parameters
    ----------
    edges_mm : ndarray, shape (n + 1,)
        Cell edges below a face, the outermost first; the deep end is the middle of the last cell. [mm]
    shares : (ndarray, ndarray)
        As from `slope_shares` and `centre_shares`, but for the last cell, behind which nothing is known.
    grain, free : ndarray, shape (n + 1, 4, 1 or m), `free` also (1, 1, 1)
        As from `layout.grain` and `layout.free_water`. [-]
    wood : ndarray, shape (6, m)
        As from `layout.laws`.
    damp : ndarray, shape (m,)
        What is added to the EMC. [%]
    """

    edges_mm: Floats
    shares: Pair
    grain: Floats
    free: Floats
    wood: Floats
    damp: Floats

    @staticmethod
    def of(section: Section, law: DiffusionLaw, members: Members) -> Layers:
        """Lay them out for a section, its wood and its members."""
        edges, thin = _edges(section), np.array([-1e-3, 1e-3])
        grains, frees = [], []
        for face in Face:
            half = (section.width_mm if face in _ALONG_X else section.depth_mm) / 2
            places = (half - edges)[::-1] if face in _HIGH_END else edges - half
            x, y = (places, thin) if face in _ALONG_X else (thin, places)
            which, inward = int(face not in _ALONG_X), slice(None, None, -1 if face in _HIGH_END else 1)
            grains.append(layout.grain(section, law, x, y, members.ratio_factor)[which][inward])
            frees.append(layout.free_water(section, law, members, x, y)[which][inward])
        width, middles = np.diff(edges) / 1000, (edges[1:] + edges[:-1]) / 2
        slopes, centres = slope_shares(width).copy(), centre_shares(width).copy()
        slopes[-2] = 0.0
        slopes[-2, :2] = of_steps((middles[None, -3:] - edges[-2]) / (middles[-1] - middles[-2]))[0]
        centres[-1] = 0.0
        return Layers(
            edges_mm=edges,
            shares=(slopes, centres),
            grain=np.concatenate(grains, axis=1),
            free=frees[0] if frees[0].size == 1 else np.concatenate(frees, axis=1),
            wood=layout.laws(law, members),
            damp=members.emc_offset_pct,
        )

    def some(self, which: NDArray[np.intp]) -> Layers:
        """Return those of some of the members."""
        grain, free = (each if each.shape[-1] == 1 else each[..., which] for each in (self.grain, self.free))
        return Layers(
            edges_mm=self.edges_mm, shares=self.shares, grain=grain, free=free, wood=self.wood[:, which],
            damp=self.damp[which],
        )  # fmt: skip

    @property
    def deep_mm(self) -> float:
        """Return the depth of the deep end, [mm]."""
        return float(self.edges_mm[-2:].mean())

    @property
    def depths_mm(self) -> Floats:
        """Return the depths at which they are read: the edges, and the deep end, [mm]."""
        return np.append(self.edges_mm[:-1], self.deep_mm)

    def axis(self, resist: Mapping[Face, Floats]) -> axes.Axis:
        """Lay out the direction inward."""
        width, tight = np.diff(self.edges_mm) / 1000, np.full(self.damp.size, _TIGHT)
        found = layout.axis(
            width, self.shares, np.ones(4), (self.grain, self.free), self.wood, self.damp, (tight, tight)
        )
        found.lanes[axes.LOW] = np.concatenate([resist[face] for face in Face])
        return found._replace(width=np.append(width[:-1], _HELD * width[-1]))

    def faces_pct(self, cells_pct: Floats, now: Floats, resist: Mapping[Face, Floats]) -> Floats:
        """Moisture of each face itself, shape (t, 4, m), in an air as of `layout.face_pct`, [%]."""
        out = np.stack([resist[face] for face in Face])
        beside = self.edges_mm[1] / 2000
        return layout.face_pct(cells_pct, now, self.wood, self.damp, self.grain[0], self.free[0], out, beside)

    def sideways(self, deep_pct: Floats, bends: Floats) -> Floats:
        """Return what flows from both sides to the deep ends at a factor on D of 1, (4, m, t), [%/s].

        Along a face the ratio of D to its mean is what is left of 2 from that inward.
        """
        d_ref, slope, fsp, free, *_ = (each[:, None] for each in self.wood)
        grain, raised = (
            each[min(CELLS - 1, each.shape[0] - 1)][..., None] for each in (self.grain, self.free)
        )
        grows = np.exp(slope * (np.minimum(deep_pct, fsp) - REFERENCE_PCT))
        return np.asarray(d_ref * (2 - grain) * np.where(deep_pct > fsp, free * raised, grows) * bends)


def added_pct(  # noqa: PLR0913 - a run, and what was read of it
    layers: Layers,
    *,
    first: Watched,
    watched: Watched,
    watched_s: Floats,
    at_s: Floats,
    edges: Pair,
    potential: Potential,
    air: layout.Air,
    midwinter_s: float,
    spans: Sequence[tuple[float, float, Mapping[Face, Floats]]],
) -> Floats:
    """March the layers of some members; what they say beyond the section, shape (times, 4, k, m), [%].

    Parameters
    ----------
    layers : Layers
        Of these members.
    first, watched : Watched
        The section at the start, and at the moments watched.
    watched_s : ndarray, shape (t,)
        Those moments, not decreasing, the wanted ones among them. [s]
    at_s : ndarray, shape (times,)
        Moments wanted, not decreasing. [s]
    edges : (ndarray, ndarray)
        Cell edges of the section along x and along y. [mm]
    potential : Potential
        Of these members.
    air : layout.Air
        As the section had it.
    midwinter_s : float
        A midwinter. [s]
    spans : sequence of (float, float, mapping of Face to ndarray)
        Stretches of time in which no face changes, and the faces' resistances, shape (m,). [s, s, s/m]

    Returns
    -------
    ndarray, shape (times, 4, k, m)
        At the depths `Layers.depths_mm`; 0 at the last. [%]
    """
    from baulk.models.drying import kernel  # noqa: PLC0415 - as in `solver`

    inner_s, which = np.unique(watched_s, return_index=True)
    at_deep, m, n = np.array([layers.deep_mm]), layers.damp.size, CELLS
    known, middles = watched.at(which), (layers.edges_mm[1:] + layers.edges_mm[:-1]) / 2
    deep = known.under_faces_pct(edges, at_deep, potential)[..., 0]
    fed = layers.sideways(deep, known.bends(edges, at_deep)[..., 0])
    inner, side = (np.ascontiguousarray(each.transpose(2, 0, 1).reshape(-1, 4 * m)) for each in (deep, fed))
    state = (
        first.under_faces_pct(edges, middles, potential)[:, :, 0].transpose(2, 0, 1).reshape(n, 4 * m).copy()
    )
    found, face = np.empty((at_s.size, n, 4 * m)), np.empty((at_s.size, 4, m))
    control, done = np.array([SHORTEST_S, LONGEST_S, SHARE, midwinter_s, air.slope_per_pct, air.mean]), 0
    for begin, end, resist in spans:
        upto = at_s.size if end == spans[-1][1] else int(np.searchsorted(at_s, end, side="right"))
        at = at_s[done:upto]
        kernel.layers(
            state, found[done:upto], at, np.array([begin, end]), air.rows, control, layers.axis(resist),
            inner_s, inner, side, middles / layers.deep_mm,
        )  # fmt: skip
        face[done:upto] = layers.faces_pct(
            found[done:upto, 0].reshape(-1, 4, m), air.at(at, midwinter_s), resist
        )
        done = upto
    means = found.reshape(at_s.size, n, 4, m).transpose(3, 2, 0, 1)
    fine = potential.values(means, layers.edges_mm, layers.depths_mm).transpose(1, 0, 2, 3)
    fine[..., 0] = face.transpose(1, 2, 0)
    coarse = watched.at(np.searchsorted(watched_s, at_s)).under_faces_pct(edges, layers.depths_mm, potential)
    found = (fine - coarse).transpose(2, 0, 3, 1)
    found[:, :, -1] = 0.0
    return np.ascontiguousarray(found)
