"""Meters set to another wood, meters without pins, and a shop's own two-point correction."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final, overload

import numpy as np
from numpy.typing import NDArray

from baulk.models.errors import OutOfRange
from baulk.models.meter.resistance import (
    METER_REFERENCE_C,
    METER_SD_PCT,
    Many,
    MeterAnswer,
    MeterAnswers,
    corrected,
    curve_of,
)
from baulk.models.species import Species

_DRIEST_PCT: Final = 4.0
_LEAST_APART_PCT: Final = 3.0
# what a meter without pins leaves open, 2 points and 15 % of the value: common experience, no source
_CAPACITANCE_SD_PCT: Final = 2.0
_CAPACITANCE_SD_SHARE: Final = 0.15


@overload
def from_meter_for_another_wood(
    shown_pct: float, set_to: Species, species: Species, wood_temp_c: float | None
) -> MeterAnswer: ...
@overload
def from_meter_for_another_wood(
    shown_pct: Many, set_to: Species, species: Species, wood_temp_c: float | Many | None
) -> MeterAnswers: ...
@overload
def from_meter_for_another_wood(
    shown_pct: float, set_to: Species, species: Species, wood_temp_c: Many
) -> MeterAnswers: ...
def from_meter_for_another_wood(
    shown_pct: float | Many, set_to: Species, species: Species, wood_temp_c: float | Many | None
) -> MeterAnswer | MeterAnswers:
    """Moisture content from a pin meter that was set to another wood.

    What the meter shows is turned back into the resistance that it measured, by the curve of the wood it was
    set to, and that into a moisture content by the curve of the wood measured.

    Parameters
    ----------
    shown_pct : array_like, shape (...,)
        What the meter shows, 4 to 400. [%]
    set_to : Species
        The wood that the meter was set to, or calibrated on.
    species : Species
        The wood measured.
    wood_temp_c : array_like, shape (...,), or None
        Wood temperature between the pins, 0 to 50; unknown widens the doubt. [degC]

    Returns
    -------
    MeterAnswer or MeterAnswers
        Moisture content with its doubt, arrays for arrays; at or above fibre saturation of either wood only
        "at least".

    Raises
    ------
    OutOfRange
        If any of the wood is frozen, or any number lies outside the range above.

    References
    ----------
    Curves: after W. L. James, FPL-GTR-6 (1988) Table 1, from memory and not verified. Temperature: as in
    `baulk.models.meter.resistance.from_meter`.

    Examples
    --------
    >>> from baulk.models import species
    >>> fir, oak = species.get("Douglas-fir"), species.get("white oak")
    >>> round(from_meter_for_another_wood(16, fir, oak, 20).mc_pct, 1)
    15.0
    """
    shown = np.asarray(shown_pct, np.float64)
    bad = shown[~((shown >= _DRIEST_PCT) & (shown <= 400))]
    if bad.size:
        raise OutOfRange("a moisture reading", f"lies between 4 and 400 %, not {bad.flat[0]:g} %")
    theirs, ours = curve_of(set_to), curve_of(species)
    same = theirs == ours
    sd = METER_SD_PCT if same else math.hypot(METER_SD_PCT, ours.sd_pct)
    mc = shown if same else np.maximum(ours.mc_pct(theirs.ohm(shown)), 0.0)
    mc = np.where(shown >= set_to.fsp_pct, np.maximum(shown, species.fsp_pct), mc)
    return _corrected(mc, wood_temp_c, sd, species)


@overload
def from_capacitance(
    shown_pct: float, set_to_kg_m3: float, species: Species, wood_temp_c: float | None
) -> MeterAnswer: ...
@overload
def from_capacitance(
    shown_pct: Many, set_to_kg_m3: float, species: Species, wood_temp_c: float | Many | None
) -> MeterAnswers: ...
@overload
def from_capacitance(
    shown_pct: float, set_to_kg_m3: float, species: Species, wood_temp_c: Many
) -> MeterAnswers: ...
def from_capacitance(
    shown_pct: float | Many, set_to_kg_m3: float, species: Species, wood_temp_c: float | Many | None
) -> MeterAnswer | MeterAnswers:
    """Moisture content from a meter without pins, corrected for density; indicative only.

    Such a meter answers to the water in each litre of the outer two or three centimetres, so a wood denser
    than the one that it is set to reads too wet in the same ratio.

    Parameters
    ----------
    shown_pct : array_like, shape (...,)
        What the meter shows, above 0 to 400. [%]
    set_to_kg_m3 : float
        Basic density that the meter is set to, 80 to 1300. [kg/m3]
    species : Species
        The wood measured.
    wood_temp_c : array_like, shape (...,), or None
        Wood temperature, 0 to 50; it changes nothing but the refusal of frozen wood. [degC]

    Returns
    -------
    MeterAnswer or MeterAnswers
        Marked indicative, with a doubt of 2 points and 15 % of the value, arrays for arrays.

    Raises
    ------
    OutOfRange
        If any of the wood is frozen, or any number lies outside the range above.

    References
    ----------
    Ratio: water per volume is moisture content times basic density, by definition; that the meter answers to
    it alone, and the doubt, are common experience without a source.

    Examples
    --------
    >>> from baulk.models import species
    >>> found = from_capacitance(18, 500, species.get("white oak"), 20)
    >>> round(found.mc_pct, 1), found.indicative
    (15.0, True)
    """
    shown = np.asarray(shown_pct, np.float64)
    bad = shown[~((shown > 0) & (shown <= 400))]
    if bad.size:
        raise OutOfRange("a moisture reading", f"lies above 0 and not above 400 %, not {bad.flat[0]:g} %")
    if not 80 <= set_to_kg_m3 <= 1300:
        raise OutOfRange(
            "the density a meter is set to",
            f"lies between 80 and 1300 kg/m3, not {set_to_kg_m3:g}; is it g/cm3?",
        )
    mc = np.asarray(shown * set_to_kg_m3 / species.basic_density_kg_m3)
    # the correction for temperature is that of resistance; here it only refuses ice
    checked = _corrected(mc, wood_temp_c, METER_SD_PCT, species)
    mc = np.broadcast_to(mc, np.shape(checked.mc_pct))
    found = _corrected(mc, METER_REFERENCE_C, METER_SD_PCT, species)
    sd = np.hypot(_CAPACITANCE_SD_PCT, _CAPACITANCE_SD_SHARE * np.asarray(found.mc_pct))
    if isinstance(found, MeterAnswers):
        return replace(found, sd_pct=sd, indicative=True)
    return replace(found, sd_pct=float(sd), indicative=True)


def _corrected(
    mc_pct: NDArray[np.float64], wood_temp_c: float | Many | None, sd_pct: float, species: Species
) -> MeterAnswer | MeterAnswers:
    """Give what `corrected` gives: of an array without dimensions and one temperature, a single answer."""
    return corrected(mc_pct, wood_temp_c, METER_REFERENCE_C, sd_pct, species)


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoPoint:
    """A shop's own correction of its meter: two pieces, each read and then oven-dried.

    Parameters
    ----------
    shown_pct : tuple of float
        What the meter showed, the drier piece first. [%]
    true_pct : tuple of float
        Moisture content by oven-drying, at least 3 points apart. [%]
    true_sd_pct : float
        Doubt of each oven-dried value, for the piece is not the spot between the pins. [%]
    """

    shown_pct: tuple[float, float]
    true_pct: tuple[float, float]
    true_sd_pct: float = 0.5

    def __post_init__(self) -> None:
        for what, (low, high) in (("shown", self.shown_pct), ("oven-dried", self.true_pct)):
            if not _DRIEST_PCT <= low <= high - _LEAST_APART_PCT <= 40:
                raise OutOfRange(
                    f"the two {what} values of a correction",
                    f"must rise by at least 3 points, from 4 % on and within fibre saturation, not"
                    f" {low:g} and {high:g} %",
                )
        if not 0 <= self.true_sd_pct <= 10:
            raise OutOfRange("the doubt of an oven-dried value", f"must be 0 to 10, not {self.true_sd_pct:g}")

    @property
    def slope(self) -> float:
        """True points for each point shown."""
        (low, high), (dry, wet) = self.shown_pct, self.true_pct
        return (wet - dry) / (high - low)

    @overload
    def apply(self, answer: MeterAnswer) -> MeterAnswer: ...
    @overload
    def apply(self, answer: MeterAnswers) -> MeterAnswers: ...
    def apply(self, answer: MeterAnswer | MeterAnswers) -> MeterAnswer | MeterAnswers:
        """Correct a reading along the straight line through the two pieces.

        Parameters
        ----------
        answer : MeterAnswer or MeterAnswers
            From the same meter, set as it was for the two pieces.

        Returns
        -------
        MeterAnswer or MeterAnswers
            Corrected, arrays for arrays, its doubt with that of the line, which grows away from the two
            pieces; a reading that only says "at least" stays as it is.

        References
        ----------
        A straight line through two points and the propagation of their errors.

        Examples
        --------
        >>> line = TwoPoint(shown_pct=(10, 20), true_pct=(11, 23))
        >>> round(line.apply(MeterAnswer(mc_pct=15, sd_pct=1.0)).mc_pct, 1)
        17.0
        """
        shown = np.asarray(answer.mc_pct, np.float64)
        along = (shown - self.shown_pct[0]) / (self.shown_pct[1] - self.shown_pct[0])
        mc = np.maximum(self.true_pct[0] + along * (self.true_pct[1] - self.true_pct[0]), 0.0)
        line_sd = self.true_sd_pct * np.hypot(1 - along, along)
        sd = np.hypot(self.slope * np.asarray(answer.sd_pct), line_sd)
        if isinstance(answer, MeterAnswers):
            stays = answer.at_least
            return replace(
                answer,
                mc_pct=np.where(stays, answer.mc_pct, mc),
                sd_pct=np.where(stays, answer.sd_pct, sd),
            )
        return answer if answer.at_least else replace(answer, mc_pct=float(mc), sd_pct=float(sd))
