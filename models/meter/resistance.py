"""What a pin reading says about the wood between the pins."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from baulk.models.errors import OutOfRange
from baulk.models.species import Species

# the middle of 0.10 to 0.15 %MC per degC: SP Tra report PX21326 (2012) pp. 5-6, VTT Publications 420 (2000)
SLOPE_PER_C: Final = 0.125
# nine in ten of what is printed: 0.5 % for 10 degF (0.089 per degC) in the Wood Handbook, FPL-GTR-282 p.
# 13-3, to 1.6 % for 10 degC in the Swedish rule that PX21326 cites; at 0 degC from +1.8 to +3.2
_SLOPE_SD_PER_C: Final = (0.160 - 0.089) / 2 / 1.645
METER_REFERENCE_C: Final = 20.0
CURVE_REFERENCE_C: Final = 26.7  # 80 degF, the temperature of the table behind the curves
# five measuring methods lay within -2 to +2 %MC of oven-dry (FPInnovations 16773, 2015): taken as two sd
METER_SD_PCT: Final = 1.0
# beyond 22 % a pin reading loosens until fibre saturation; how fast is common experience, no source
_LOOSE_FROM_PCT: Final = 22.0
_SD_AT_FSP_PCT: Final = 3.0
_DRIEST_PCT: Final = 6.0  # below it the resistance is too high to measure: usual lower limit of pin meters
_MOST_ABOVE_PCT: Final = (
    40.0  # beyond it no meter tells one number from another; our own judgement, no source
)
_NO_CONTACT_PCT: Final = 4.0  # the rows behind the curves end at 7 %; drier than this is an open circuit
# hotter wood is not met in a shed, but 68 degF typed as degC is; our own judgement, no source
_HOTTEST_C: Final = 50.0
_USUAL_FSP_PCT: Final = 30.0  # of a wood whose kind is not known: Wood Handbook, FPL-GTR-190 (2010) p. 4-2
# spread of the woods' own curves about their mean at 20 % (0.6 at 12 %), from the species table: memory
_UNKNOWN_WOOD_SD_PCT: Final = 1.2
# the middle between the mean curves of the hardwoods and the softwoods, and the doubt of such a mean: memory
_ANY_WOOD: Final = {"intercept_pct": 22.61, "slope_pct": -20.965}
_ANY_WOOD_SD_PCT: Final = 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterAnswer:
    """A moisture content with its doubt.

    Parameters
    ----------
    mc_pct : float
        Moisture content between the pins; when `at_least` is set, the fibre saturation point. [%]
    sd_pct : float
        One standard deviation. [%]
    at_least : bool
        Whether the reading only says that the wood is at fibre saturation or wetter.
    indicative : bool
        Whether it only compares pieces of one kind, as a meter without pins does.
    above_fsp_pct : float
        How far beyond fibre saturation the meter's own number lies: points of its scale, not of moisture. [%]
    """

    mc_pct: float
    sd_pct: float
    at_least: bool = False
    indicative: bool = False
    above_fsp_pct: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterAnswers:
    """Moisture contents with their doubts, for an array of readings.

    Parameters
    ----------
    mc_pct, sd_pct, at_least, above_fsp_pct : ndarray, shape (...,)
        As in `MeterAnswer`, one for each reading. [%, %, bool, %]
    indicative : bool
        As in `MeterAnswer`.
    """

    mc_pct: NDArray[np.float64]
    sd_pct: NDArray[np.float64]
    at_least: NDArray[np.bool_]
    above_fsp_pct: NDArray[np.float64]
    indicative: bool = False


# points of moisture over which the straight part of the scale bends into its wet part; our own judgement
_BEND_PCT: Final = 1.5


def shown_pct(mc_pct: ArrayLike, fsp_pct: ArrayLike, wet_slope: ArrayLike) -> NDArray[np.float64]:
    """Compute what a pin meter shows of wood at a moisture content, before its bias and its scatter.

    ``shown = M - (1 - s) w ln(1 + exp((M - F) / w))``: one to one below fibre saturation F, with slope s
    above it, bending over w = 1.5 points.

    Parameters
    ----------
    mc_pct : array_like, shape (...,)
        Moisture content at the pins, at least 0. [% of oven-dry mass]
    fsp_pct : array_like, shape (...,)
        Fibre saturation point of the piece. [%]
    wet_slope : array_like, shape (...,)
        Points that the meter shows for each point above saturation, 0 to 1: about 0.2. [-]

    Returns
    -------
    ndarray, shape (...,)
        The meter's number, right below saturation. [%]

    References
    ----------
    Stamm, A. J., 1929. The fiber-saturation point of wood as obtained from electrical conductivity
    measurements (Forest Products Laboratory report 885): log conductivity rises in a straight line up to
    saturation and joins tangentially a much flatter curve above it, which differs by species. James, W. L.,
    1988. FPL-GTR-6: above about 30 % a reading tells little. The size of the wet slope and of the bend:
    common practice, no source; the fit learns the slope for each meter.
    """
    mc, fsp = np.asarray(mc_pct, np.float64), np.asarray(fsp_pct, np.float64)
    beyond = _BEND_PCT * np.logaddexp(0.0, (mc - fsp) / _BEND_PCT)
    return np.asarray(mc - (1 - np.asarray(wet_slope, np.float64)) * beyond)


Many = Sequence[float] | NDArray[np.float64]


@overload
def from_meter(mc_pct: float, wood_temp_c: float | None, species: Species | None) -> MeterAnswer: ...
@overload
def from_meter(mc_pct: Many, wood_temp_c: float | Many | None, species: Species | None) -> MeterAnswers: ...
@overload
def from_meter(mc_pct: float, wood_temp_c: Many, species: Species | None) -> MeterAnswers: ...
def from_meter(
    mc_pct: float | Many, wood_temp_c: float | Many | None, species: Species | None
) -> MeterAnswer | MeterAnswers:
    """Moisture content from a meter's own answer, set to the species and to 20 degC.

    Parameters
    ----------
    mc_pct : array_like, shape (...,)
        What the meter shows, above 0 to 400. [%]
    wood_temp_c : array_like, shape (...,), or None
        Wood temperature between the pins, 0 to 50; unknown widens the doubt by what 5 degC would do. [degC]
    species : Species or None
        The wood that the meter was set to; unknown widens the doubt by what the kind of wood does.

    Returns
    -------
    MeterAnswer or MeterAnswers
        Corrected moisture content, arrays for arrays; at or above fibre saturation only
        "at least".

    Raises
    ------
    OutOfRange
        If any of the wood is frozen, or any number lies outside the range above.

    References
    ----------
    Slope 0.125 %MC per degC, the middle of SP Tra report PX21326 (2012) and VTT Publications 420 (2000),
    which print 0.10 to 0.15. Its doubt reaches in nine cases of ten from the Wood Handbook's 0.5 % per 10
    degF (0.089) to the Swedish rule of 1.6 per 10 degC: at 0 degC a correction of 1.8 to 3.2.
    """
    shown = np.asarray(mc_pct, np.float64)
    bad = _first(shown, (shown > 0) & (shown <= 400))
    if bad is not None:
        raise OutOfRange("a moisture reading", f"lies above 0 and not above 400 %, not {bad:g} %")
    sd = METER_SD_PCT if species is not None else math.hypot(METER_SD_PCT, _UNKNOWN_WOOD_SD_PCT)
    return _corrected(shown, wood_temp_c, METER_REFERENCE_C, sd, species)


@overload
def mc_from_resistance(ohm: float, species: Species | None, wood_temp_c: float | None) -> MeterAnswer: ...
@overload
def mc_from_resistance(
    ohm: Many, species: Species | None, wood_temp_c: float | Many | None
) -> MeterAnswers: ...
@overload
def mc_from_resistance(ohm: float, species: Species | None, wood_temp_c: Many) -> MeterAnswers: ...
def mc_from_resistance(
    ohm: float | Many, species: Species | None, wood_temp_c: float | Many | None
) -> MeterAnswer | MeterAnswers:
    """Moisture content from the resistance between two pins along the grain.

    The curve is ``MC = intercept + slope * log10(log10(R / 1 Mohm) + 1)`` at 26.7 degC. Its rows are from
    memory and **not verified** (see the species table): a start, to be replaced by a shop's own
    two-point calibration.

    Parameters
    ----------
    ohm : array_like, shape (...,)
        Resistance, above 0. [ohm]
    species : Species or None
        The wood; one without a curve of its own takes the mean of the hardwoods or softwoods, an unknown one
        the mean of both.
    wood_temp_c : array_like, shape (...,), or None
        As in `from_meter`. [degC]

    Returns
    -------
    MeterAnswer or MeterAnswers
        As in `from_meter`, with a wide doubt; at or above fibre saturation only "at least".

    Raises
    ------
    OutOfRange
        If any of the wood is frozen, any resistance is not above 0, or so high that the wood would be
        below 4 %.

    References
    ----------
    Form: two logarithms, from memory. Rows: after W. L. James, FPL-GTR-6 (1988) Table 1, from memory.
    """
    found = np.asarray(ohm, np.float64)
    bad = _first(found, (found > 0) & (found < math.inf))
    if bad is not None:
        raise OutOfRange("the resistance", f"must be above 0 ohm, not {bad:g}")
    curve = curve_of(species)
    mc = curve.mc_pct(found)
    bad = _first(found, mc >= _NO_CONTACT_PCT)
    if bad is not None:
        raise OutOfRange(
            "the resistance", f"of {bad:.3g} ohm is beyond the driest wood; are the pins in contact?"
        )
    return _corrected(mc, wood_temp_c, CURVE_REFERENCE_C, curve.sd_pct, species)


@overload
def corrected(
    mc_pct: float, wood_temp_c: float | None, reference_c: float, sd_pct: float, species: Species | None
) -> MeterAnswer: ...
@overload
def corrected(
    mc_pct: Many, wood_temp_c: float | Many | None, reference_c: float, sd_pct: float, species: Species | None
) -> MeterAnswers: ...
def corrected(
    mc_pct: float | Many,
    wood_temp_c: float | Many | None,
    reference_c: float,
    sd_pct: float,
    species: Species | None,
) -> MeterAnswer | MeterAnswers:
    """Set a raw pin answer to the wood's temperature and say what it is worth.

    Parameters
    ----------
    mc_pct : array_like, shape (...,)
        What curve or meter gives at its own temperature. [%]
    wood_temp_c : array_like, shape (...,), or None
        Wood temperature; unknown counts as 20, with more doubt. [degC]
    reference_c : float
        Temperature at which the curve or meter is right. [degC]
    sd_pct : float
        Doubt of curve or meter in the middle of its range. [%]
    species : Species or None
        The wood, for its fibre saturation; 30 % when unknown.

    Returns
    -------
    MeterAnswer or MeterAnswers
        With the doubt grown towards fibre saturation and below 6 %.

    Raises
    ------
    OutOfRange
        If any of the wood is frozen or hotter than 50 degC.

    References
    ----------
    As in `from_meter`.
    """
    return _corrected(np.asarray(mc_pct, np.float64), wood_temp_c, reference_c, sd_pct, species)


def _corrected(
    mc_pct: NDArray[np.float64],
    wood_temp_c: float | Many | None,
    reference_c: float,
    sd_pct: float,
    species: Species | None,
) -> MeterAnswer | MeterAnswers:
    known = np.asarray(METER_REFERENCE_C if wood_temp_c is None else wood_temp_c, np.float64)
    bad = _first(known, known <= _HOTTEST_C)
    if bad is not None:
        raise OutOfRange(
            "the wood temperature",
            f"must not be above {_HOTTEST_C:g} °C, not {bad:g} °C; was it {bad:g} °F, which is"
            f" {(bad - 32) / 1.8:.0f} °C?",
        )
    bad = _first(known, known >= 0)
    if bad is not None:
        raise OutOfRange(
            "a pin reading", f"in frozen wood ({bad:g} °C) says nothing; read it again after the thaw"
        )
    if mc_pct.ndim and known.ndim and mc_pct.shape != known.shape:
        raise OutOfRange(
            "the wood temperatures",
            f"must be as many as the readings, {mc_pct.size}, or one for all, not {known.size}",
        )
    mc = mc_pct + SLOPE_PER_C * (reference_c - known)
    spread = SLOPE_PER_C * 5 if wood_temp_c is None else _SLOPE_SD_PER_C * np.abs(reference_c - known)
    fsp = _USUAL_FSP_PCT if species is None else species.fsp_pct
    wet = mc >= fsp
    loose = np.clip((mc - _LOOSE_FROM_PCT) / max(fsp - _LOOSE_FROM_PCT, 1.0), 0.0, 1.0)
    dry = np.maximum(0.0, _DRIEST_PCT - mc) / 2
    own = np.where(wet, _SD_AT_FSP_PCT, sd_pct + max(0.0, _SD_AT_FSP_PCT - sd_pct) * loose + dry)
    above = np.clip(mc - fsp, 0.0, _MOST_ABOVE_PCT)
    mc, sd = np.clip(mc, 0.0, fsp), np.hypot(own, spread)
    if mc.ndim:
        return MeterAnswers(mc_pct=mc, sd_pct=sd, at_least=wet, above_fsp_pct=above)
    return MeterAnswer(mc_pct=float(mc), sd_pct=float(sd), at_least=bool(wet), above_fsp_pct=float(above))


def _first(values: NDArray[np.float64], good: ArrayLike) -> float | None:
    """Give the first of the values that is not good, if any; one that is no number never is."""
    bad = values[~np.asarray(good)]
    return float(bad.flat[0]) if bad.size else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """Resistance curve of a wood at 26.7 degC: ``MC = intercept + slope * log10(log10(R / 1 Mohm) + 1)``.

    Parameters
    ----------
    intercept_pct, slope_pct : float
        Numbers of the curve; the slope is below 0. [%]
    sd_pct : float
        Its doubt. [%]
    """

    intercept_pct: float
    slope_pct: float
    sd_pct: float

    @overload
    def mc_pct(self, ohm: float) -> float: ...
    @overload
    def mc_pct(self, ohm: Many) -> NDArray[np.float64]: ...
    def mc_pct(self, ohm: float | Many) -> float | NDArray[np.float64]:
        """Moisture content at a resistance [ohm]; without bound where the curve ends on its wet side."""
        inner = np.log10(np.asarray(ohm, np.float64) / 1e6) + 1
        ends = inner <= 0
        mc = self.intercept_pct + self.slope_pct * np.log10(np.where(ends, 1.0, inner))
        found = np.asarray(np.where(ends, math.inf, mc))
        return found if isinstance(ohm, Sequence | np.ndarray) else float(found)

    @overload
    def ohm(self, mc_pct: float) -> float: ...
    @overload
    def ohm(self, mc_pct: Many) -> NDArray[np.float64]: ...
    def ohm(self, mc_pct: float | Many) -> float | NDArray[np.float64]:
        """Resistance [ohm] at a moisture content [%]: the inverse of `mc_pct`."""
        mc = np.asarray(mc_pct, np.float64)
        found = np.asarray(1e6 * 10 ** (10 ** ((mc - self.intercept_pct) / self.slope_pct) - 1))
        return found if isinstance(mc_pct, Sequence | np.ndarray) else float(found)


def curve_of(species: Species | None) -> Curve:
    """Resistance curve of a wood.

    Parameters
    ----------
    species : Species or None
        The wood; one without a curve of its own takes the mean of the hardwoods or softwoods (in
        the table), an unknown one the middle of both.

    Returns
    -------
    Curve
        The curve, from memory and not verified.

    References
    ----------
    Rows: after W. L. James, FPL-GTR-6 (1988) Table 1, from memory.
    """
    if species is None or species.resistance is None:
        return Curve(**_ANY_WOOD, sd_pct=math.hypot(_ANY_WOOD_SD_PCT, _UNKNOWN_WOOD_SD_PCT))
    intercept_pct, slope_pct, sd_pct = species.resistance
    return Curve(intercept_pct=intercept_pct, slope_pct=slope_pct, sd_pct=sd_pct)
