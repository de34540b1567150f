"""Sapwood as geometry: where it begins, how much of a section it is, and what a green timber then weighs.

The boundary of the heartwood is a circle about the pith, as the rings are. Its radius is measured on the
end, told by the width of the sapwood at the corner farthest from the pith, or drawn from what is usual in
the wood.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from baulk.models import gravimetric
from baulk.models.constants import Floats
from baulk.models.errors import OutOfRange
from baulk.models.reason import Reason
from baulk.models.section import Section
from baulk.models.species import Species
from baulk.models.timber import Timber

# Most woods have 4 to 6 cm of sapwood (Wood Handbook, FPL-GTR-282, chapter 3, from memory)
ANY_WIDTH_MM: Final = 50.0
WIDTH_SD_SHARE: Final = 0.4  # of the width, from tree to tree; common practice, no source
# What the saw leaves between the farthest corner and the bark; our own judgement, no source
UNDER_BARK_MM: Final = 10.0
UNDER_BARK_SD_MM: Final = 15.0  # from log to log; our own judgement, no source
MEASURED_SD_MM: Final = 5.0  # the boundary is no true circle; our own judgement, no source
# Trees of one wood: Wood Handbook, FPL-GTR-282, chapter 5, coefficient of variation of gravity, from memory
DENSITY_SD_SHARE: Final = 0.10
GREEN_SD_SHARE: Final = 0.15  # of the table's green moisture, from tree to tree; common practice, no source
DIFFERS_SHARE: Final = 0.1  # of heartwood's green moisture: less is lost in its own doubt; no source
LIFT_ALONE_KG: Final = 25.0  # more than one person should lift; common practice, local rules first, no source
_CELLS: Final = 64
_STEPS: Final = 41  # equally likely values of each number that a weight hangs on


def farthest_mm(section: Section) -> float:
    """Compute how far the corner farthest from the pith lies from it.

    Parameters
    ----------
    section : Section
        The section with its pith. [mm]

    Returns
    -------
    float
        Distance. [mm]

    References
    ----------
    Geometry; no source needed.
    """
    across = section.width_mm / 2 + abs(section.pith_x_mm)
    return float(np.hypot(across, section.depth_mm / 2 + abs(section.pith_y_mm)))


def radius_mm(section: Section, width_mm: float) -> float:
    """Compute the radius of the heartwood from the width of the sapwood at the corner farthest from the pith.

    Parameters
    ----------
    section : Section
        The section with its pith. [mm]
    width_mm : float
        Along the line from that corner to the pith, 0 or more; more than that line is all sapwood. [mm]

    Returns
    -------
    float
        Distance of the boundary from the pith, 0 or more. [mm]

    Raises
    ------
    OutOfRange
        If the width is below 0.

    References
    ----------
    Geometry; no source needed.
    """
    if not 0 <= width_mm < float("inf"):  # also refuses NaN
        raise OutOfRange("the width of the sapwood", f"must be 0 or more, not {width_mm:g} mm")
    return max(farthest_mm(section) - width_mm, 0.0)


def usual_mm(section: Section, species: Species) -> tuple[float, float]:
    """Tell the radius of the heartwood that is usual in a wood, with its doubt.

    Parameters
    ----------
    section : Section
        As sawn, with its pith. [mm]
    species : Species
        For the usual width of its sapwood.

    Returns
    -------
    (float, float)
        Middle and standard deviation, as if the section had been sawn close to the bark at its farthest
        corner. The middle lies beyond that corner where the sapwood is narrower than what the saw takes. [mm]

    References
    ----------
    Widths: the rows ``sapwood_width`` of the species table, each with its source.
    """
    width = ANY_WIDTH_MM if species.sapwood_width_mm is None else species.sapwood_width_mm
    sd = float(np.hypot(WIDTH_SD_SHARE * width, UNDER_BARK_SD_MM))
    return farthest_mm(section) - width + UNDER_BARK_MM, sd


def shares(section: Section, x_edges_mm: Floats, y_edges_mm: Floats, heartwood_mm: ArrayLike) -> Floats:
    """Compute how much of each cell is sapwood.

    Parameters
    ----------
    section : Section
        For its pith. [mm]
    x_edges_mm, y_edges_mm : ndarray, shape (nx + 1,) and (ny + 1,)
        Cell edges. [mm]
    heartwood_mm : array_like, shape () or (m,)
        Radius of the heartwood. [mm]

    Returns
    -------
    ndarray, shape (ny, nx) or (m, ny, nx)
        0 to 1, by a straight boundary through the cell across the line to the pith. [-]

    References
    ----------
    Geometry; no source needed.
    """
    x = (x_edges_mm[1:] + x_edges_mm[:-1]) / 2 - section.pith_x_mm
    y = ((y_edges_mm[1:] + y_edges_mm[:-1]) / 2 - section.pith_y_mm)[:, None]
    away = np.maximum(np.hypot(x, y), 1e-9)
    deep = (np.abs(x) * np.diff(x_edges_mm) + np.abs(y) * np.diff(y_edges_mm)[:, None]) / away
    heart = np.asarray(heartwood_mm, dtype=np.float64)[..., None, None]
    return np.asarray(np.clip(0.5 + (away - heart) / np.maximum(deep, 1e-9), 0.0, 1.0))


def share(section: Section, heartwood_mm: ArrayLike) -> Floats:
    """Compute how much of a section is sapwood.

    Parameters
    ----------
    section : Section
        The section with its pith. [mm]
    heartwood_mm : array_like, shape () or (m,)
        Radius of the heartwood. [mm]

    Returns
    -------
    ndarray, shape () or (m,)
        0 to 1, within 0.002. [-]

    References
    ----------
    Geometry; no source needed.

    Examples
    --------
    >>> round(float(share(Section(width_mm=200, depth_mm=200), 100)), 3)  # 1 - pi/4
    0.215
    """
    x, y = (np.linspace(-side / 2, side / 2, _CELLS + 1) for side in (section.width_mm, section.depth_mm))
    return np.asarray(shares(section, x, y, heartwood_mm).mean(axis=(-2, -1)))


def differs(species: Species) -> bool:
    """Whether sapwood arrives markedly wetter or drier than heartwood, or lets free water through faster."""
    wet, heart = species.green_sapwood_mc_pct, species.green_heartwood_mc_pct
    return species.softwood or (wet is not None and abs(wet - heart) > DIFFERS_SHARE * heart)


def prior_mm(section: Section, species: Species, heartwood_mm: float | None) -> tuple[float, float]:
    """Tell the radius of the heartwood as measured, or what is usual, with its doubt.

    Parameters
    ----------
    section : Section
        As sawn, with its pith. [mm]
    species : Species
        The wood.
    heartwood_mm : float or None
        As measured. [mm]

    Returns
    -------
    (float, float)
        Middle and standard deviation. [mm]

    References
    ----------
    As in `usual_mm`; the doubt of a measured one: our own judgement, no source.
    """
    return usual_mm(section, species) if heartwood_mm is None else (heartwood_mm, MEASURED_SD_MM)


def green_pct(species: Species, sapwood_share: ArrayLike) -> Floats:
    """Compute the usual green moisture content of wood of which a share is sapwood.

    Parameters
    ----------
    species : Species
        For heartwood and sapwood; heartwood stands for both where no figure of sapwood is known.
    sapwood_share : array_like, shape (...,)
        0 to 1. [-]

    Returns
    -------
    ndarray, shape (...,)
        Moisture content. [% of oven-dry mass]

    References
    ----------
    Wood Handbook, FPL-GTR-282 (2021), Table 4-1, by the rows of the species table.
    """
    heart = species.green_heartwood_mc_pct
    sapwood = heart if species.green_sapwood_mc_pct is None else species.green_sapwood_mc_pct
    return np.asarray(heart + (sapwood - heart) * np.asarray(sapwood_share, dtype=np.float64))


@dataclass(frozen=True, slots=True, kw_only=True)
class GreenWeight:
    """What a green timber may weigh.

    Parameters
    ----------
    light_kg, usual_kg, heavy_kg : float
        One in twenty is lighter; by the middle of each number; and what to plan the lift for: one in twenty
        is heavier, or all sapwood where its boundary is not known, whichever weighs more. [kg]
    usual_mc_pct : float
        Mean moisture content behind the middle. [% of oven-dry mass]
    known : bool
        Whether the moisture was measured or the boundary of the sapwood is known.
    """

    light_kg: float
    usual_kg: float
    heavy_kg: float
    usual_mc_pct: float
    known: bool

    def reasons(self) -> tuple[Reason, ...]:
        """Return what is to be told of it: the range, and the caution where it is no lift for one person."""
        range_kg = {"light_kg": self.light_kg, "usual_kg": self.usual_kg, "heavy_kg": self.heavy_kg}
        found = Reason(code="weight.green", values={**range_kg, "known": self.known})
        if self.heavy_kg <= LIFT_ALONE_KG:
            return (found,)
        alone = {"heavy_kg": self.heavy_kg, "alone_kg": LIFT_ALONE_KG}
        return found, Reason(code="caution.lift", values=alone)


def entered(timber: Timber, weighs: GreenWeight) -> Reason:
    """Return what was understood of a timber that was entered, with what it may weigh green."""
    green, wanted = timber.section, timber.finished
    return Reason(
        code="timber.entered",
        values={
            "tag": timber.tag,
            "species": timber.species,
            "width_mm": green.width_mm,
            "depth_mm": green.depth_mm,
            "finished_width_mm": wanted.width_mm,
            "finished_depth_mm": wanted.depth_mm,
            "length_mm": timber.length_mm,
            "usual_kg": weighs.usual_kg,
        },
    )


def green_weight(
    section: Section,
    length_mm: float,
    species: Species,
    *,
    heartwood_mm: float | None = None,
    mc_pct: float | None = None,
) -> GreenWeight:
    """Estimate what a green timber weighs, from a light tree to a heavy one.

    Parameters
    ----------
    section : Section
        Green section with its pith. [mm]
    length_mm : float
        Length along the grain, above 0. [mm]
    species : Species
        The wood.
    heartwood_mm : float, optional
        Radius of the heartwood; without it what is usual in the wood. [mm]
    mc_pct : float, optional
        Measured mean moisture content, 0 or more; then only the density is in doubt. [%]

    Returns
    -------
    GreenWeight
        The range.

    Notes
    -----
    Over equally likely values of the boundary, of the green moisture (15 % from tree to tree) and of the
    basic density (10 %), independent of each other; no wood holds more water than its pores.

    References
    ----------
    Wood Handbook, FPL-GTR-282 (2021), Table 4-1 (green moisture), eq. 4-3 (the most that wood holds).
    """
    z = np.array([NormalDist().inv_cdf((i + 0.5) / _STEPS) for i in range(_STEPS)])
    density = species.basic_density_kg_m3 * np.exp(DENSITY_SD_SHARE * z)
    if mc_pct is not None:
        usual_pct, moisture = mc_pct, np.array([mc_pct])
    else:
        middle, sd = prior_mm(section, species, heartwood_mm)
        green = green_pct(species, share(section, np.maximum(middle + sd * z, 0.0)))
        usual_pct = float(green_pct(species, share(section, max(middle, 0.0))))
        moisture = np.outer(green, np.exp(GREEN_SD_SHARE * z)).ravel()[:, None]
        moisture = np.minimum(moisture, gravimetric.max_mc_pct(density))

    def kg(moisture_pct: Floats, density_kg_m3: Floats | float) -> Floats:
        return gravimetric.green_mass_kg(section, length_mm, moisture_pct, density_kg_m3)

    light, heavy = (float(each) for each in np.quantile(kg(moisture, density), (0.05, 0.95)))
    if heartwood_mm is None and mc_pct is None:
        all_of_one = green_pct(species, [0.0, 1.0])
        heavy = max(heavy, float(kg(all_of_one, species.basic_density_kg_m3).max()))
    return GreenWeight(
        light_kg=light,
        usual_kg=float(kg(np.asarray(usual_pct), species.basic_density_kg_m3)),
        heavy_kg=heavy,
        usual_mc_pct=usual_pct,
        known=mc_pct is not None or heartwood_mm is not None,
    )
