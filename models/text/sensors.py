"""What thermometers and humidity sensors are held against, and how one is checked, in the reader's units."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from baulk.models.text.series import named
from baulk.models.units import System

Values = Mapping[str, Any]
# over saturated cooking salt: 75.7 % at 10 degC, 75.5 at 20, 75.1 at 30 (Greenspan 1977, its fit as quoted)
SALT_RH_PCT: Final = 75
_CHECK: Final = {
    "humidity": f"wet cooking salt in a closed jar tells ({SALT_RH_PCT} % after a day)",
    "temperature": "stirred ice water tells ({ice})",
}


def warmer(by_k: float, system: System) -> str:
    """Return how much warmer or colder."""
    inch = system in {"inch", "F"}
    shown = f"{abs(by_k) * 1.8:.0f} °F" if inch else f"{abs(by_k):.1f} °C"
    return f"{shown} {'warmer' if by_k > 0 else 'colder'}"


def check(what: str, system: System) -> str:
    """Return how a sensor is checked without another one."""
    return _CHECK[what].format(ice="32 °F" if system in {"inch", "F"} else "0 °C")


def _beside(held: Values, _system: System) -> str:
    those = "other places" if held["what"] == "humidity" else "others in its place"
    return f"its {held['what']} is held against {held['count']} {those}"


def _beside_one(held: Values, system: System) -> str:
    return (
        f"its {held['what']} is held against the {named(held['other'], system)} alone, and of two nobody can "
        f"say which drifts: {check(held['what'], system)}"
    )


def _beside_weather(held: Values, system: System) -> str:
    return (
        f"its {held['what']} is held against the weather outside alone, which shows only large drifts: "
        f"{check(held['what'], system)}"
    )


def _alone(held: Values, system: System) -> str:
    return f"nothing stands beside its {held['what']}: {check(held['what'], system)}"


def _temp_apart(held: Values, system: System) -> str:
    return (
        f"it shows {warmer(held['warmer_k'], system)} beside the {named(held['other'], system)} than weeks "
        f"ago: one of the two drifts, or sun or a heater reaches one of them; {check('temperature', system)}"
    )


def _temp_from_weather(held: Values, system: System) -> str:
    return (
        f"it shows {warmer(held['warmer_k'], system)} beside the weather outside than weeks ago: it drifts, "
        f"or the place is heated or opened in another way; {check('temperature', system)}"
    )


def _vapour_apart(held: Values, system: System) -> str:
    moved = held["change_pct"]
    way = "more" if moved > 0 else "less"
    against = "the weather outside" if held["other"] is None else f"the air of {held['other']}"
    which = "it drifts" if held["other"] is None else "one of the two drifts"
    return (
        f"its air holds {abs(moved):.0f} % {way} vapour beside {against} than weeks ago: {which}, or a room "
        f"is used in another way; {check('humidity', system)}"
    )


SENTENCES: Final[Mapping[str, Callable[[Values, System], str]]] = {
    "sensor.beside": _beside,
    "sensor.beside_one": _beside_one,
    "sensor.beside_weather": _beside_weather,
    "sensor.alone": _alone,
    "sensor.temp_apart": _temp_apart,
    "sensor.temp_from_weather": _temp_from_weather,
    "sensor.vapour_apart": _vapour_apart,
}
