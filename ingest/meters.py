"""`[[meter]]` in the settings: how the shop's meters are to be read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fnmatch import fnmatchcase
from typing import Final, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from baulk.models.errors import OutOfRange
from baulk.models.meter.correction import TwoPoint
from baulk.models.meter.profile import MeterSetting
from baulk.models.species import Species, SpeciesTable

Two = tuple[float, float]
_ANY_PIN: Final = "timber/_/pin-25/b/moisture"  # of no timber in particular


class MeterPart(BaseModel):
    """One meter, or one kind of reading; the first row that holds for a series is taken."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    series: str = Field(default="*", min_length=1)  # timber/*/pin-*/moisture; * stands for any text
    kind: Literal["pins", "capacitance"] = "pins"
    set_to: str | None = None  # the wood that a meter with pins is set to, if not the timber's own
    set_to_kg_m3: float | None = Field(default=None, ge=80, le=1300)  # the density one without pins is set to
    shown_pct: Two | None = None  # two pieces: what the meter showed, the drier first
    true_pct: Two | None = None  # and what the oven said
    true_sd_pct: float = Field(default=0.5, ge=0, le=10)
    corrects_temperature: bool | None = None  # by itself, or set to the wood's before each reading
    by_hand: bool = False  # only for readings that a person took and entered

    @model_validator(mode="after")
    def _one_meter(self) -> Self:
        if (self.shown_pct is None) != (self.true_pct is None):
            raise ValueError("needs both shown_pct and true_pct, two values each, the drier piece first")
        try:
            self._setting(None)
        except OutOfRange as err:
            raise ValueError(str(err)) from err
        if self.set_to is not None and self.kind != "pins":
            raise ValueError("set_to is for a meter with pins; one without is set to a density, set_to_kg_m3")
        return self

    def setting(self, known: SpeciesTable) -> MeterSetting:
        """Return it as the fit takes it; a wood that the shop does not know is refused in words."""
        return self._setting(None if self.set_to is None else known.get(self.set_to))

    def _setting(self, set_to: Species | None) -> MeterSetting:
        two_point = None
        if self.shown_pct is not None and self.true_pct is not None:
            two_point = TwoPoint(
                shown_pct=self.shown_pct, true_pct=self.true_pct, true_sd_pct=self.true_sd_pct
            )
        return MeterSetting(
            series=self.series,
            kind=self.kind,
            set_to=set_to,
            set_to_kg_m3=self.set_to_kg_m3,
            two_point=two_point,
            corrects_temperature=self.corrects_temperature,
            by_hand=self.by_hand,
        )


def settings(
    rows: Sequence[MeterPart],
    *,
    hand_corrects: bool | None,
    known: SpeciesTable,
    hand_set_to: str | None = None,
) -> tuple[MeterSetting, ...]:
    """Return the shop's meters as the fit takes them.

    Parameters
    ----------
    rows : sequence of MeterPart
        `[[meter]]` of the settings; what one of them says of a meter's temperature stands.
    hand_corrects : bool or None
        What the shop answered about the meter behind readings by hand: it fills what no row says.
    known : SpeciesTable
        The shop's woods, to which a meter may be set.
    hand_set_to : str, optional
        The wood that the meter behind readings by hand is set to; it too fills what no row says.

    Returns
    -------
    tuple of MeterSetting
        The first that holds for a reading is taken.
    """
    given = [each.setting(known) for each in rows]
    if hand_corrects is None and hand_set_to is None:
        return tuple(given)
    set_to = None if hand_set_to is None else known.get(hand_set_to)
    found: list[MeterSetting] = []
    for each in given:
        if each.kind == "pins":
            corrects = hand_corrects if each.corrects_temperature is None else each.corrects_temperature
            filled = replace(each, by_hand=True, corrects_temperature=corrects, set_to=each.set_to or set_to)
            if filled != replace(each, by_hand=True):
                found.append(filled)
        found.append(each)
    return (*found, MeterSetting(by_hand=True, corrects_temperature=hand_corrects, set_to=set_to))


def tell_of_hand_meter(rows: Sequence[MeterPart]) -> bool:
    """Whether the settings say if the meter behind readings by hand corrects for the wood's temperature."""
    found = next((each for each in rows if fnmatchcase(_ANY_PIN, each.series)), None)
    return found is not None and (found.kind != "pins" or found.corrects_temperature is not None)
