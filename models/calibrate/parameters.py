"""What differs from timber to timber: the parameters that a fit varies between its members, and their priors.

Rows of ``theta``, an array of shape (parameters, members). The readings inform all but the last three, which
stand for what no reading of this timber tells: how much it shrinks, and how its course ahead departs from the
model. They are drawn once with the rest so that the same readings give the same answer.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from baulk.models import sapwood
from baulk.models.cell_means import Potential
from baulk.models.constants import Floats
from baulk.models.diffusion import REFERENCE_PCT, DiffusionLaw
from baulk.models.drying import solver
from baulk.models.shrinkage import PIECES_VARY
from baulk.models.species import Species
from baulk.models.timber import Timber
from baulk.models.yard.prior import YardPrior

(
    D, SURFACE, START, BIAS, EMC, RATIO, GAP, DRIFT, SLOPE, RAISED, ENERGY, FSP, WET, SEASON, END, HEARTWOOD,
    DRIED, MISFIT, MISFIT_CORE, SHRINKAGE, AHEAD, AHEAD_CORE,
) = range(22)  # fmt: skip
PASSIVE: Final = slice(SHRINKAGE, AHEAD_CORE + 1)

START_SD_MEASURED_PCT: Final = 4.0  # one oven-dry section against a whole timber; common practice, no source
START_SD_SHARE: Final = sapwood.GREEN_SD_SHARE  # of the species' table value
WETTEST_SD: Final = 3.0  # standard deviations from the middle to the wettest that a timber can have been
# The first row is one of drying times. A flatter law or a lower step above saturation dries an 8 in oak
# more slowly, from green to 40 % on the mean, as ln D lower by so much does (runs of the model, no source):
# so a member that has one gets a higher D in exchange: readings tell the time, hardly its parts.
SLOWER_BY_SLOPE_PCT: Final = 8.0
# What flows is the integral of D, from the air up to saturation and on to green wood: a part of bound water
# and, where D has no step at saturation, so many times as much of free water. However low the step is, the
# first part is left: a front that eats its way in. Set beside runs of the model, no source.
FREE_OVER_BOUND: Final = 2.3
USUAL_SLOPE_PCT: Final = 0.098
# middle of the step above saturation, against the law's: a front of drying that is steeper than a constant D
# gives; set on the bench tests/bench/honesty, no source
LN_STEP: Final = -0.75


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """One row of ``theta``.

    Parameters
    ----------
    name : str
        What it is.
    sd : float
        Standard deviation of the prior, in the row's own unit.
    low, high : float
        What it is held within, as a departure from the middle of the prior unless `absolute`.
    absolute : bool
        Whether the bounds are values of the row itself.
    source : str
        Where the standard deviation comes from.
    """

    name: str
    sd: float
    low: float
    high: float
    source: str
    absolute: bool = False


_OWN: Final = "our own judgement, no source"
PARAMETERS: Final = (
    Parameter(
        name="ln_d", sd=float(np.log(2)), low=-3.5, high=3.5,
        source="a factor of two each way: heavy timbers, reference drying-checks C09 to C31",
    ),
    Parameter(name="ln_surface", sd=0.5, low=-2.5, high=2.5, source="common practice, no source"),
    Parameter(name="start", sd=0.0, low=8.0, high=250.0, source="see start_of", absolute=True),
    Parameter(
        name="meter_bias", sd=1.5, low=-8.0, high=8.0,
        source="within -2 to +2 % of oven-dry: FPInnovations report 16773 (2015), abstract",
    ),
    Parameter(
        name="emc_offset", sd=1.3, low=-4.0, high=4.0,
        source="extractives, hysteresis, a biased sensor; common practice, no source",
    ),
    Parameter(
        name="ln_ratio", sd=0.2, low=-1.0, high=1.0, source=f"ratios between 1 and 1.8 in hardwoods; {_OWN}"
    ),
    Parameter(
        name="gap_offset", sd=1.5, low=-5.0, high=5.0,
        source=f"usual air against that of one place and year; {_OWN}",
    ),
    Parameter(name="scale_drift", sd=0.3, low=-2.0, high=2.0, source=f"of the weight in a year; {_OWN}"),
    Parameter(
        name="slope", sd=0.035, low=0.005, high=0.19, absolute=True,
        source="laws fitted to one wood differ between 0.04 and 0.14 a point; common practice, no source",
    ),
    Parameter(
        name="ln_raised", sd=1.2, low=-3.5, high=2.6,
        source=f"free water moves by itself or, in plugged heartwood, hardly at all: nine in ten from a "
        f"fifteenth of D at saturation, as good as a front, to three times; {_OWN}",
    ),
    Parameter(
        name="activation", sd=7_000.0, low=15_000.0, high=60_000.0, absolute=True,
        source="19 (Tschernitz and Simpson 1979) to 44 kJ/mol (Simpson 1993, recalled), nine in ten between",
    ),
    Parameter(
        name="saturation", sd=2.0, low=-6.0, high=6.0,
        source="pieces of one wood differ by some points; common practice, no source",
    ),
    Parameter(
        name="wet_slope", sd=0.12, low=0.0, high=0.8, absolute=True,
        source="a decade of resistance for some ten points of a meter's scale near saturation; recalled",
    ),
    Parameter(name="surface_season", sd=0.3, low=-1.0, high=1.0, source=f"wind and sun by season; {_OWN}"),
    Parameter(
        name="ln_end_loss", sd=0.5, low=-2.0, high=1.5,
        source=f"along the grain 10 to 15 times as fast as across (see ends), a coat more or less; {_OWN}",
    ),
    Parameter(
        name="heartwood_mm", sd=0.0, low=-400.0, high=400.0,
        source="radius of the heartwood about the pith, below 0 as at 0: see `sapwood.prior_mm`",
    ),
    Parameter(
        name="dried_mm", sd=25.0, low=-80.0, high=80.0,
        source=f"how far in it had dried before it arrived; three members in four not at all; {_OWN}",
    ),
    Parameter(name="misfit", sd=1.2, low=-4.0, high=4.0, source=f"points of the mean half-way down; {_OWN}"),
    Parameter(
        name="misfit_core", sd=2.0, low=-6.0, high=6.0, source=f"points of the core half-way down; {_OWN}"
    ),
    Parameter(
        name="ln_shrinkage", sd=PIECES_VARY, low=-0.6, high=0.6,
        source="pieces differ by 15 % of the shrinkage: Wood Handbook chapter 4, from memory",
    ),
    Parameter(name="ahead", sd=1.0, low=-3.0, high=3.0, source="standard normal, see `ensemble`"),
    Parameter(name="ahead_core", sd=1.0, low=-3.0, high=3.0, source="standard normal, see `ensemble`"),
)  # fmt: skip
NAMES: Final = tuple(each.name for each in PARAMETERS)
SLOPE_SHIFT_PCT: Final = -0.02  # laws between 0.04 and 0.14: their middle by ratio; see Parameter "slope"
DRIED_MM: Final = -15.0  # below 0 is green to the face, as most timbers come; see Parameter "dried_mm"
WET_SLOPE: Final = 0.2  # middle of the prior; see Parameter "wet_slope"


def middle(timber: Timber, species: Species, law: DiffusionLaw) -> Floats:
    """Return the middle of the prior of every row, shape (22,)."""
    found = np.zeros(len(PARAMETERS))
    found[START] = start_of(timber, species)[0]
    found[SLOPE] = law.slope_per_pct + SLOPE_SHIFT_PCT
    found[RAISED] = np.log(law.raised_above_fsp) + LN_STEP
    found[ENERGY] = law.activation_j_mol
    found[FSP] = law.fsp_pct
    found[WET] = WET_SLOPE
    found[DRIED] = DRIED_MM
    found[HEARTWOOD] = sapwood.prior_mm(timber.section, species, timber.heartwood_mm)[0]
    return found


def prior(  # noqa: PLR0913 - all that a prior is made of
    timber: Timber,
    species: Species,
    law: DiffusionLaw,
    members: int,
    rng: np.random.Generator,
    *,
    yard: YardPrior | None = None,
) -> Floats:
    """Draw the ensemble before any reading.

    Parameters
    ----------
    timber, species : Timber and Species
        For the start, measured or from the table.
    law : DiffusionLaw
        Middle of the prior of the law.
    members : int
        How many, at least 2.
    rng : Generator
        Source of the draws.
    yard : YardPrior, optional
        What the other timbers of the yard have taught, in place of the usual mean and standard deviation, and
        how rows that they tell together hang together.

    Returns
    -------
    ndarray, shape (22, members)
        One row for each of `PARAMETERS`, in its own unit. The rows have exactly their means and standard
        deviations and no other correlation, as far as there are more members than rows.
    """
    usual = middle(timber, species, law)
    centre, sd, drawn = usual.copy(), spreads(timber, species), _white(len(PARAMETERS), members, rng)
    if yard is not None:
        for i, each in enumerate(PARAMETERS):
            if (row := yard.row(each.name)) is not None:
                centre[i], sd[i] = row.mean, row.sd
        if yard.together:
            at = [NAMES.index(name) for name in yard.together]
            drawn[at] = np.linalg.cholesky(np.array(yard.correlation)) @ drawn[at]
    return bounded(centre[:, None] + sd[:, None] * drawn, usual)


def spreads(timber: Timber, species: Species) -> Floats:
    """Return the standard deviation of the prior of every row, shape (22,)."""
    sd = np.array([each.sd for each in PARAMETERS])
    sd[START] = start_of(timber, species)[1]
    if sapwood.differs(species):
        sd[HEARTWOOD] = sapwood.prior_mm(timber.section, species, timber.heartwood_mm)[1]
    return sd


def _white(rows: int, members: int, rng: np.random.Generator) -> Floats:
    """Draw standard normals without chance correlations between the rows.

    Second-order exact sampling: Pham, D. T., 2001. Monthly Weather Review 129, 1194-1207.
    """
    draws = rng.standard_normal((rows, members))
    draws -= draws.mean(axis=1, keepdims=True)
    if members > rows + 1:
        draws = np.linalg.solve(np.linalg.cholesky(draws @ draws.T / members), draws)
    return np.asarray(draws / np.maximum(draws.std(axis=1, keepdims=True), 1e-12))


def start_of(timber: Timber, species: Species) -> tuple[float, float]:
    """Moisture content at arrival and its standard deviation before any reading, both in %.

    Of the whole section where it was measured, else of its heartwood.
    """
    if timber.green_mc_pct is not None:
        return timber.green_mc_pct, START_SD_MEASURED_PCT
    return species.green_heartwood_mc_pct, START_SD_SHARE * species.green_heartwood_mc_pct


def mean_start(timber: Timber, species: Species) -> tuple[float, float]:
    """Mean moisture content of the section at arrival, and the wettest that it can have been, in %."""
    if timber.green_mc_pct is not None:
        return timber.green_mc_pct, timber.green_mc_pct + WETTEST_SD * START_SD_MEASURED_PCT
    radius, sd = sapwood.prior_mm(timber.section, species, timber.heartwood_mm)
    radii = np.maximum(np.array([radius, radius - WETTEST_SD * sd, radius + WETTEST_SD * sd]), 0.0)
    green = sapwood.green_pct(species, sapwood.share(timber.section, radii))
    return float(green[0]), float(green.max()) * (1 + WETTEST_SD * START_SD_SHARE)


def bounded(theta: Floats, centre: Floats) -> Floats:
    """Hold every member inside what can be.

    Parameters
    ----------
    theta : ndarray, shape (22, m)
        The ensemble.
    centre : ndarray, shape (22,)
        Middle of the prior.

    Returns
    -------
    ndarray, shape (22, m)
        The same, held.
    """
    away = np.array([0.0 if each.absolute else 1.0 for each in PARAMETERS]) * centre
    low = np.array([each.low for each in PARAMETERS]) + away
    high = np.array([each.high for each in PARAMETERS]) + away
    return np.clip(theta, low[:, None], high[:, None])


def ln_d(theta: Floats) -> Floats:
    """Return ln of each member's factor on the law's D at 20 degC and 20 %, shape (m,)."""
    by_step = np.log((1 + FREE_OVER_BOUND * np.exp(theta[RAISED])) / (1 + FREE_OVER_BOUND))
    return np.asarray(theta[D] - SLOWER_BY_SLOPE_PCT * (theta[SLOPE] - USUAL_SLOPE_PCT) - by_step)


def potential(theta: Floats) -> Potential:
    """Return the integral of D over moisture by which points are read from each member's cells."""
    free = np.exp(theta[RAISED] + theta[SLOPE] * (theta[FSP] - REFERENCE_PCT))
    return Potential(slope_per_pct=theta[SLOPE].copy(), fsp_pct=theta[FSP].copy(), free=free)


def members(theta: Floats, *, silent: bool = False) -> solver.Members:
    """Return the ensemble as the drying model takes it, in measured or in unmeasured air.

    Parameters
    ----------
    theta : ndarray, shape (22, m)
        The ensemble.
    silent : bool
        Whether nobody measured the air.

    Returns
    -------
    Members
        The ensemble.
    """
    return solver.Members(
        d_factor=np.exp(ln_d(theta)),
        surface_factor=np.exp(theta[SURFACE]),
        start_mc_pct=theta[START].copy(),
        emc_offset_pct=theta[EMC] + theta[GAP] if silent else theta[EMC].copy(),
        ratio_factor=np.exp(theta[RATIO]),
        slope_per_pct=theta[SLOPE].copy(),
        fsp_pct=theta[FSP].copy(),
        raised_above_fsp=np.exp(theta[RAISED]),
        heartwood_mm=np.maximum(theta[HEARTWOOD], 0.0),
        activation_j_mol=theta[ENERGY].copy(),
        surface_season=theta[SEASON].copy(),
        shrinkage_factor=np.exp(theta[SHRINKAGE]),
    )
