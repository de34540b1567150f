"""Checks of the truth: where and when a boxed heart opens, and what the surface tears on its way down.

A heart opens to that face where a slit frees most elastic energy for each mm that is broken (Griffith 1921,
Philosophical Transactions A 221, 163-198, from memory), each face with a toughness of its own, once the wood
holds as much energy as it would at a strain that is drawn; often it stops short of the pith, and a second,
shallower one opens another face. The surface is held by the wood below it: what it would shrink more than the
section does is its strain, which time and every change of its moisture relax (a Maxwell body with
mechano-sorption); it tears where the rest passes what the piece stands. Every number that is drawn here is
our own judgement, no source, and nothing of it is tuned to what the program tells.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from honesty import grid, mechanics
from honesty.opened import FACES, Body, Slit, to_pith_mm

TRIED = 0.2  # share of the whole shrinkage at which faces are compared
LEAST_MM = 2.0  # a shallower check is none


@dataclass(frozen=True, kw_only=True)
class Habit:
    """How one piece checks: what nobody knows beforehand."""

    tough: tuple[float, float, float, float]  # of the faces a, b, c, d against each other
    opens_at: float  # even share of the whole shrinkage that holds as much energy
    reaches: float  # share of the way from the face to the pith that the check goes
    second: float  # the same of a second one in another face, 0 for none
    stands_pct: float  # strain across the grain at which the surface tears
    relaxes_days: float
    creeps: float  # of the strain, for each point by which the surface's moisture changes
    planes_mm: float  # what a plane takes to clean a face
    bow_mm: float  # mid-ordinates over the timber's length, once dry
    crook_mm: float


def habit(piece):
    """Draw it, from the timber's number alone."""
    rng = np.random.default_rng([29, piece.number])
    bent = (0.8 if piece.kind.softwood else 1.0) * (piece.length_mm / 4000) ** 1.5
    return Habit(
        tough=tuple(np.exp(rng.normal(0, 0.25, 4)).tolist()),
        opens_at=float(rng.uniform(0.06, 0.3)),
        reaches=1.0 if rng.random() < 0.65 else float(rng.uniform(0.6, 1.0)),
        second=float(rng.uniform(0.2, 0.7)) if rng.random() < 0.35 else 0.0,
        stands_pct=float(2.0 * np.exp(rng.normal(0, 0.3))),
        relaxes_days=float(np.exp(rng.uniform(np.log(10), np.log(60)))),
        creeps=float(rng.uniform(0.04, 0.15)),
        planes_mm=float(rng.uniform(0.5, 2.5)),
        bow_mm=float(4.0 * bent * np.exp(rng.normal(0, 0.8))),
        crook_mm=float(4.0 * bent * np.exp(rng.normal(0, 0.8))),
    )


@lru_cache(maxsize=24)
def body(piece, size_mm, slits=()):
    """The section of a piece, whole or slit."""
    shrinks = [each * piece.shrinkage_factor for each in (piece.kind.radial_pct, piece.kind.tangential_pct)]
    return Body(size_mm, piece.pith_mm, piece.kind.elastic, shrinks, slits)


def boxed(piece, size_mm):
    """Whether the pith lies in a section cut about the middle of the timber."""
    return all(abs(at) < side / 2 for at, side in zip(piece.pith_mm, size_mm, strict=True))


def order(piece, size_mm):
    """Faces of a boxed section in the order in which they would open."""
    even = np.full((mechanics.CELLS, mechanics.CELLS), TRIED)
    whole, frees = body(piece, size_mm).freed(even), {}
    for face, tough in zip(FACES, habit(piece).tough, strict=True):
        deep = max(to_pith_mm(*size_mm, piece.pith_mm, face), LEAST_MM)
        opened = body(piece, size_mm, (Slit(face=face, depth_mm=deep),))
        frees[face] = (opened.freed(even) - whole) / deep / tough
    return sorted(frees, key=frees.get, reverse=True)


@lru_cache(maxsize=256)
def slits(piece, size_mm):
    """The checks of a boxed section once it has opened; none free of heart."""
    if not boxed(piece, size_mm):
        return ()
    own, first = habit(piece), order(piece, size_mm)
    parts = ((first[0], own.reaches), (first[1], own.second))
    found = [
        Slit(face=face, depth_mm=part * to_pith_mm(*size_mm, piece.pith_mm, face)) for face, part in parts
    ]
    return tuple(each for each in found if each.depth_mm > LEAST_MM)


def cut_down(found, size_mm, to_mm):
    """The checks of a timber in the piece that is sawn out of its middle."""
    shorter = [
        Slit(face=each.face, depth_mm=each.depth_mm - (size_mm[axis] - to_mm[axis]) / 2)
        for each in found
        for axis in (FACES[each.face][0],)
    ]
    return tuple(each for each in shorter if each.depth_mm > LEAST_MM)


def has_opened(piece, size_mm, shared):
    """Whether the heart has opened under a field of shares of the whole shrinkage."""
    opened = slits(piece, size_mm)
    if not opened:
        return False
    even = np.full((mechanics.CELLS, mechanics.CELLS), habit(piece).opens_at)
    whole, slit = body(piece, size_mm), body(piece, size_mm, opened)
    frees, needed = (slit.freed(each) - whole.freed(each) for each in (shared, even))
    return bool(frees >= needed)


class Squared:
    """A piece squared out of a timber's field: what its outline does from then on."""

    def __init__(self, piece, field, finished_mm):
        self.piece, self.size = piece, (finished_mm, finished_mm)
        timber = (piece.width_mm, piece.depth_mm)
        self.planed = shares(piece, field, self.size)
        self.was_open = has_opened(piece, timber, shares(piece, field, timber))
        if self.was_open:
            self.slits = cut_down(slits(piece, timber), timber, self.size)
        else:
            self.slits = slits(piece, self.size)
        first = body(piece, self.size, self.slits if self.was_open else ())
        self._then = first.measures(first.moved(self.planed))

    def change_mm(self, shared):
        """Changes since it was planed true; a heart that opens since lets go of what it held as well."""
        opened = self.was_open or has_opened(self.piece, self.size, shared)
        now = body(self.piece, self.size, self.slits if opened else ())
        after = now.measures(now.moved(shared))
        return {name: after[name] - self._then[name] for name in after}


def torn(truth):
    """By week from arrival: largest strain of the surface over what it stands, and depth of the checks in mm.

    Of all four faces and of any place on them that which is worst; a check is as deep as the tension was
    when it opened, and does not close.
    """
    piece, own = truth.piece, habit(truth.piece)
    days, fields = truth.kept_days, truth.fields_pct.astype(float)
    layer = layers(piece, fields)
    held = layer["strain_pct"] - layer["mean_pct"][:, None, None]
    elastic, over, deep = np.zeros(held.shape[1:]), np.zeros(days.size), np.zeros(days.size)
    for i in range(1, days.size):
        before, now = (np.minimum(layer["moist"][k], piece.fsp_pct) for k in (i - 1, i))
        eased = (days[i] - days[i - 1]) / own.relaxes_days + own.creeps * np.abs(now - before)
        keep = np.exp(-eased)  # what comes evenly over the week is eased for the half of it
        elastic = elastic * keep + (held[i] - held[i - 1]) * (1 - keep) / eased
        over[i] = elastic[0].max() / own.stands_pct
        worst = elastic[:, int(np.argmax(elastic[0]))]
        zone = layer["depth_mm"][np.flatnonzero(worst <= 0)[0] if np.any(worst <= 0) else -1]
        deep[i] = max(deep[i - 1], zone if over[i] >= 1 else 0.0)
    return over, deep


LAYERS = 8  # of the truth's cells below a face, about 33 mm
PLACES = slice(6, -6, 4)  # along a face, off its edges


def layers(piece, fields):
    """Moisture of layers below the faces, what they would shrink along them, and the section's mean of it."""
    cell = (piece.depth_mm / fields.shape[-2] + piece.width_mm / fields.shape[-1]) / 2
    most = piece.kind.tangential_pct * piece.shrinkage_factor
    stacks = [
        fields[:, ::-1][:, :LAYERS, PLACES],
        fields[:, :LAYERS, PLACES],
        np.swapaxes(fields, 1, 2)[:, :LAYERS, PLACES],
        np.swapaxes(fields[:, :, ::-1], 1, 2)[:, :LAYERS, PLACES],
    ]
    moist = np.concatenate(stacks, axis=2)
    surface = np.maximum((15 * moist[:, 0] - 10 * moist[:, 1] + 3 * moist[:, 2]) / 8, 1.0)  # of a parabola
    moist = np.concatenate([surface[:, None], moist], axis=1)
    return {
        "moist": moist,
        "strain_pct": most * mechanics.done(piece, moist),
        "mean_pct": most * mechanics.done(piece, fields).mean(axis=(1, 2)),
        "depth_mm": np.concatenate([[0.0], (np.arange(LAYERS) + 0.5) * cell]),
    }


def shares(piece, field, size_mm, cells=mechanics.CELLS):
    """Shares of the whole shrinkage over the even cells of a section cut out of the middle of a field."""
    edges = [np.linspace(-side / 2, side / 2, cells + 1) for side in size_mm]
    ny, nx = field.shape
    x = np.stack(
        [grid.covered(piece.width_mm, a, b, nx) for a, b in zip(edges[0][:-1], edges[0][1:], strict=True)]
    )
    y = np.stack(
        [grid.covered(piece.depth_mm, a, b, ny) for a, b in zip(edges[1][:-1], edges[1][1:], strict=True)]
    )
    return mechanics.done(piece, (y @ field @ x.T) / np.outer(y.sum(axis=1), x.sum(axis=1)))
