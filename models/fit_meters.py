"""Readings at a depth by the meter that took them, and the shop's own corrections of its meters."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from baulk.models import meter
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.meter_correction import TwoPoint, from_capacitance, from_meter_for_another_wood
from baulk.models.reading import Quantity, Reading, Series
from baulk.models.species import Species

Floats = NDArray[np.float64]

INDICATIVE: Final = frozenset({"indicative", "capacitance"})  # flags that say so of a single reading


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
    """

    series: str = "*"
    kind: Literal["pins", "capacitance"] = "pins"
    set_to: Species | None = None
    set_to_kg_m3: float | None = None
    two_point: TwoPoint | None = None

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

    def holds_for(self, series: str) -> bool:
        """Whether a series, in its text form, is read by this meter."""
        return fnmatchcase(series, self.series)


Corrections = Sequence[MeterSetting]


def setting_for(reading: Reading, corrections: Corrections) -> MeterSetting:
    """Return the first setting that holds for a reading; a flag can say that it was taken without pins."""
    text = str(reading.series)
    found = next((each for each in corrections if each.holds_for(text)), MeterSetting())
    if found.kind == "pins" and _indicative(reading.flags):
        return MeterSetting(kind="capacitance")
    return found


def answers(
    readings: Sequence[Reading],
    species: Species,
    wood_temp_c: Sequence[float | None],
    *,
    air_temp_c: Floats,
    corrections: Corrections,
) -> list[meter.MeterAnswer | BaulkError]:
    """Moisture contents that readings at a depth mean, with their doubt.

    Parameters
    ----------
    readings : sequence of Reading
        Resistances [ohm] or meters' own numbers [%], in any order.
    species : Species
        The wood.
    wood_temp_c : sequence of float or None
        Wood temperature near each in time, where there is one. [degC]
    air_temp_c : ndarray, shape (readings,)
        What stands in for it under a resistance. [degC]
    corrections : sequence of MeterSetting
        The shop's meters; the first that holds is taken.

    Returns
    -------
    list of meter.MeterAnswer or BaulkError
        One for each: what it means [%], or why it says nothing: frozen wood, no contact, out of range.

    References
    ----------
    As in `baulk.models.meter` and `baulk.models.meter_correction`.
    """
    kinds: dict[tuple[Series, tuple[str, ...], bool], list[int]] = {}
    for number, (each, wood) in enumerate(zip(readings, wood_temp_c, strict=True)):
        kinds.setdefault((each.series, each.flags, wood is None), []).append(number)
    found: list[meter.MeterAnswer | BaulkError] = [BaulkError()] * len(readings)
    for (_, _, unknown), numbers in kinds.items():
        first = readings[numbers[0]]
        setting, quantity = setting_for(first, corrections), first.series.quantity
        values = np.array([readings[number].value for number in numbers])
        wood_c = None if unknown else np.array([wood_temp_c[number] for number in numbers], dtype=np.float64)
        air_c = air_temp_c[numbers]
        told = _told(quantity, values, species, (wood_c, air_c), setting)
        for number, each_told in zip(numbers, told, strict=True):
            found[number] = each_told
    return found


def _told(
    quantity: Quantity,
    values: Floats,
    species: Species,
    temp_c: tuple[Floats | None, Floats],
    setting: MeterSetting,
) -> list[meter.MeterAnswer | BaulkError]:
    """Read values of one kind at once; where one of them says nothing, each half anew."""
    try:
        return [*_each(_answers(quantity, values, species, temp_c, setting))]
    except BaulkError as err:
        if values.size == 1:
            return [err]
    half = values.size // 2
    found = []
    for part in (slice(half), slice(half, None)):
        wood_c = None if temp_c[0] is None else temp_c[0][part]
        found += _told(quantity, values[part], species, (wood_c, temp_c[1][part]), setting)
    return found


def _answers(
    quantity: Quantity,
    values: Floats,
    species: Species,
    temp_c: tuple[Floats | None, Floats],
    setting: MeterSetting,
) -> meter.MeterAnswers:
    """Read values of one kind: the wood's temperatures where they are known, and the air's."""
    wood_c, air_c = temp_c
    if quantity is Quantity.RESISTANCE:
        found = meter.mc_from_resistance(values, species, air_c if wood_c is None else wood_c)
    elif setting.kind == "capacitance":
        density = species.basic_density_kg_m3 if setting.set_to_kg_m3 is None else setting.set_to_kg_m3
        found = from_capacitance(values, density, species, wood_c)
    elif setting.set_to is not None:
        found = from_meter_for_another_wood(values, setting.set_to, species, wood_c)
    else:
        found = meter.from_meter(values, wood_c, species)
    return found if setting.two_point is None else setting.two_point.apply(found)


def _each(found: meter.MeterAnswers) -> list[meter.MeterAnswer]:
    columns = (found.mc_pct, found.sd_pct, found.at_least, found.above_fsp_pct)
    return [
        meter.MeterAnswer(mc_pct=a, sd_pct=b, at_least=c, above_fsp_pct=d, indicative=found.indicative)
        for a, b, c, d in zip(*(each.tolist() for each in columns), strict=True)
    ]


def _indicative(flags: Iterable[str]) -> bool:
    return not INDICATIVE.isdisjoint(flags)
