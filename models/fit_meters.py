"""Readings at a depth by the meter that took them, and the shop's own corrections of its meters."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Final, Literal

from baulk.models import meter
from baulk.models.errors import OutOfRange
from baulk.models.meter_correction import TwoPoint, from_capacitance, from_meter_for_another_wood
from baulk.models.reading import Quantity, Reading
from baulk.models.species import Species

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


def answer(
    reading: Reading,
    species: Species,
    wood_temp_c: float | None,
    *,
    air_temp_c: float,
    corrections: Corrections,
) -> meter.MeterAnswer:
    """Moisture content that a reading at a depth means, with its doubt.

    Parameters
    ----------
    reading : Reading
        A resistance [ohm] or a meter's own number [%].
    species : Species
        The wood.
    wood_temp_c : float or None
        Wood temperature near it in time, where there is one. [degC]
    air_temp_c : float
        What stands in for it under a resistance. [degC]
    corrections : sequence of MeterSetting
        The shop's meters; the first that holds is taken.

    Returns
    -------
    meter.MeterAnswer
        Moisture content, doubt and whether it is only "at least". [%]

    Raises
    ------
    OutOfRange
        If the reading says nothing: frozen wood, no contact, out of range.

    References
    ----------
    As in `baulk.models.meter` and `baulk.models.meter_correction`.
    """
    setting = setting_for(reading, corrections)
    if reading.series.quantity is Quantity.RESISTANCE:
        found = meter.mc_from_resistance(
            reading.value, species, air_temp_c if wood_temp_c is None else wood_temp_c
        )
    elif setting.kind == "capacitance":
        density = species.basic_density_kg_m3 if setting.set_to_kg_m3 is None else setting.set_to_kg_m3
        found = from_capacitance(reading.value, density, species, wood_temp_c)
    elif setting.set_to is not None:
        found = from_meter_for_another_wood(reading.value, setting.set_to, species, wood_temp_c)
    else:
        found = meter.from_meter(reading.value, wood_temp_c, species)
    return found if setting.two_point is None else setting.two_point.apply(found)


def _indicative(flags: Iterable[str]) -> bool:
    return not INDICATIVE.isdisjoint(flags)
