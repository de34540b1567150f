"""One-off answers about air: `baulk emc`, `baulk dewpoint`."""

from __future__ import annotations

from typing import Annotated, Literal

import typer

from baulk.dashboard.commands.answers import JsonOption, say, say_json
from baulk.dashboard.commands.options import TEMP
from baulk.models import single_values, units
from baulk.models.errors import OutOfRange

TempOption = Annotated[str, TEMP]
HumidityOption = Annotated[str, typer.Option("--rh", help="Relative humidity in percent, 0 to 100.")]

EquationOption = Annotated[
    str, typer.Option("--equation", help="Of the Wood Handbook: 4-5, or 4-6 as a second opinion.")
]
_HOTTEST_WET_C = 90.0


def emc(
    temp: TempOption, rh: HumidityOption, equation: EquationOption = "4-5", *, json: JsonOption = False
) -> None:
    """Say which moisture content wood comes to if it stays in this air for ever.

    Wood Handbook (FPL-GTR-282), equation 4-5, or the newer 4-6 as a second opinion. The standard deviation is
    what the kind of wood and its history of wetting and drying leave open. A season's EMC is the mean of
    these over its hours, not the EMC of its mean temperature and humidity.

    Example: baulk emc --temp 21.1C --rh 50
    """
    temp_c, rh_pct = units.temperature_c(temp), units.percent(rh, "the relative humidity")
    if equation not in {"4-5", "4-6"}:
        raise OutOfRange("--equation", f"is 4-5 or 4-6, not {equation!r}")
    emc_pct, sd_pct = _answer(temp_c, rh_pct, "4-6" if equation == "4-6" else "4-5")
    if json:
        say_json(
            {"temp_c": temp_c, "rh_pct": rh_pct, "emc_pct": emc_pct, "sd_pct": sd_pct, "equation": equation}
        )
        return
    air = f"{_show(temp_c, temp)} and {rh_pct:g} % relative humidity"
    say(f"{emc_pct:.1f} % of oven-dry mass at {air}, standard deviation {sd_pct:.1f} %")


def dewpoint(temp: TempOption, rh: HumidityOption, *, json: JsonOption = False) -> None:
    """Say at which temperature this air begins to drip on what is colder, and what a wet thermometer shows.

    --json adds the vapour's pressure and the water in each kilogram of dry air, at sea level.

    Example: baulk dewpoint --temp 68F --rh 70
    """
    from baulk.models import psychrometrics  # noqa: PLC0415 - arrays, and the compiled formulas of air

    temp_c, rh_pct = units.temperature_c(temp), units.percent(rh, "the relative humidity")
    dew_c = float(psychrometrics.dewpoint_c(temp_c, rh_pct))
    wet_c = float(psychrometrics.wet_bulb_c(temp_c, rh_pct)) if temp_c <= _HOTTEST_WET_C else None
    if json:
        answer = {"temp_c": temp_c, "rh_pct": rh_pct, "dewpoint_c": dew_c, "wet_bulb_c": wet_c}
        answer["vapour_pressure_pa"] = float(psychrometrics.vapour_pressure_pa(temp_c, rh_pct))
        wet_enough = wet_c is not None
        answer["humidity_ratio"] = (
            float(psychrometrics.humidity_ratio(temp_c, rh_pct)) if wet_enough else None
        )
        say_json(answer)
        return
    say(f"{_show(dew_c, temp)} is the dew point of air at {_show(temp_c, temp)} and {rh_pct:g} %")
    if wet_c is not None:
        say(f"{_show(wet_c, temp)} is its wet bulb")


def _answer(temp_c: float, rh_pct: float, equation: Literal["4-5", "4-6"]) -> tuple[float, float]:
    if equation == "4-5" and single_values.above_freezing(temp_c, rh_pct):
        return single_values.emc_above_freezing(temp_c, rh_pct)
    from baulk.models import sorption  # noqa: PLC0415 - arrays: twice the time of the usual answer

    found = sorption.answer(temp_c, rh_pct, equation=equation)
    return float(found.emc_pct), float(found.sd_pct)


def _show(temp_c: float, typed: str) -> str:
    """Write a temperature in the unit that the person typed."""
    return f"{temp_c * 1.8 + 32:.1f} °F" if units.temperature_unit(typed) == "F" else f"{temp_c:.1f} °C"
