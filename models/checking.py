"""The shop's air: where mould starts, and the mildest published safe start for green stock."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from baulk.models import schedules
from baulk.models.air import AirSeries
from baulk.models.constants import Floats
from baulk.models.errors import OutOfRange
from baulk.models.schedules import Step
from baulk.models.section import Section
from baulk.models.species import Species


@dataclass(frozen=True, slots=True, kw_only=True)
class Floor:
    """The driest air that a published schedule tolerates at one stage of drying.

    Parameters
    ----------
    above_pct : float
        Holds while the wettest piece is above this mean moisture content. [%]
    emc_pct : float
        Equilibrium moisture content of that air. [%]
    words : str
        The air as the source prints it.
    source : str
        Where it is printed.
    """

    above_pct: float
    emc_pct: float
    words: str
    source: str


def floor_of(step: Step) -> Floor:
    """Return a step of a published schedule as the driest air that it tolerates."""
    humidity = "" if step.rh_pct is None else f", {step.rh_pct:g} % RH"
    return Floor(
        above_pct=step.above_mc_pct,
        emc_pct=step.emc_pct,
        words=f"{step.dry_bulb_f:g} °F with a {step.depression_f:g} °F wet-bulb depression{humidity}",
        source=step.cited,
    )


# the mildest start that was read in its source; it is for 4/4 boards of Oregon white oak: for a heavy timber
# a comparison, never a promise
MILDEST_START: Final = tuple(
    floor_of(each) for each in schedules.steps() if each.schedule == "Espenas-Kozlik"
)


def mould_limit_pct(temp_c: ArrayLike) -> NDArray[np.float64]:
    """Lowest relative humidity at which mould can grow on wood, given weeks of it.

    Parameters
    ----------
    temp_c : array_like, shape (...,)
        Air temperature, 0 to 50. [degC]

    Returns
    -------
    ndarray, shape (...,)
        Critical relative humidity; 80 above 20 degC, at most 100. [%]

    Raises
    ------
    OutOfRange
        If a temperature lies outside 0 to 50 degC, where mould does not grow.

    References
    ----------
    .. [1] Hukka, A., Viitanen, H. (1999): Wood Sci. Technol. 33, critical humidity; the sign of the linear
       term is fixed by continuity with 80 % at 20 degC.

    Examples
    --------
    >>> float(mould_limit_pct(25.0))
    80.0
    """
    t = np.asarray(temp_c, dtype=float)
    if np.any((t < 0) | (t > 50)):
        raise OutOfRange("the air temperature", "for a mould limit lies between 0 and 50 °C")
    cold = -0.00267 * t**3 + 0.160 * t**2 - 3.13 * t + 100.0
    return np.asarray(np.where(t > 20, 80.0, np.clip(cold, 80.0, 100.0)))


DECIDED_ABOVE_PCT: Final = 45.0  # Wengert: every drying defect but cup begins above it


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """First stages of a published schedule.

    Parameters
    ----------
    species : str
        Name in the species table.
    thickness_mm : float
        Boards that it was made for. [mm]
    stages : tuple of Floor
        Driest air of each stage, wettest wood first.
    mark : str
        "read" or "memory".
    """

    species: str
    thickness_mm: float
    stages: tuple[Floor, ...]
    mark: str


def starts_of(steps: Iterable[Step]) -> tuple[Start, ...]:
    """Put the steps of each schedule together."""
    return tuple(
        Start(
            species=first.species,
            thickness_mm=first.thickness_mm,
            stages=tuple(floor_of(each) for each in (first, *rest)),
            mark=first.mark,
        )
        for _, (first, *rest) in groupby(steps, key=lambda each: (each.schedule, each.species))
    )


STARTS: Final = starts_of(schedules.steps())


def start_for(species: Species, thickness_mm: float) -> Start | None:
    """Find the mildest published safe start of a species for the thickness nearest below a piece's.

    Parameters
    ----------
    species : Species
        The wood.
    thickness_mm : float
        Smaller side of the piece. [mm]

    Returns
    -------
    Start or None
        None where no start of that species is known here; another wood's says nothing about it.

    References
    ----------
    Espenas, L. D., Kozlik, C. J., 1975 (4/4 Oregon white oak). Rasmussen, E. F., 1961, AH-188 (the others,
    from memory).
    """
    same = [each for each in STARTS if each.species == species.name]
    if not same:
        return None
    thin = [each for each in same if each.thickness_mm <= thickness_mm * 1.001]
    return (
        max(thin, key=lambda each: each.thickness_mm)
        if thin
        else min(same, key=lambda each: each.thickness_mm)
    )


def surface_strain_pct(species: Species, surface_pct: ArrayLike, mean_share: ArrayLike = 0.0) -> Floats:
    """Tangential strain that a surface wants beyond what the section has done.

    Parameters
    ----------
    species : Species
        Tangential shrinkage and its onset.
    surface_pct : array_like
        Moisture content of the surface. [%]
    mean_share : array_like
        Share of its shrinkage that the section as a whole has done, 0 to 1. [-]

    Returns
    -------
    ndarray
        0 or more. [% of length]

    References
    ----------
    Wood Handbook, FPL-GTR-282, chapter 4 (linear law).
    """
    onset = species.shrinkage_onset_pct
    share = np.clip(1 - np.asarray(surface_pct, dtype=float) / onset, 0.0, 1.0)
    return np.asarray(species.shrinkage_tangential_pct * np.maximum(share - np.asarray(mean_share), 0.0))


def stage_for(species: Species, section: Section, mean_mc_pct: float) -> tuple[Start, Floor] | None:
    """Find the published start and the stage of it that a piece is held against.

    Parameters
    ----------
    species : Species
        The wood.
    section : Section
        The piece. [mm]
    mean_mc_pct : float
        Its mean moisture content. [%]

    Returns
    -------
    (Start, Floor) or None
        None where no start of that species is known, or the section is drier than its last wet stage, when
        the surface no longer decides.
    """
    start = start_for(species, min(section.width_mm, section.depth_mm))
    if start is None:
        return None
    stage = next((each for each in start.stages if mean_mc_pct > each.above_pct), None)
    return None if stage is None else (start, stage)


def mould_share(air: AirSeries, *, since_s: float) -> float:
    """Share of the time since a moment in which the air would let mould grow, given weeks of it.

    Parameters
    ----------
    air : AirSeries
        Each reading holds until the next. [degC, %]
    since_s : float
        Counted from here to the last reading. [s]

    Returns
    -------
    float
        0 to 1; 0 below 0 and above 50 degC, where it does not grow.

    Raises
    ------
    OutOfRange
        If there are not two readings since then.

    References
    ----------
    Hukka, A., Viitanen, H., 1999. Wood Sci. Technol. 33, 475-485: the critical humidity only, not the index.
    """
    inside = air.posix_s >= since_s
    if np.count_nonzero(inside) < 2:
        raise OutOfRange("the air", "needs two readings in the time asked for")
    temp, rh, at_s = air.temp_c[inside], air.rh_pct[inside], air.posix_s[inside]
    grows = (temp >= 0) & (temp <= 50)
    grows[grows] = rh[grows] > mould_limit_pct(temp[grows])
    held = np.diff(at_s)
    return float(np.sum(held * grows[:-1]) / held.sum())
