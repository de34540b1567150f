"""`[[meter]]` in the settings: how the shop's meters are to be read."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from baulk.models import species
from baulk.models.errors import OutOfRange
from baulk.models.fit_meters import MeterSetting
from baulk.models.meter_correction import TwoPoint

Two = tuple[float, float]


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

    def setting(self) -> MeterSetting:
        """Give it as the fit takes it; an unknown wood is refused in words."""
        return self._setting(None if self.set_to is None else species.get(self.set_to))

    def _setting(self, set_to: species.Species | None) -> MeterSetting:
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
        )
