"""The reasons of a verdict in words: how far the piece would move, how sure, and what would change it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any, Final

from baulk.models.formatting import count, day, share, show_movement, show_movement_range
from baulk.models.text.common import noted
from baulk.models.units import System, show_length, show_size

Values = Mapping[str, Any]
LEAST_SIDE_MM: Final = 10.0  # a section that nobody would call timber; our own judgement

_MOSTLY: Final = {"size": "in size", "out_of_square": "out of square", "cup": "as cup of a face"}


def years(days: float) -> str:
    """Write how far a forecast looks."""
    return "two years" if abs(days - 730) < 8 else f"{days:.0f} days"


def percent(values: tuple[float, float, float]) -> str:
    """Write a median with its 90 % interval in percent: ``48 % (44 to 52)``."""
    low, middle, high = values
    return f"{middle:.0f} % ({low:.0f} to {high:.0f})"


def _size(v: Values, system: System) -> str:
    return show_size(v["width_mm"], v["depth_mm"], system)


def _contradiction(v: Values, _: System) -> str:
    scale = [
        count(v[name], what)
        for name, what in (("weights", "weight"), ("sections", "oven-dry section"))
        if v[name]
    ]
    return (
        f"Scale and pins contradict each other: by {' and '.join(scale)} the mean MC is "
        f"{percent(v['scale_pct'])}, by {count(v['pins'], 'pin reading')} it is "
        f"{percent(v['pins_pct'])}. They cannot both be right since {day(v['since_utc'])}."
    )


def _settle_first(_v: Values, _s: System) -> str:
    return (
        "The ranges below hold both, so do not saw it until this is settled. Look for a wrong tare or unit "
        "of the scale, pins in another timber or in a dry shell, and a meter set to another wood."
    )


def _few_readings(v: Values, _: System) -> str:
    used = v["used"]
    there = f"are only {used} usable readings"
    there = {0: "is no usable reading", 1: "is only one usable reading"}.get(used, there)
    return (
        f"There {there} so far, and {v['needed']} are needed. What follows is what its species usually does, "
        "not what this timber does."
    )


def _may_stay_wet(v: Values, system: System) -> str:
    return f"{v['use']} may stay wet, so it can be squared now. {noted(v['note'], system)}"


def _moves(v: Values, system: System) -> str:
    return (
        f"Squared today, the finished {_size(v, system)} would still move "
        f"{show_movement_range(v['movement_mm'], system)}, mostly {_MOSTLY[v['mostly']]}. {v['use']} "
        f"tolerates {show_movement(v['tolerance_mm'], system)}."
    )


def _chance(v: Values, rest: str) -> str:
    return f"The chance that it stays within that is {share(v['probability'])} today{rest}."


def _chance_by(v: Values, _: System) -> str:
    return _chance(v, f" and {share(v['wanted'])} by {day(v['square_utc'])}")


def _chance_not_reached(v: Values, _: System) -> str:
    return _chance(v, f"; it does not reach {share(v['wanted'])} within {years(v['horizon_days'])}")


def _first_yes(v: Values, _: System) -> str:
    return (
        f"A first yes needs {share(v['needed'])}, because an answer that is asked for again and again would "
        "otherwise say yes too early."
    )


def _largest(v: Values, system: System) -> str:
    """Write the section that does come out, rounded down as a saw would."""
    step = 25.4 / 8 if system == "inch" else 1.0
    width_mm, depth_mm = (
        math.floor(v[f"largest_{name}_mm"] / step + 1e-6) * step for name in ("width", "depth")
    )
    if min(width_mm, depth_mm) < LEAST_SIDE_MM:
        return "No section worth sawing does."
    return f"{show_size(width_mm, depth_mm, system)} does, with {share(v['wanted'])} confidence."


def _comes_out(v: Values, system: System) -> str:
    return f"The chance that {_size(v, system)} still comes out of it is {share(v['probability'])}."


def _little_left(v: Values, system: System) -> str:
    return (
        f"Little is left for {_size(v, system)}: the chance that it still comes out is "
        f"{share(v['probability'])}, once shrinkage, distortion, bow, crook and planing are off the "
        f"{show_size(v['size_width_mm'], v['size_depth_mm'], system)} that it was. {_largest(v, system)}"
    )


def _no_longer_comes_out(v: Values, system: System) -> str:
    return (
        f"It no longer comes out at {_size(v, system)}: the chance is {share(v['probability'])}, once "
        f"shrinkage, distortion, bow, crook and planing are off the "
        f"{show_size(v['size_width_mm'], v['size_depth_mm'], system)} that it was. {_largest(v, system)}"
    )


def _moisture(v: Values, _: System) -> str:
    return f"The core is at {percent(v['core_pct'])}; the mean MC of the section is {percent(v['mean_pct'])}."


def _shrinkage_done(v: Values, _: System) -> str:
    return (
        f"The finished piece has done {share(v['done'])} of its shrinkage toward "
        f"{v['service_low_pct']:.0f} to {v['service_high_pct']:.0f} %, its moisture in service."
    )


def _mean_limit(v: Values, _: System) -> str:
    return f"{v['use']} asks for a mean MC of {v['most_pct']:.0f} % or less when it is squared."


def _left_whole(v: Values, _: System) -> str:
    return (
        f"Left whole, its mean MC would be {v['mean_pct']:.0f} % in {years(v['horizon_days'])}; the "
        f"chance that it stays within the tolerance would then be {share(v['probability'])}."
    )


def _roughing_not_ready(v: Values, system: System) -> str:
    return (
        f"Roughed out to {_size(v, system)} today, it would not be ready within {years(v['horizon_days'])} "
        "either."
    )


def _roughing_gains_little(v: Values, system: System) -> str:
    return f"Roughing it out to {_size(v, system)} today would gain no more than {_days(v['gain_days'])}."


def _roughing(v: Values, system: System) -> str:
    least = "at least " if v["at_least"] else ""
    return (
        f"Roughed out to {_size(v, system)} today, it would be ready by {day(v['ready_utc'])}, {least}"
        f"{_days(v['gain_days'])} sooner. The chance that it still holds the finished size is "
        f"{share(v['probability'])}."
    )


def _build(v: Values, system: System) -> str:
    return (
        f"Squared today, it would move {show_movement_range(v['movement_mm'], system)} by the end of "
        f"{_days(v['build_days'])} in the shop's air."
    )


def _service_range(v: Values, system: System) -> str:
    driest, wettest = (show_movement(v[name], system) for name in ("driest_mm", "wettest_mm"))
    return (
        f"At {v['service_low_pct']:.0f} %, the driest of its service, it would have moved {driest}; at "
        f"{v['service_high_pct']:.0f} %, the wettest, {wettest}. The verdict counts the mean MC that it "
        "settles at, in the middle half of that range."
    )


def _boxed_heart(v: Values, system: System) -> str:
    opening, crown, lean = (
        show_movement(v[name], system) for name in ("opening_mm", "crown_mm", "side_lean_mm")
    )
    if v["kerf"]:
        where = f"The relief kerf in face {v['face']} gives the check its place: it will be"
    else:
        where = (
            f"From the pith to face {v['face']} there is the least wood to break, "
            f"{show_length(v['depth_mm'], system)}{_as_likely(v['as_likely'])}: there the check will be"
        )
    said = f"It boxes the heart and will check whatever the air. {where} open {opening} once in service. "
    if v["crown_mm"] > 0 and v["side_lean_mm"] > 0:
        said += (
            f"Squared now, face {v['face']} would stand out {crown} beside the check, and each face next to "
            f"it lean {lean}. "
        )
    if v["kerf"]:
        return said.strip()
    return f"{said}A relief kerf to the heart on a hidden face gives the check its place."


def _as_likely(letters: str) -> str:
    if not letters:
        return ""
    if len(letters) == 1:
        return f" (hardly more to face {letters})"
    return f" (hardly more to faces {', '.join(letters[:-1])} and {letters[-1]})"


def _use_note(v: Values, system: System) -> str:
    return f"What the trade asks of it: {noted(v['note'], system)} Source: {v['source']}."


def _no_start(v: Values, _: System) -> str:
    return (
        f"No published safe start for {v['species']} is known here, so its surface has no checking margin; "
        "another species' would say nothing about it."
    )


def _past(_v: Values, _s: System) -> str:
    return "It is past the wet stages of the published safe starts: most of the checking is behind it."


def _margin(v: Values, system: System) -> str:
    way = "less" if v["wanted_pct"] <= v["tolerated_pct"] else "more"
    times = round(v["times_thicker"])
    thick = f"{times} times as thick as" if times > 1 else "about as thick as"
    return (
        f"Its surface tends to shrink {v['wanted_pct']:.1f} %, {way} than the "
        f"{v['tolerated_pct']:.1f} % that boards of {show_length(v['board_mm'], system)} stand at the "
        f"mildest published safe start (air at {v['emc_pct']:.1f} % EMC; {v['source']}). At the EMC of "
        f"today's air it would be {v['in_air_pct']:.1f} %. Use it to compare airs for {v['species']} only: "
        f"this piece is {thick} those boards."
    )


def _ahead_within(v: Values, _: System) -> str:
    return (
        f"In the next {_days(v['days'])} it is not expected to be asked for more than those boards stand: "
        f"{v['wanted_pct']:.1f} % at most; the chance that it is asked for more is {share(v['probability'])}."
    )


def _ahead_over(v: Values, _: System) -> str:
    when = "Already today it is" if v["from_utc"] is None else f"By {day(v['from_utc'])} it is likely to be"
    act = "now" if v["from_utc"] is None else "before then"
    return (
        f"{when} asked for more than those boards stand: in the next {_days(v['days'])} it wants to shrink "
        f"up to {v['wanted_pct']:.1f} %. Raise the humidity {act}, cover it or move it out of draught and "
        "sun."
    )


def _stress(v: Values, system: System) -> str:
    return (
        f"After creep the tension across its outer {show_length(v['depth_mm'], system)} is about "
        f"{100 * v['stress']:.0f} % of the strength of small clear green pieces, and up to "
        f"{100 * v['stress_ahead']:.0f} % in the next {_days(v['days'])}. Use it too to compare airs only."
    )


def _decided_now(v: Values, _: System) -> str:
    return f"Checks are decided now, at a mean MC above {v['above_pct']:.0f} %."


def _mostly_over(v: Values, _: System) -> str:
    return f"Most of the checking is behind it, at a mean MC below {v['below_pct']:.0f} %."


def _allowance(v: Values, system: System) -> str:
    need, now = (show_movement(v[name], system) for name in ("allowance_mm", "tolerance_mm"))
    return f"An allowance of {need} instead of {now} would let it be squared today."


def _allowance_no_help(v: Values, _: System) -> str:
    return (
        f"A wider allowance would not change it: its use asks for a mean MC of {v['most_pct']:.0f} % or "
        f"less, and the chance of that is {share(v['probability'])}."
    )


def _uses_today(v: Values, _: System) -> str:
    uses = [each["use"] + (" (may stay wet)" if each["may_stay_wet"] else "") for each in v["uses"]]
    return f"It could be squared today for another use: {'; '.join(uses)}."


def _uses_sooner(v: Values, _: System) -> str:
    uses = [f"{each['use']} by {day(each['ready_utc'])}" for each in v["uses"]]
    return f"It would be ready sooner for another use: {'; '.join(uses)}."


def _no_use_sooner(_v: Values, _s: System) -> str:
    return "No other use would have it sooner."


def _drier_by(v: Values) -> str:
    return f"Air {v['drier_rh_pct']:.0f} points of RH drier than expected"


def _drier_not_ready(v: Values, _: System) -> str:
    return f"{_drier_by(v)} would not bring the likely date within {years(v['horizon_days'])} either."


def _drier_no_matter(v: Values, _: System) -> str:
    return f"{_drier_by(v)} would hardly change the likely date."


def _drier_later(v: Values, _: System) -> str:
    later = _days(v["later_days"])
    return f"{_drier_by(v)} would bring the likely date {later} later, because it would settle too dry."


def _drier_sooner(v: Values, _: System) -> str:
    least = "at least " if v["at_least"] else ""
    return (
        f"{_drier_by(v)} would bring the likely date {least}{_days(v['gain_days'])} sooner, at the cost of "
        "the surface's checking margin."
    )


def _shop_air(v: Values, _: System) -> str:
    mould = v["mould_rh_pct"]
    but = "" if mould is None else f" But that is above {mould:.0f} % RH, where mould can start."
    return (
        "While the work goes on, the shop's air would move it further than its service will. Air of about "
        f"{v['rh_pct']:.0f} % RH, where wood settles at {v['service_mc_pct']:.0f} %, would not.{but}"
    )


def _days(number: float) -> str:
    return count(round(number), "day")


SENTENCES: Final[Mapping[str, Callable[[Values, System], str]]] = {
    "verdict.contradiction": _contradiction,
    "verdict.settle_first": _settle_first,
    "verdict.few_readings": _few_readings,
    "verdict.may_stay_wet": _may_stay_wet,
    "verdict.moves": _moves,
    "verdict.chance_today": lambda v, _: _chance(v, ""),
    "verdict.chance_by": _chance_by,
    "verdict.chance_not_reached": _chance_not_reached,
    "verdict.comes_out": _comes_out,
    "verdict.little_left": _little_left,
    "verdict.no_longer_comes_out": _no_longer_comes_out,
    "verdict.first_yes": _first_yes,
    "verdict.moisture": _moisture,
    "verdict.shrinkage_done": _shrinkage_done,
    "verdict.mean_limit": _mean_limit,
    "verdict.left_whole": _left_whole,
    "verdict.roughing_not_ready": _roughing_not_ready,
    "verdict.roughing_gains_little": _roughing_gains_little,
    "verdict.roughing": _roughing,
    "verdict.build": _build,
    "verdict.service_range": _service_range,
    "verdict.boxed_heart": _boxed_heart,
    "verdict.use_note": _use_note,
    "checking.no_start": _no_start,
    "checking.past": _past,
    "checking.margin": _margin,
    "checking.ahead_within": _ahead_within,
    "checking.ahead_over": _ahead_over,
    "checking.stress": _stress,
    "checking.decided_now": _decided_now,
    "checking.mostly_over": _mostly_over,
    "change.allowance": _allowance,
    "change.allowance_no_help": _allowance_no_help,
    "change.uses_today": _uses_today,
    "change.uses_sooner": _uses_sooner,
    "change.no_use_sooner": _no_use_sooner,
    "change.drier_air_not_ready": _drier_not_ready,
    "change.drier_air_no_matter": _drier_no_matter,
    "change.drier_air_later": _drier_later,
    "change.drier_air_sooner": _drier_sooner,
    "change.shop_air": _shop_air,
}
