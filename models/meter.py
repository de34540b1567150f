"""What a pin reading says about the wood between the pins."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from baulk.models.errors import OutOfRange
from baulk.models.species import Species

# the middle of 0.10 to 0.15 %MC per degC: SP Tra report PX21326 (2012) pp. 5-6, VTT Publications 420 (2000)
_SLOPE_PER_C: Final = 0.125
_SLOPE_SD_PER_C: Final = 0.0125
METER_REFERENCE_C: Final = 20.0
CURVE_REFERENCE_C: Final = 26.7  # 80 degF, the temperature of the table behind the curves
# five measuring methods lay within -2 to +2 %MC of oven-dry (FPInnovations 16773, 2015): taken as two sd
METER_SD_PCT: Final = 1.0
# beyond 22 % a pin reading loosens until fibre saturation; how fast is common experience, no source
_LOOSE_FROM_PCT: Final = 22.0
_SD_AT_FSP_PCT: Final = 3.0
_DRIEST_PCT: Final = 6.0  # below it the resistance is too high to measure: usual lower limit of pin meters
_NO_CONTACT_PCT: Final = 4.0  # the rows behind the curves end at 7 %; drier than this is an open circuit
_HOTTEST_C: Final = 80.0
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
    """

    mc_pct: float
    sd_pct: float
    at_least: bool = False
    indicative: bool = False


def from_meter(mc_pct: float, wood_temp_c: float | None, species: Species | None) -> MeterAnswer:
    """Moisture content from a meter's own answer, set to the species and to 20 degC.

    Parameters
    ----------
    mc_pct : float
        What the meter shows, above 0 to 400. [%]
    wood_temp_c : float or None
        Wood temperature between the pins, 0 to 80; unknown widens the doubt by what 5 degC would do. [degC]
    species : Species or None
        The wood that the meter was set to; unknown widens the doubt by what the kind of wood does.

    Returns
    -------
    MeterAnswer
        Corrected moisture content; at or above fibre saturation only "at least".

    Raises
    ------
    OutOfRange
        If the wood is frozen, or a number lies outside the range above.

    References
    ----------
    Slope 0.125 %MC per degC, the middle of SP Tra report PX21326 (2012) and VTT Publications 420 (2000),
    which print 0.10 to 0.15; the Wood Handbook's 0.5 % per 10 degF (0.089) lies below, the Swedish rule of
    1.6 per 10 degC above.
    """
    if not 0 < mc_pct <= 400:
        raise OutOfRange("a moisture reading", f"lies above 0 and not above 400 %, not {mc_pct:g} %")
    sd = METER_SD_PCT if species is not None else math.hypot(METER_SD_PCT, _UNKNOWN_WOOD_SD_PCT)
    return corrected(mc_pct, wood_temp_c, METER_REFERENCE_C, sd, species)


def mc_from_resistance(ohm: float, species: Species | None, wood_temp_c: float | None) -> MeterAnswer:
    """Moisture content from the resistance between two pins along the grain.

    The curve is ``MC = intercept + slope * log10(log10(R / 1 Mohm) + 1)`` at 26.7 degC. Its rows are from
    memory and **not verified** (see the species table): a start, to be replaced by a shop's own
    two-point calibration.

    Parameters
    ----------
    ohm : float
        Resistance, above 0. [ohm]
    species : Species or None
        The wood; one without a curve of its own takes the mean of the hardwoods or softwoods, an unknown one
        the mean of both.
    wood_temp_c : float or None
        As in `from_meter`. [degC]

    Returns
    -------
    MeterAnswer
        Moisture content with a wide doubt; at or above fibre saturation only "at least".

    Raises
    ------
    OutOfRange
        If the wood is frozen, the resistance is not above 0, or so high that the wood would be
        below 4 %.

    References
    ----------
    Form: two logarithms, from memory. Rows: after W. L. James, FPL-GTR-6 (1988) Table 1, from memory.
    """
    if not 0 < ohm < math.inf:
        raise OutOfRange("the resistance", f"must be above 0 ohm, not {ohm:g}")
    curve = curve_of(species)
    mc = curve.mc_pct(ohm)
    if mc < _NO_CONTACT_PCT:
        raise OutOfRange(
            "the resistance", f"of {ohm:.3g} ohm is beyond the driest wood; are the pins in contact?"
        )
    return corrected(mc, wood_temp_c, CURVE_REFERENCE_C, curve.sd_pct, species)


def corrected(
    mc_pct: float, wood_temp_c: float | None, reference_c: float, sd_pct: float, species: Species | None
) -> MeterAnswer:
    """Set a raw pin answer to the wood's temperature and say what it is worth.

    Parameters
    ----------
    mc_pct : float
        What curve or meter gives at its own temperature. [%]
    wood_temp_c : float or None
        Wood temperature; unknown counts as 20, with more doubt. [degC]
    reference_c : float
        Temperature at which the curve or meter is right. [degC]
    sd_pct : float
        Doubt of curve or meter in the middle of its range. [%]
    species : Species or None
        The wood, for its fibre saturation; 30 % when unknown.

    Returns
    -------
    MeterAnswer
        With the doubt grown towards fibre saturation and below 6 %.

    Raises
    ------
    OutOfRange
        If the wood is frozen or hotter than 80 degC.

    References
    ----------
    As in `from_meter`.
    """
    if wood_temp_c is not None and not wood_temp_c <= _HOTTEST_C:
        raise OutOfRange(
            "the wood temperature",
            f"must not be above {_HOTTEST_C:g} °C, not {wood_temp_c:g} °C; was it in °F?",
        )
    if wood_temp_c is not None and wood_temp_c < 0:
        raise OutOfRange(
            "a pin reading", f"in frozen wood ({wood_temp_c:g} °C) says nothing; read it again after the thaw"
        )
    known = METER_REFERENCE_C if wood_temp_c is None else wood_temp_c
    mc = mc_pct + _SLOPE_PER_C * (reference_c - known)
    spread = _SLOPE_PER_C * 5 if wood_temp_c is None else _SLOPE_SD_PER_C * abs(reference_c - known)
    fsp = _USUAL_FSP_PCT if species is None else species.fsp_pct
    if mc >= fsp:
        return MeterAnswer(mc_pct=fsp, sd_pct=math.hypot(_SD_AT_FSP_PCT, spread), at_least=True)
    loose = max(0.0, (mc - _LOOSE_FROM_PCT) / max(fsp - _LOOSE_FROM_PCT, 1.0))
    dry = max(0.0, _DRIEST_PCT - mc) / 2
    own = sd_pct + max(0.0, _SD_AT_FSP_PCT - sd_pct) * min(loose, 1.0) + dry
    return MeterAnswer(mc_pct=max(mc, 0.0), sd_pct=math.hypot(own, spread))


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

    def mc_pct(self, ohm: float) -> float:
        """Moisture content at a resistance [ohm]; without bound where the curve ends on its wet side."""
        inner = math.log10(ohm / 1e6) + 1
        return self.intercept_pct + self.slope_pct * math.log10(inner) if inner > 0 else math.inf

    def ohm(self, mc_pct: float) -> float:
        """Resistance [ohm] at a moisture content [%]: the inverse of `mc_pct`."""
        return float(1e6 * 10 ** (10 ** ((mc_pct - self.intercept_pct) / self.slope_pct) - 1))


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
