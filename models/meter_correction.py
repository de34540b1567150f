"""Meters set to another wood, meters without pins, and a shop's own two-point correction."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

from baulk.models.errors import OutOfRange
from baulk.models.meter import METER_REFERENCE_C, METER_SD_PCT, MeterAnswer, corrected, curve_of
from baulk.models.species import Species

_DRIEST_PCT: Final = 4.0
_LEAST_APART_PCT: Final = 3.0
# what a meter without pins leaves open, 2 points and 15 % of the value: common experience, no source
_CAPACITANCE_SD_PCT: Final = 2.0
_CAPACITANCE_SD_SHARE: Final = 0.15


def from_meter_for_another_wood(
    shown_pct: float, set_to: Species, species: Species, wood_temp_c: float | None
) -> MeterAnswer:
    """Moisture content from a pin meter that was set to another wood.

    What the meter shows is turned back into the resistance that it measured, by the curve of the wood it was
    set to, and that into a moisture content by the curve of the wood measured.

    Parameters
    ----------
    shown_pct : float
        What the meter shows, 4 to 400. [%]
    set_to : Species
        The wood that the meter was set to, or calibrated on.
    species : Species
        The wood measured.
    wood_temp_c : float or None
        Wood temperature between the pins, 0 to 80; unknown widens the doubt. [degC]

    Returns
    -------
    MeterAnswer
        Moisture content with its doubt; at or above fibre saturation of either wood only "at least".

    Raises
    ------
    OutOfRange
        If the wood is frozen, or a number lies outside the range above.

    References
    ----------
    Curves: after W. L. James, FPL-GTR-6 (1988) Table 1, from memory and not verified. Temperature: as in
    `baulk.models.meter.from_meter`.

    Examples
    --------
    >>> from baulk.models import species
    >>> fir, oak = species.get("Douglas-fir"), species.get("white oak")
    >>> round(from_meter_for_another_wood(16, fir, oak, 20).mc_pct, 1)
    15.0
    """
    if not _DRIEST_PCT <= shown_pct <= 400:
        raise OutOfRange("a moisture reading", f"lies between 4 and 400 %, not {shown_pct:g} %")
    theirs, ours = curve_of(set_to), curve_of(species)
    same = theirs == ours
    sd = METER_SD_PCT if same else math.hypot(METER_SD_PCT, ours.sd_pct)
    if shown_pct >= set_to.fsp_pct:
        return corrected(max(shown_pct, species.fsp_pct), wood_temp_c, METER_REFERENCE_C, sd, species)
    mc = shown_pct if same else max(ours.mc_pct(theirs.ohm(shown_pct)), 0.0)
    return corrected(mc, wood_temp_c, METER_REFERENCE_C, sd, species)


def from_capacitance(
    shown_pct: float, set_to_kg_m3: float, species: Species, wood_temp_c: float | None
) -> MeterAnswer:
    """Moisture content from a meter without pins, corrected for density; indicative only.

    Such a meter answers to the water in each litre of the outer two or three centimetres, so a wood denser
    than the one that it is set to reads too wet in the same ratio.

    Parameters
    ----------
    shown_pct : float
        What the meter shows, above 0 to 400. [%]
    set_to_kg_m3 : float
        Basic density that the meter is set to, 80 to 1300. [kg/m3]
    species : Species
        The wood measured.
    wood_temp_c : float or None
        Wood temperature, 0 to 80; it changes nothing but the refusal of frozen wood. [degC]

    Returns
    -------
    MeterAnswer
        Marked indicative, with a doubt of 2 points and 15 % of the value.

    Raises
    ------
    OutOfRange
        If the wood is frozen, or a number lies outside the range above.

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
    if not 0 < shown_pct <= 400:
        raise OutOfRange("a moisture reading", f"lies above 0 and not above 400 %, not {shown_pct:g} %")
    if not 80 <= set_to_kg_m3 <= 1300:
        raise OutOfRange(
            "the density a meter is set to",
            f"lies between 80 and 1300 kg/m3, not {set_to_kg_m3:g}; is it g/cm3?",
        )
    mc = shown_pct * set_to_kg_m3 / species.basic_density_kg_m3
    # the correction for temperature is that of resistance; here it only refuses ice
    found = corrected(mc, METER_REFERENCE_C, METER_REFERENCE_C, METER_SD_PCT, species)
    corrected(mc, wood_temp_c, METER_REFERENCE_C, METER_SD_PCT, species)
    sd = math.hypot(_CAPACITANCE_SD_PCT, _CAPACITANCE_SD_SHARE * found.mc_pct)
    return replace(found, sd_pct=sd, indicative=True)


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

    def apply(self, answer: MeterAnswer) -> MeterAnswer:
        """Correct a reading along the straight line through the two pieces.

        Parameters
        ----------
        answer : MeterAnswer
            From the same meter, set as it was for the two pieces.

        Returns
        -------
        MeterAnswer
            Corrected, its doubt with that of the line, which grows away from the two pieces; a reading that
            only says "at least" stays as it is.

        References
        ----------
        A straight line through two points and the propagation of their errors.

        Examples
        --------
        >>> line = TwoPoint(shown_pct=(10, 20), true_pct=(11, 23))
        >>> round(line.apply(MeterAnswer(mc_pct=15, sd_pct=1.0)).mc_pct, 1)
        17.0
        """
        if answer.at_least:
            return answer
        along = (answer.mc_pct - self.shown_pct[0]) / (self.shown_pct[1] - self.shown_pct[0])
        mc = self.true_pct[0] + along * (self.true_pct[1] - self.true_pct[0])
        line_sd = self.true_sd_pct * math.hypot(1 - along, along)
        return replace(answer, mc_pct=max(mc, 0.0), sd_pct=math.hypot(self.slope * answer.sd_pct, line_sd))
