"""Readings at a depth by the meter that took them, and the shop's own corrections of its meters."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from typing import Final, Literal

import numpy as np

from baulk.models.columns import INDICATIVE, Readings, columns_of, distinct
from baulk.models.constants import Floats
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.meter import resistance
from baulk.models.meter.correction import TwoPoint, from_capacitance, from_meter_for_another_wood
from baulk.models.meter.wood_temperature import WoodTemperatures
from baulk.models.quantity import Quantity
from baulk.models.reading import AT_LEAST, BY_HAND, Reading
from baulk.models.reason import Reason
from baulk.models.species import Species

# Whether a meter corrects for the wood's temperature decides between two answers that differ by the whole
# correction c. Most plain meters with pins do not, so an unknown one is corrected in full; if one in four
# does (our own judgement, no source), the root mean square error of that is c * sqrt(1/4). Both answers lie
# within two of these standard deviations, and near 20 degC, where it makes no difference, nothing is added.
_MAY_CORRECT: Final = 0.5
_NOTHING: Final = Reason(code="calibration.not_a_moisture", values={"error": ""})


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterSetting:
    """How a shop's meter is to be read.

    Parameters
    ----------
    series : str
        Series that it holds for, with ``*`` for any text: ``timber/*/pin-*/moisture``.
    kind : {"pins", "capacitance"}
        Whether it has pins.
    set_to : Species, optional
        The wood that a meter with pins is set to, if not the timber's own.
    set_to_kg_m3 : float, optional
        Basic density that a meter without pins is set to, if not the timber's own. [kg/m3]
    two_point : TwoPoint, optional
        The shop's own correction by two oven-dried pieces.
    corrects_temperature : bool, optional
        Whether a meter with pins corrects its number for the temperature of the wood by itself, or is set to
        that temperature before each reading; None where nobody knows.
    by_hand : bool
        Whether it holds only for readings that a person took and entered.
    """

    series: str = "*"
    kind: Literal["pins", "capacitance"] = "pins"
    set_to: Species | None = None
    set_to_kg_m3: float | None = None
    two_point: TwoPoint | None = None
    corrects_temperature: bool | None = None
    by_hand: bool = False

    def __post_init__(self) -> None:
        if self.kind not in {"pins", "capacitance"}:
            raise OutOfRange("the kind of a meter", f"is pins or capacitance, not {self.kind!r}")
        if self.set_to is not None and self.kind != "pins":
            raise OutOfRange(
                "the wood a meter is set to",
                "is for meters with pins; one without is set to a density, set_to_kg_m3",
            )
        if self.set_to_kg_m3 is not None and self.kind != "capacitance":
            raise OutOfRange(
                "the density a meter is set to", "is for meters without pins; one with pins is set to a wood"
            )
        if self.corrects_temperature is not None and self.kind != "pins":
            raise OutOfRange(
                "a meter's correction for temperature",
                "is for meters with pins; no correction is known for one without",
            )

    def holds_for(self, series: str) -> bool:
        """Whether a series, in its text form, is read by this meter."""
        return fnmatchcase(series, self.series)


Corrections = Sequence[MeterSetting]


def setting_for(reading: Reading, corrections: Corrections) -> MeterSetting:
    """Return the first setting that holds for a reading; a flag can say that it was taken without pins."""
    return _setting(str(reading.series), reading.flags, corrections, by_hand=reading.source == BY_HAND)


def _setting(text: str, flags: Iterable[str], corrections: Corrections, *, by_hand: bool) -> MeterSetting:
    found = next(
        (each for each in corrections if each.holds_for(text) and (by_hand or not each.by_hand)),
        MeterSetting(),
    )
    if found.kind == "pins" and not INDICATIVE.isdisjoint(flags):
        return MeterSetting(kind="capacitance")
    return found


def answers(
    readings: Readings,
    species: Species,
    wood: WoodTemperatures,
    *,
    corrections: Corrections,
) -> list[resistance.MeterAnswer | Reason]:
    """Moisture contents that readings at a depth mean, with their doubt.

    Parameters
    ----------
    readings : Columns or iterable of Reading
        Resistances [ohm] or meters' own numbers [%], in any order.
    species : Species
        The wood.
    wood : WoodTemperatures
        Its temperature at each of them. [degC]
    corrections : sequence of MeterSetting
        The shop's meters; the first that holds is taken.

    Returns
    -------
    list of meter.MeterAnswer or Reason
        One for each: what it means [%], or why it says nothing: frozen wood, no contact, out of range.

    References
    ----------
    As in `baulk.models.meter.resistance` and `baulk.models.meter.correction`.
    """
    rows = columns_of(readings)
    found: list[resistance.MeterAnswer | Reason] = [_NOTHING] * len(rows)
    frozen = ~np.isnan(wood.frozen_c)
    for number in np.flatnonzero(frozen).tolist():
        found[number] = Reason(code="calibration.frozen", values={"air_c": float(wood.frozen_c[number])})
    kinds, kind = distinct(rows.of, rows.flagged, rows.by_hand.astype(np.int64))
    for k, (of, flagged, hand) in enumerate(kinds.tolist()):
        numbers = np.flatnonzero((kind == k) & ~frozen)
        if not numbers.size:
            continue
        flags, temp = rows.flags[flagged], (wood.temp_c[numbers], wood.sd_c[numbers])
        setting = _setting(rows.names[of], flags, corrections, by_hand=bool(hand))
        told = _told(rows.series[of].quantity, rows.value[numbers], species, temp, setting)
        if AT_LEAST in flags:
            told = [one if isinstance(one, Reason) else replace(one, at_least=True) for one in told]
        for number, each_told in zip(numbers.tolist(), told, strict=True):
            found[number] = each_told
    return found


Temperatures = tuple[Floats, Floats]  # of the wood, and their standard deviations


def _told(
    quantity: Quantity, values: Floats, species: Species, temp: Temperatures, setting: MeterSetting
) -> list[resistance.MeterAnswer | Reason]:
    """Read values of one kind at once; where one of them says nothing, each half anew."""
    try:
        return [*_each(_answers(quantity, values, species, temp, setting))]
    except BaulkError as err:
        if values.size == 1:
            temp_c = float(temp[0][0])
            return [
                Reason(code="calibration.frozen", values={"wood_c": temp_c})
                if temp_c < 0
                else Reason(code="calibration.not_a_moisture", values={"error": str(err)})
            ]
    half = values.size // 2
    found: list[resistance.MeterAnswer | Reason] = []
    for part in (slice(half), slice(half, None)):
        found += _told(quantity, values[part], species, (temp[0][part], temp[1][part]), setting)
    return found


def _answers(
    quantity: Quantity, values: Floats, species: Species, temp: Temperatures, setting: MeterSetting
) -> resistance.MeterAnswers:
    """Read values of one kind, and widen their doubt by that of the temperature."""
    temp_c, sd_c = temp
    if quantity is Quantity.RESISTANCE:
        found, doubt_c = resistance.mc_from_resistance(values, species, temp_c), sd_c
    elif setting.kind == "capacitance":
        density = species.basic_density_kg_m3 if setting.set_to_kg_m3 is None else setting.set_to_kg_m3
        found, doubt_c = from_capacitance(values, density, species, temp_c), np.zeros(sd_c.shape)
    else:
        seen_c, doubt_c = _as_corrected(temp_c, sd_c, corrects=setting.corrects_temperature)
        if setting.set_to is not None:
            found = from_meter_for_another_wood(values, setting.set_to, species, seen_c)
        else:
            found = resistance.from_meter(values, seen_c, species)
    found = replace(found, sd_pct=np.hypot(found.sd_pct, resistance.SLOPE_PER_C * doubt_c))
    return found if setting.two_point is None else setting.two_point.apply(found)


def _as_corrected(temp_c: Floats, sd_c: Floats, *, corrects: bool | None) -> Temperatures:
    """Return the temperature that a meter's number is still to be corrected for, and its doubt, [degC]."""
    if corrects:  # the number is right as it is shown; frozen wood is still refused
        return np.where(temp_c < 0, temp_c, resistance.METER_REFERENCE_C), np.zeros(sd_c.shape)
    if corrects is None:
        sd_c = np.hypot(sd_c, _MAY_CORRECT * (resistance.METER_REFERENCE_C - temp_c))
    return temp_c, sd_c


def _each(found: resistance.MeterAnswers) -> list[resistance.MeterAnswer]:
    columns = (found.mc_pct, found.sd_pct, found.at_least, found.above_fsp_pct)
    return [
        resistance.MeterAnswer(mc_pct=a, sd_pct=b, at_least=c, above_fsp_pct=d, indicative=found.indicative)
        for a, b, c, d in zip(*(each.tolist() for each in columns), strict=True)
    ]
