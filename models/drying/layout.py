"""A section, its wood, its members and the air laid out for the compiled part of the drying model."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from baulk.models import sapwood
from baulk.models.air import AirSeries, remembered
from baulk.models.cell_means import LEAST_SLOPE, Potential
from baulk.models.constants import Floats
from baulk.models.diffusion import REFERENCE_PCT, DiffusionLaw, temperature_factor
from baulk.models.drying import axes
from baulk.models.drying.members import Members
from baulk.models.face_cover import CONDUCTANCE_M_S, Covers
from baulk.models.section import Face, Section
from baulk.models.sorption import emc_of_air_pct


def air_gaps(air: AirSeries, *, longer_than_s: float = 6 * 3600.0) -> tuple[tuple[float, float], ...]:
    """Stretches without a reading of the air; `dry` holds the last reading through them.

    Parameters
    ----------
    air : AirSeries
        The air.
    longer_than_s : float
        Shortest stretch to name. [s]

    Returns
    -------
    tuple of (float, float)
        Last moment before and first moment after each gap, POSIX seconds. [s]
    """
    gaps = np.nonzero(np.diff(air.posix_s) > longer_than_s)[0]
    return tuple((float(air.posix_s[i]), float(air.posix_s[i + 1])) for i in gaps)


# The face takes part in what the air does within a step, not in all of it: deep wood sees the mean of the
# potential (the integral of D) that the face has, for which the mean of the air's own would be too much and
# the mean EMC too little. Tried with 0, 0.5, 0.75 and 1 in four airs: values at 4 mm lean by -0.11, -0.05,
# -0.02 and +0.02 points
FACE_FOLLOWS: Final = 0.75


class Air(NamedTuple):
    """The air laid out so that what any step needs of it is a few subtractions.

    Parameters
    ----------
    rows : ndarray, shape (rows, 8)
        Seconds after the start from which a row holds; factor on D [-], EMC [%], and the integrals of both
        from the first row on [s, % s]; the potential of the EMC less its mean [%], and its integrals over
        warm time, alone and times warm time [% s, % s2]. Warm time is the integral of the factor.
    slope_per_pct : float
        Slope of the logarithm of D by which that potential is reckoned. [1/%]
    mean : float
        Its mean. [%]
    least_pct, most_pct : float
        Lowest and highest EMC from the start on, whenever it ends. [%]
    """

    rows: Floats
    slope_per_pct: float
    mean: float
    least_pct: float
    most_pct: float

    def at(self, at_s: Floats, midwinter_s: float) -> Floats:
        """Return factor on D, EMC and cosine of the season just before some moments, shape (3, t)."""
        row = np.maximum(np.searchsorted(self.rows[:, 0], at_s, side="left") - 1, 0)
        cold = np.cos(axes.YEAR_RAD_S * (at_s - midwinter_s))
        return np.stack([self.rows[row, 1], self.rows[row, 2], cold])


def integrated(air: AirSeries, law: DiffusionLaw, start_s: float, end_s: float) -> Air:
    """Lay out the air.

    Parameters
    ----------
    air : AirSeries
        Temperature and humidity; each reading holds until the next, the last one to the end, the first one
        back to the start.
    law : DiffusionLaw
        For its temperature factor and its slope.
    start_s, end_s : float
        Start and end, POSIX seconds. [s]

    Returns
    -------
    Air
        From the start on, up to the end.
    """
    first_s = min(float(air.posix_s[0]), start_s)
    rows = _whole(air, law.slope_per_pct, law.activation_j_mol, first_s)
    begin = max(int(np.searchsorted(air.posix_s, start_s, side="right")) - 1, 0)
    upto = max(int(np.searchsorted(air.posix_s, end_s, side="right")), begin + 1)
    found = rows.columns[begin:upto].copy()
    found[:, 0] -= start_s
    emc = rows.columns[begin:, 2]
    return Air(
        rows=found, slope_per_pct=rows.slope_per_pct, mean=rows.mean, least_pct=float(emc.min()),
        most_pct=float(emc.max()),
    )  # fmt: skip


class _Whole(NamedTuple):
    """All of a series of air, its moments in POSIX seconds; otherwise as `Air`."""

    columns: Floats
    slope_per_pct: float
    mean: float


# A forecast's years are asked again by roughing out and by the next timber of the place, whatever its wood;
# those of a build for every start: 33 series a timber, 29 of them the next one's too. So many are 8 MB (two
# years of six hours 190 kB, a record of a year of hours 560 kB)
@remembered(short=40, long=2)
def _whole(air: AirSeries, slope_per_pct: float, activation_j_mol: float, first_s: float) -> _Whole:
    """Return all of the air laid out, from a moment at or before its first reading."""
    emc = emc_of_air_pct(air)
    factor = temperature_factor(activation_j_mol, air.temp_c)
    at_s = air.posix_s.copy()
    at_s[0] = first_s
    slope = max(FACE_FOLLOWS * slope_per_pct, LEAST_SLOPE)
    potential = np.exp(slope * (emc - REFERENCE_PCT)) / slope
    mean = float(potential.mean())
    potential -= mean

    def upto(values: Floats, at: Floats) -> Floats:
        return np.concatenate([[0.0], np.cumsum(values[:-1] * np.diff(at))])

    warm = upto(factor, at_s)
    columns = (at_s, factor, emc, warm, upto(emc, at_s), potential, upto(potential, warm),
               upto(potential, warm**2 / 2))  # fmt: skip
    return _Whole(columns=np.ascontiguousarray(np.column_stack(columns)), slope_per_pct=slope, mean=mean)


def resistances(covers: Covers, members: Members, which: NDArray[np.intp]) -> dict[Face, Floats]:
    """Return the surface resistance of each face for some of the members, [s/m]."""
    return {face: 1 / (CONDUCTANCE_M_S[covers[face]] * members.surface_factor[which]) for face in Face}


def face_pct(  # noqa: PLR0913, PLR0917 - what both sides of a face ask
    cells_pct: Floats, now: Floats, wood: Floats, damp: Floats, grain: Floats, raised: Floats, resist: Floats,
    beside_m: float,
) -> Floats:  # fmt: skip
    """Compute the moisture of faces, at which the outermost cell gives what the face gives to the air.

    Parameters
    ----------
    cells_pct : ndarray, shape (t, f, m)
        Moisture of the outermost cells. [%]
    now : ndarray, shape (3, t)
        Factor on D, EMC [%] and cosine of the season.
    wood : ndarray, shape (6, m)
        As from `laws`.
    damp : ndarray, shape (m,)
        What is added to the EMC. [%]
    grain, raised : ndarray, shape (f, 1 or m)
        Factor on D by direction, and by sapwood above saturation. [-]
    resist : ndarray, shape (f, m)
        Surface resistance. [s/m]
    beside_m : float
        How deep the cells' middles lie. [m]

    Returns
    -------
    ndarray, shape (t, f, m)
        By Newton's method on the potential, from the wetter of cell and air. [%]
    """
    d_ref, slope, fsp, free, extra, season = wood
    slope, free = np.maximum(slope, LEAST_SLOPE), free * raised
    top = np.exp(slope * (fsp - REFERENCE_PCT)) / slope
    warm, emc, cold = (each[:, None, None] for each in now)
    pull = d_ref * grain * warm ** (1 + extra) / beside_m
    pull = pull * resist * np.exp(season * cold)

    def potential(m: Floats) -> tuple[Floats, Floats]:
        grows = np.exp(slope * (np.minimum(m, fsp) - REFERENCE_PCT))
        wet = m > fsp
        return np.where(wet, top + free * (m - fsp), grows / slope), np.where(wet, free, grows)

    air = np.broadcast_to(np.maximum(emc + damp, 0.0), cells_pct.shape)
    least, most, has = np.minimum(cells_pct, air), np.maximum(cells_pct, air), potential(cells_pct)[0]
    found = most.copy()
    for _ in range(_ROUNDS):
        gives, grows = potential(found)
        found -= (found - air - pull * (has - gives)) / (1 + pull * grows)
        np.clip(found, least, most, out=found)
    return np.asarray(found)


_ROUNDS: Final = 8
NEAR_M: Final = 0.003  # of a face; tried with 0 to 6 mm: the fewest steps for the same errors from 4 mm on


def laws(law: DiffusionLaw, members: Members) -> Floats:
    """Return what each member has of its own, or of the law.

    Parameters
    ----------
    law : DiffusionLaw
        What holds where the members have nothing of their own; the air is laid out with its activation
        energy, which must be above 0 if the members have theirs.
    members : Members
        The members.

    Returns
    -------
    ndarray, shape (6, m)
        D at 20 degC and 20 % [m2/s], slope of ln D [1/%], fibre saturation [%], D/d_ref above it [-], power
        on the temperature factor less 1 [-], amplitude of ln surface conductance over the year [-].

    Notes
    -----
    The mean of a power over a step is not the power of the mean: where the day swings by 8 K each way, a
    member with 1.2 times the law's 33 kJ/mol conducts 0.9 % less than it should (tested).
    """
    slope, fsp, raised, activation, season = (
        np.full(members.size, usual) if own is None else own
        for own, usual in (
            (members.slope_per_pct, law.slope_per_pct),
            (members.fsp_pct, law.fsp_pct),
            (members.raised_above_fsp, law.raised_above_fsp),
            (members.activation_j_mol, law.activation_j_mol),
            (members.surface_season, 0.0),
        )
    )
    free = raised * np.exp(slope * (fsp - REFERENCE_PCT))
    extra = (activation - law.activation_j_mol) / max(law.activation_j_mol, 1.0)
    return np.stack([law.d_ref_m2_s * members.d_factor, slope, fsp, free, extra, season])


def potential(law: DiffusionLaw, members: Members | None) -> Potential:
    """Return the integral of D over moisture by which points are read, of one run or of every member.

    Heartwood's throughout: sapwood's steeper kink at saturation changes a value by less than 0.2 points.
    """
    if members is None:
        raised = law.raised_above_fsp * np.exp(law.slope_per_pct * (law.fsp_pct - REFERENCE_PCT))
        slope, fsp, free = (np.asarray(each) for each in (law.slope_per_pct, law.fsp_pct, raised))
    else:
        _, slope, fsp, free, *_ = laws(law, members)
    return Potential(slope_per_pct=slope, fsp_pct=fsp, free=free)


def free_water(
    section: Section, law: DiffusionLaw, members: Members, x_edges: Floats, y_edges: Floats
) -> tuple[Floats, Floats]:
    """Return the factor on D above saturation at each cell face, sapwood's over heartwood's.

    Parameters
    ----------
    section : Section
        For its pith. [mm]
    law : DiffusionLaw
        For the factor of sapwood.
    members : Members
        For where its sapwood begins.
    x_edges, y_edges : ndarray, shape (nx + 1,) and (ny + 1,)
        Cell edges. [mm]

    Returns
    -------
    tuple of ndarray, shapes (nx + 1, ny, 1 or m) and (ny + 1, nx, 1 or m)
        Between two cells that of both in series, at the surface that of the outermost; (1, 1, 1) where
        nothing differs. [-]
    """
    if members.heartwood_mm is None or law.sapwood_raised == 1.0:
        return np.ones((1, 1, 1)), np.ones((1, 1, 1))
    of_sapwood = sapwood.shares(section, x_edges, y_edges, members.heartwood_mm)
    resists = np.exp(-np.log(law.sapwood_raised) * of_sapwood)

    def along(cells: Floats, edges: Floats) -> Floats:
        wide = np.diff(edges)[:, None, None]
        between = (cells[:-1] * wide[:-1] + cells[1:] * wide[1:]) / (wide[:-1] + wide[1:])
        return 1 / np.concatenate([cells[:1], between, cells[-1:]])

    return along(resists.transpose(2, 1, 0), x_edges), along(resists.transpose(1, 2, 0), y_edges)


def axis(  # noqa: PLR0913, PLR0917 - laid out for the compiled part
    width: Floats, shares: tuple[Floats, Floats], across: Floats, factor: tuple[Floats, Floats],
    wood: Floats, offset: Floats, resist: tuple[Floats, Floats],
) -> axes.Axis:  # fmt: skip
    """Lay out one direction for a chunk of members.

    `shares` as from `slope_shares` and `centre_shares` of the widths, `factor` as from `grain` and from
    `free_water`, `wood` as from `laws`.
    """
    gap = np.concatenate([[1.0], (width[1:] + width[:-1]) / 2, [1.0]])
    lines, members = across.size, offset.size
    d_ref, slope, fsp, free, extra, season = wood
    lanes = np.empty((8, lines, members), np.float32)
    lanes[axes.ACROSS] = across[:, None]
    for row, own in enumerate((offset, *resist, slope, fsp, extra, season), axes.OFFSET):
        lanes[row] = own

    def laid(values: Floats, faces: int = gap.size) -> axes.Light:
        filled = np.empty((faces, lines, members), np.float32)
        filled[...] = values
        return filled.reshape(faces, -1)

    return axes.Axis(
        width=width,
        grain=laid(factor[0] / gap[:, None, None] * d_ref),
        blend=np.ascontiguousarray(shares[0], np.float32),
        centre=np.ascontiguousarray(shares[1], np.float32),
        lanes=lanes.reshape(8, -1),
        free=laid(factor[1] * free, factor[1].shape[0]),
    )


def counted(width: Floats, side: float) -> Floats:
    """Return how much of each cell's width counts in the error of a step: little of what lies near a face.

    What lies within 3 mm of a face follows the hours, which no value that anybody asks for does; counted in
    full it would set the steps of the whole section.

    Parameters
    ----------
    width : ndarray, shape (n,)
        Cell widths. [m]
    side : float
        Smaller side of the section, of which a twenty-fifth is near if that is less. [m]
    """
    upto = np.cumsum(width)
    middle = upto - width / 2
    deep = np.minimum(middle, upto[-1] - middle)
    return np.asarray(width * np.minimum((deep / min(NEAR_M, 0.04 * side)) ** 2, 1.0))


def alike(wood: Floats, sapwood_free: Floats, most: int) -> list[NDArray[np.intp]]:
    """Deal the members out to chunks of at most so many that dry about as fast, since a chunk steps as one.

    `wood` as from `laws`, and what sapwood makes of its D above saturation, shape (1,) or (m,). By D near
    saturation, for wet wood needs the most steps.
    """
    d_ref, slope, fsp, free, *_ = wood
    speed = d_ref * np.sqrt(np.exp(slope * (fsp - REFERENCE_PCT)) * free * sapwood_free)
    order = np.argsort(speed, kind="stable")
    return [order[i : i + most] for i in range(0, order.size, most)]


def grain(
    section: Section, law: DiffusionLaw, x_edges: Floats, y_edges: Floats, ratio_factor: Floats | None = None
) -> tuple[Floats, Floats]:
    """Factor on the mean D at each cell face, along x (nx + 1, ny, 1 or m) and y (ny + 1, nx, 1 or m)."""
    ratio = law.radial_over_tangential * (np.ones(1) if ratio_factor is None else ratio_factor)
    tangential = 2 / (1 + ratio)
    radial = tangential * ratio
    x_mid, y_mid = (x_edges[1:] + x_edges[:-1]) / 2, (y_edges[1:] + y_edges[:-1]) / 2

    def along(forward: Floats, sideways: Floats) -> Floats:
        a, b = forward[:, None, None] ** 2, sideways[None, :, None] ** 2
        share = (a + 1e-9) / (a + b + 2e-9)
        return np.asarray(radial * share + tangential * (1 - share))

    return (
        along(x_edges - section.pith_x_mm, y_mid - section.pith_y_mm),
        along(y_edges - section.pith_y_mm, x_mid - section.pith_x_mm),
    )
