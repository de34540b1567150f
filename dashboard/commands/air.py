"""One-off answers about air: `baulk emc`, `baulk dewpoint`."""

from __future__ import annotations

import math
from typing import Annotated

import typer

from baulk.dashboard.commands.answers import JsonOption, say, say_json
from baulk.models import sorption, units
from baulk.models.errors import OutOfRange

TempOption = Annotated[str, typer.Option("--temp", help="Air temperature with its unit: 21.1C or 70F.")]
HumidityOption = Annotated[float, typer.Option("--rh", help="Relative humidity in percent, 0 to 100.")]


def emc(temp: TempOption, rh: HumidityOption, *, json: JsonOption = False) -> None:
    """Say which moisture content wood comes to if it stays in this air for ever.

    Wood Handbook (FPL-GTR-282), equation 4-5. A season's EMC is the mean of these over its hours, not the EMC
    of its mean temperature and humidity.

    Example: baulk emc --temp 21.1C --rh 50
    """
    temp_c = _checked(temp, rh)
    answer = {"temp_c": temp_c, "rh_pct": rh, "emc_pct": float(sorption.emc_pct(temp_c, rh))}
    if json:
        say_json(answer)
    else:
        say(f"{answer['emc_pct']:.1f} % of oven-dry mass at {_both(temp_c)} and {rh:g} % relative humidity")


def dewpoint(temp: TempOption, rh: HumidityOption, *, json: JsonOption = False) -> None:
    """Say at which temperature this air begins to drip on what is colder.

    Example: baulk dewpoint --temp 68F --rh 70
    """
    temp_c = _checked(temp, rh)
    answer = {"temp_c": temp_c, "rh_pct": rh, "dewpoint_c": float(sorption.dewpoint_c(temp_c, rh))}
    if json:
        say_json(answer)
    else:
        say(f"{_both(answer['dewpoint_c'])} is the dew point of air at {_both(temp_c)} and {rh:g} %")


def _checked(temp: str, rh: float) -> float:
    if not math.isfinite(rh):  # the models take a gap for a gap; a person means a number
        raise OutOfRange("the relative humidity", f"is a number from 0 to 100, not {rh}")
    return units.temperature_c(temp)


def _both(temp_c: float) -> str:
    return f"{temp_c:.1f} °C ({temp_c * 1.8 + 32:.0f} °F)"
