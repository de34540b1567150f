"""What would change a verdict, in words: allowance, use, air, another build."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from baulk.models.formatting import about, share, show_movement
from baulk.models.text.verdict import rough_days, years
from baulk.models.units import System, show_temperature

Values = Mapping[str, Any]

_SEASON: Final = {"dry_season": "shrinks by its driest season", "damp_season": "swells by its dampest season"}


def _allowance(v: Values, system: System) -> str:
    need, now = (show_movement(v[name], system) for name in ("allowance_mm", "tolerance_mm"))
    return f"An allowance of {need} instead of {now} would let it be squared today."


def _allowance_no_help(v: Values, _: System) -> str:
    return (
        f"A wider allowance would not change it: its use asks for a mean MC of {v['most_pct']:.0f} % or "
        f"less, and the chance of that is {share(v['probability'])}."
    )


def _allowance_no_help_season(v: Values, _: System) -> str:
    return (
        f"A wider allowance would not change it: what counts is how far it {_SEASON[v['season']]}, and the "
        f"chance that it stays within its use's limit is {share(v['probability'])}."
    )


def _uses_today(v: Values, _: System) -> str:
    uses = [each["use"] + (" (may stay wet)" if each["may_stay_wet"] else "") for each in v["uses"]]
    return f"It could be squared today for another use: {'; '.join(uses)}."


def _uses_sooner(v: Values, _: System) -> str:
    uses = [f"{each['use']} {about(each['ready_utc'], each['spread_days'])}" for each in v["uses"]]
    return f"It would be ready sooner for another use: {'; '.join(uses)}."


def _no_use_sooner(_v: Values, _s: System) -> str:
    return "No other use would have it sooner."


def _other_by(v: Values) -> str:
    way = "drier" if "drier_rh_pct" in v else "damper"
    return f"Air {v[f'{way}_rh_pct']:.0f} points of RH {way} than expected"


def _air_not_ready(v: Values, _: System) -> str:
    return f"{_other_by(v)} would not bring the likely date within {years(v['horizon_days'])} either."


def _air_no_matter(v: Values, _: System) -> str:
    return f"{_other_by(v)} would hardly change the likely date."


def _air_later(v: Values, _: System) -> str:
    way = "dry" if "drier_rh_pct" in v else "wet"
    return (
        f"{_other_by(v)} would bring the likely date {rough_days(v['later_days'])} later, because it would "
        f"settle too {way}."
    )


def _air_sooner(v: Values, _: System) -> str:
    least = "at least " if v["at_least"] else ""
    said = f"{_other_by(v)} would bring the likely date {least}{rough_days(v['gain_days'])} sooner"
    if "drier_rh_pct" in v:
        return f"{said}, at the cost of the surface's checking margin."
    return f"{said}.{_mould(v)}"


def _mould(v: Values) -> str:
    mould = v["mould_rh_pct"]
    return "" if mould is None else f" But that is above {mould:.0f} % RH, where mould can start."


def _right_place(v: Values, system: System) -> str:
    temperature = show_temperature(v["temp_c"], system)
    air = f"In air as where it will be used, about {v['rh_pct']:.0f} % RH at {temperature}"
    if v["ready_days"] is None:
        return (
            f"{air}, it would most likely not be ready within {years(v['horizon_days'])} either.{_mould(v)}"
        )
    return f"{air}, it would most likely be ready in {rough_days(v['ready_days'])}.{_mould(v)}"


def _shop_air(v: Values, system: System) -> str:
    temperature = show_temperature(v["temp_c"], system)
    return (
        f"Built in elsewhere, in air of about {v['rh_pct']:.0f} % RH at {temperature}, where wood settles at "
        f"{v['service_mc_pct']:.0f} %, it would be {share(v['build_probability'])} sure to stay within its "
        f"tolerance meanwhile; {_then(v)}.{_mould(v)}"
    )


def _other_place(v: Values, _: System) -> str:
    return (
        f"Moved to {v['place']} once it is squared and built in there, it would be "
        f"{share(v['build_probability'])} sure to stay within its tolerance meanwhile; {_then(v)}."
    )


def _shorter_build(v: Values, _: System) -> str:
    short = rough_days(v["shorter_days"])
    sure = f"{share(v['build_probability'])} sure to stay within its tolerance meanwhile"
    if v["enough"]:
        planned = rough_days(v["build_days"])
        return f"Built in within {short} instead of {planned}, it would be {sure}; {_then(v)}."
    return f"Even built in within {short}, it would be {sure}."


def _then(v: Values) -> str:
    then, now = share(v["probability"]), share(v["now_probability"])
    if then == now:
        return f"the chance that it meets every condition stays {now}"
    return f"the chance that it meets every condition would be {then} instead of {now}"


SENTENCES: Final[Mapping[str, Callable[[Values, System], str]]] = {
    "change.allowance": _allowance,
    "change.allowance_no_help": _allowance_no_help,
    "change.allowance_no_help_season": _allowance_no_help_season,
    "change.uses_today": _uses_today,
    "change.uses_sooner": _uses_sooner,
    "change.no_use_sooner": _no_use_sooner,
    "change.drier_air_not_ready": _air_not_ready,
    "change.drier_air_no_matter": _air_no_matter,
    "change.drier_air_later": _air_later,
    "change.drier_air_sooner": _air_sooner,
    "change.damper_air_not_ready": _air_not_ready,
    "change.damper_air_no_matter": _air_no_matter,
    "change.damper_air_later": _air_later,
    "change.damper_air_sooner": _air_sooner,
    "change.right_place": _right_place,
    "change.other_place": _other_place,
    "change.shop_air": _shop_air,
    "change.shorter_build": _shorter_build,
}
