"""The reasons of a verdict in words: how far the piece would move, how sure, and what would change it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any, Final

from baulk.models.formatting import (
    about,
    capital,
    count,
    day,
    share,
    show_allowance,
    show_change,
    show_movement,
    show_movement_range,
)
from baulk.models.text.common import noted
from baulk.models.units import System, show_length, show_size

Values = Mapping[str, Any]
LEAST_LEAN_MM: Final = 0.5  # a lean or a crown not worth a word; our own judgement
LEAST_SIDE_MM: Final = 10.0  # a section that nobody would call timber; our own judgement

_MOSTLY: Final = {
    "size": "in size",
    "check": "in the width of the face with the check",
    "out_of_square": "out of square",
    "cup": "as cup of a face",
}


_WHAT: Final = {
    "settling": "how far it still moves until it has settled in service",
    "mean_limit": "the mean MC that its use asks for when it is squared",
    "build": "how far it moves in the shop's air while it is built in",
    "dry_season": "how far it will have shrunk by the driest season in service",
    "damp_season": "how far it will have swollen by the dampest season in service",
}


def years(days: float) -> str:
    """Write how far a forecast looks."""
    return "two years" if abs(days - 730) < 8 else f"{count(round(days), 'day')}"


def rough_days(number: float) -> str:
    """Write a length of time as roughly as it is known: days up to three weeks, then weeks, then months."""
    if number < 21:
        return count(round(number), "day")
    return count(round(number / 7), "week") if number < 100 else count(round(number / 30.4), "month")


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
    tolerates = f"{v['use']} tolerates {show_movement(v['tolerance_mm'], system)}."
    squared = f"Squared today, the finished {_size(v, system)} would still"
    if v["mostly"] == "size":
        return f"{squared} {show_change(v['change_mm'], system)} until it has settled. {tolerates}"
    return (
        f"{squared} move {show_movement_range(v['movement_mm'], system)} until it has settled, mostly "
        f"{_MOSTLY[v['mostly']]}; its size would {show_change(v['change_mm'], system)}. {tolerates}"
    )


def _binds(v: Values, system: System) -> str:
    what = _WHAT[v["what"]]
    if v["yes"]:
        return (
            f"It meets every condition of its use. The closest is {what}{_within(v, system)}: "
            f"{share(v['probability'])} sure today."
        )
    return f"What decides is {what}{_within(v, system)}: {_sure(v)}."


def _binds_together(v: Values, _: System) -> str:
    if not v.get("same_day", True):
        return (
            "Each thing that its use asks is sure enough on some day; what decides is that on no day all of "
            "them are."
        )
    return (
        "Each thing that its use asks is sure enough by itself; what decides is that all hold together: "
        f"{share(v['probability'], v['needed'])} sure today."
    )


def _stage(v: Values, system: System) -> str:
    return f"{capital(_WHAT[v['what']])}{_within(v, system)}: {_sure(v)}."


def _within(v: Values, system: System) -> str:
    if v["what"] == "mean_limit":
        return f" ({v['limit_pct']:.0f} % or less)"
    return f" (no more than {show_movement(v['limit_mm'], system)})"


def _sure(v: Values) -> str:
    today = f"{share(v['probability'], v['needed'])} sure today"
    if v["sure_today"]:
        return today
    if v["sure_utc"] is None:
        return f"{today}, and not {share(v['needed'])} within {years(v['horizon_days'])}"
    return f"{today}, {share(v['needed'])} {about(v['sure_utc'], v['spread_days'])}"


def _too_dry(v: Values, system: System) -> str:
    return (
        f"It is too dry for its use: the finished piece has a mean MC of {percent(v['mean_pct'])}. Service "
        f"at {v['service_low_pct']:.0f} to {v['service_high_pct']:.0f} % would make it "
        f"{show_change(v['change_mm'], system)}. It needs damper air, or time where it will be used, before "
        "it is squared."
    )


def _drier_than_service(v: Values, system: System) -> str:
    return (
        f"The finished piece is drier than {v['service_low_pct']:.0f} to {v['service_high_pct']:.0f} %, its "
        f"moisture in service; it would {show_change(v['change_mm'], system)} there."
    )


def _chance(v: Values, rest: str) -> str:
    return (
        f"The chance that it meets every condition is {share(v['probability'], v.get('needed'))} today{rest}."
    )


def _chance_by(v: Values, _: System) -> str:
    return _chance(v, f", and {share(v['needed'])} {about(v['square_utc'], v['spread_days'])}")


def _chance_not_reached(v: Values, _: System) -> str:
    return _chance(v, f"; it does not reach {share(v['needed'])} within {years(v['horizon_days'])}")


def _first_yes(v: Values, _: System) -> str:
    return (
        f"To be right {share(v['wanted'])} of the time, a first yes needs {share(v['needed'])}, because an "
        "answer that is asked for again and again would otherwise say yes too early."
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
        f"{share(v['probability'])}, {_taken_off(v, system)} {_largest(v, system)}"
    )


def _no_longer_comes_out(v: Values, system: System) -> str:
    return (
        f"It no longer comes out at {_size(v, system)}: the chance is {share(v['probability'])}, "
        f"{_taken_off(v, system)} {_largest(v, system)}"
    )


def _taken_off(v: Values, system: System) -> str:
    checks = v.get("checks_mm", 0.0)  # what stored verdicts of before say nothing of
    deep = f", planing and {show_allowance(checks, system)} for its checks" if checks > 0 else " and planing"
    return (
        f"once shrinkage, distortion, bow, crook{deep} are off the "
        f"{show_size(v['size_width_mm'], v['size_depth_mm'], system)} that it was."
    )


def _just_enough(v: Values, system: System) -> str:
    return (
        f"What decides is how much its timber has left: {_size(v, system)} comes out of it with a chance of "
        f"{share(v['out_probability'])}, and that it meets every condition too is at best "
        f"{share(v['probability'], v['needed'])} sure; {share(v['needed'])} is needed."
    )


def _moisture(v: Values, _: System) -> str:
    return f"The core is at {percent(v['core_pct'])}; the mean MC of the section is {percent(v['mean_pct'])}."


def _shrinkage_done(v: Values, _: System) -> str:
    return (
        f"The finished piece has done {share(v['done'])} of its shrinkage toward "
        f"{v['service_low_pct']:.0f} to {v['service_high_pct']:.0f} %, its moisture in service."
    )


def _left_whole(v: Values, _: System) -> str:
    return (
        f"Left whole, its mean MC would be {v['mean_pct']:.0f} % in {years(v['horizon_days'])}; the "
        f"chance that it meets every condition would then be {share(v['probability'])}."
    )


def _roughing_not_ready(v: Values, system: System) -> str:
    either = "" if v.get("whole_ready") else " either"
    return (
        f"Roughed out to {_size(v, system)} today, it would not be ready within {years(v['horizon_days'])}"
        f"{either}."
    )


def _roughing_gains_little(v: Values, system: System) -> str:
    if v["gain_days"] < 0.5:
        return f"Roughing it out to {_size(v, system)} today would not make it ready any sooner."
    return (
        f"Roughing it out to {_size(v, system)} today would gain no more than {rough_days(v['gain_days'])}."
    )


def _roughing(v: Values, system: System) -> str:
    least = "at least " if v["at_least"] else ""
    return (
        f"Roughed out to {_size(v, system)} today, it would be ready "
        f"{about(v['ready_utc'], v['spread_days'])}, {least}{rough_days(v['gain_days'])} sooner. The chance "
        f"that it still holds the finished size is {share(v['probability'])}."
    )


def _build(v: Values, system: System) -> str:
    return (
        f"In the shop's air it would {show_change(v['change_mm'], system)} by the end of "
        f"{_days(v['build_days'])}' building, moving {show_movement_range(v['movement_mm'], system)} at most."
    )


def _service_range(v: Values, system: System) -> str:
    driest, wettest = (_would_have(v[name], system) for name in ("driest_mm", "wettest_mm"))
    said = (
        f"By its driest season, at {v['service_low_pct']:.0f} %, it would have {driest}; by its dampest, at "
        f"{v['service_high_pct']:.0f} %, it would have {wettest}."
    )
    limits = [
        f"{show_movement(v[name], system)} of {way} to its {season} season"
        for name, way, season in (
            ("dry_limit_mm", "shrinkage", "driest"),
            ("damp_limit_mm", "swelling", "dampest"),
        )
        if v[name] is not None
    ]
    if limits:
        return f"{said} Its use allows {' and '.join(limits)}."
    return (
        f"{said} Its use sets no limit for a season: the verdict counts the mean MC that it settles at, in "
        "the middle half of that range."
    )


def _would_have(mm: float, system: System) -> str:
    moved = show_movement(abs(mm), system)
    if moved == show_movement(0.0, system):
        return "hardly moved"
    return f"{'shrunk' if mm < 0 else 'swollen'} {moved}"


def _boxed_heart(v: Values, system: System) -> str:
    opening, crown, lean = (
        show_movement(v[name], system) for name in ("opening_mm", "crown_mm", "side_lean_mm")
    )
    if v["kerf"]:
        where = f"The relief kerf in face {v['face']} gives the check its place: it will be"
    elif v.get("check"):
        where = f"The check in face {v['face']} goes toward the heart: it will be"
    else:
        where = (
            f"From the pith to face {v['face']} there is the least wood to break, "
            f"{show_length(v['depth_mm'], system)}{_as_likely(v['as_likely'])}: there the check will be"
        )
    said = f"It boxes the heart and will check whatever the air. {where} open {opening} once in service. "
    if min(v["crown_mm"], v["side_lean_mm"]) >= LEAST_LEAN_MM:
        said += (
            f"Squared now, face {v['face']} would stand out {crown} beside the check, and each face next to "
            f"it lean {lean}. "
        )
    if v["kerf"] or v.get("check"):
        return said.strip()
    if v.get("checked"):
        return (
            f"{said}It has checked in {_faces_of(v['checked'])} already: a relief kerf would hardly change "
            "now where it opens."
        )
    return f"{said}A relief kerf to the heart on a hidden face gives the check its place."


def _faces_of(letters: str) -> str:
    return f"face {letters}" if len(letters) == 1 else f"faces {', '.join(letters[:-1])} and {letters[-1]}"


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


def _days(number: float) -> str:
    return count(round(number), "day")


SENTENCES: Final[Mapping[str, Callable[[Values, System], str]]] = {
    "verdict.contradiction": _contradiction,
    "verdict.settle_first": _settle_first,
    "verdict.few_readings": _few_readings,
    "verdict.may_stay_wet": _may_stay_wet,
    "verdict.binds": _binds,
    "verdict.binds_together": _binds_together,
    "verdict.stage": _stage,
    "verdict.too_dry": _too_dry,
    "verdict.drier_than_service": _drier_than_service,
    "verdict.moves": _moves,
    "verdict.chance_today": lambda v, _: _chance(v, ""),
    "verdict.chance_by": _chance_by,
    "verdict.chance_not_reached": _chance_not_reached,
    "verdict.comes_out": _comes_out,
    "verdict.little_left": _little_left,
    "verdict.no_longer_comes_out": _no_longer_comes_out,
    "verdict.just_enough": _just_enough,
    "verdict.first_yes": _first_yes,
    "verdict.moisture": _moisture,
    "verdict.shrinkage_done": _shrinkage_done,
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
}
