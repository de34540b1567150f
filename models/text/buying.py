"""Sentences of a buying plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from baulk.models.formatting import about, capital, count, day, share, show_along
from baulk.models.reason import Reason
from baulk.models.text.common import NAMED, Values, Writer, fixed, listed
from baulk.models.text.sawing import BOARD_FOOT_M3, show_volume
from baulk.models.units import System, show_length, show_mass, show_size

# why a timber does not serve -> how those are counted in one line
COUNTED: Final[Mapping[str, str]] = {
    "buying.late": "ready too late",
    "buying.not_ready": "not ready in time",
    "buying.too_short": "too short",
    "buying.too_small": "too small",
    "buying.heart_in_the_way": "with the heart in the wrong place",
    "buying.too_straight": "too straight",
    "buying.too_bent": "too bent",
    "buying.taken": "taken by other parts",
    "buying.other_wood": "of another wood",
    "buying.too_dry": "too dry for the use",
    "buying.moves_too_much": "of a wood that moves too much for the use",
}


def _nested(stored: Values, system: System) -> str:
    """Return a reason that another one holds in words."""
    inner = Reason.from_json(stored)
    return SENTENCES[inner.code](inner.values, system)


def _yard_gives(values: Values, _system: System) -> str:
    said = f"{values['given']} of {count(values['wanted'], 'piece')} can be cut from the yard"
    return f"{said}; {values['short']} must be bought." if values["short"] else f"{said}."


def _assigned(values: Values, system: System) -> str:
    ready = values["ready_utc"]
    when = "ready some day after its forecast ends" if ready is None else f"ready {about(ready, None)}"
    weeks = round(values["late_weeks"])
    late = "" if values["late_weeks"] <= 0 else f", {count(weeks, 'week')} late" if weeks else ", days late"
    named = values.get("beside") or ()
    beside = f", side by side with {listed(named)}" if named else ""
    other = values.get("other_wood")
    wood = f", of {other[0]} instead of {other[1]}" if other else ""
    return (
        f"{_part_of(values)}: {values['count']} from {values['tag']}{wood}, sawn "
        f"{_whole(values, system)}, {when} "
        f"({_nested(values['how'], system)}){late}{beside}."
    )


def _part_of(values: Values) -> str:
    """Return a part with what it is built into."""
    return f"{values['part']} ({values['vessel']})" if values.get("vessel") else str(values["part"])


def _whole(values: Values, system: System) -> str:
    size = show_size(values["width_mm"], values["depth_mm"], system)
    return f"{size} x {show_along(values['length_mm'], system)}"


def _left_over(values: Values, system: System) -> str:
    left = ", ".join(f"{tag} {show_along(mm, system)}" for tag, mm in values["left_mm"].items())
    return f"Left over: {left}."


def _short_no_size(values: Values, system: System) -> str:
    return f"{_short_of(values)} {_nested(values['why'], system)}"


def _short_of(values: Values) -> str:
    yard = ", ".join(f"{number} {COUNTED[code]}" for code, number in values["yard"].items())
    return f"{_part_of(values)}: {values['count']} short." + (
        f" Timbers in the yard: {yard}." if yard else ""
    )


def _short(values: Values, system: System) -> str:
    said = f"{_short_of(values)} Buy {_whole(values, system)}, {values['species']}"
    curve = show_length(values["sweep_mm"], system)
    if values["crook"]:
        said += (
            f", a natural crook with a sweep of {curve} over the part (a straight timber gives short grain)"
        )
    elif values["sweep_mm"] > 0:
        said += f", best with a natural sweep of {curve}"
    return f"{said}{_arrives(values['arrives'])}"


def _arrives(found: Values | None) -> str:
    if found is None:
        return "."
    if found["seasoned_pct"] is not None:
        return (
            f". Green, it is ready in time with a probability of {share(found['probability'])} only: buy it "
            f"part-seasoned, at a mean MC of {found['seasoned_pct']:.0f} % at most."
        )
    if found["latest_utc"] is not None:
        return f", green, to arrive by {day(found['latest_utc'])}."
    if found["ready_utc"] is not None:
        return f", green. Bought today it is ready {about(found['ready_utc'], None)}."
    return ", green. It would not be ready within five years."


def _mill(values: Values, system: System) -> str:
    return f"For the mill: {show_volume(values['volume_m3'], system, 2)} in all."


def _mill_line(values: Values, system: System) -> str:
    heart = "heart boxed" if values["heart"] == "boxed" else "free of heart"
    sweep = f", natural sweep of {show_length(values['sweep_mm'], system)}" if values["sweep_mm"] else ""
    by = f", by {day(values['by_utc'])}" if values["by_utc"] else ""
    return (
        f"{values['count']} x {_whole(values, system)} {values['species']}, {heart}{sweep}, "
        f"{_nested(values['moisture'], system)}{by}: {show_volume(values['volume_m3'], system)}. Each weighs "
        f"{show_mass(values['each_kg'], system)} green, up to {show_mass(values['each_heavy_kg'], system)}."
    )


def _part_seasoned(values: Values, _system: System) -> str:
    return f"mean MC {values['mc_pct']:.0f} % at most"


def _other_wood(values: Values, _system: System) -> str:
    return f"It is {values['species']}, not {values['wanted_species']}."


def _too_straight(values: Values, _system: System) -> str:
    return f"It is too straight for the part's curve: the grain would run out at 1 in {values['one_in']:.0f}."


def _heart_in_the_way(values: Values, _system: System) -> str:
    wanted = "with the heart boxed" if values["heart"] == "boxed" else "free of heart"
    return f"It has no room for the part {wanted}."


def _not_ready(values: Values, _system: System) -> str:
    return f"It is ready in time with a probability of {share(values['probability'])} only."


def _late(values: Values, system: System) -> str:
    return f"It is ready only {about(values['ready_utc'], None)} ({_nested(values['how'], system)})."


def _by_moisture_now(values: Values, _system: System) -> str:
    return f"its moisture today against a mean MC {_between(values)}; it has no forecast"


def _by_forecast(values: Values, _system: System) -> str:
    return f"its forecast, at a mean MC {_between(values)}"


def _between(values: Values) -> str:
    return f"from {values['above_pct']:.0f} to {values['below_pct']:.0f} %"


def _too_dry(values: Values, _system: System) -> str:
    return (
        f"At a mean MC of {values['mean_pct']:.0f} % it is too dry: the part may be squared "
        f"{_between(values)}, else it swells too much in its use."
    )


def _moves_too_much(values: Values, _system: System) -> str:
    return (
        f"With {share(values['confidence'])} confidence there is no moisture from which a part of its wood "
        "stays within what its use tolerates."
    )


def _by_drying_on(values: Values, _system: System) -> str:
    return f"dried on from {values['mean_pct']:.0f} % MC, probability {share(values['probability'])}"


def _no_size(values: Values, _system: System) -> str:
    return f"{capital(values['error'])}."


def _no_log(values: Values, system: System) -> str:
    return f"The green size would be {_whole(values, system)}, more than any log gives; build it up."


def _confidence(values: Values, _system: System) -> str:
    return f"Sizes and dates hold with {share(values['confidence'])} confidence, as far as the model knows."


def _taken_as_green(values: Values, _system: System) -> str:
    return (
        f"No evaluation yet for {listed(values['tags'])}: taken as green, at the usual moisture of the "
        f"species."
    )


def _new_timber_dries(values: Values, _system: System) -> str:
    return (
        f"New timber is dried from its arrival in {values['futures']} possible years of the shop's air, ends "
        "sealed. Only its species is known, so its drying rate may be off by a factor of two. Movement "
        "during "
        "the build is not included."
    )


def _not_proved(values: Values, _system: System) -> str:
    fewer = f"up to {count(values['fewer'], 'piece')} fewer may be short" if values["fewer"] else ""
    gap = values["gap_share"]
    cheaper = f"up to {'0.1 % or less' if gap < 0.0015 else f'{100 * gap:.1f} %'} cheaper" if gap else ""
    both = f" and {fewer}" if fewer and cheaper else fewer
    may = f"a plan {cheaper} may exist" if cheaper else ""
    return (
        "Not every plan could be looked at in the time: among the ways to lay the parts that were compared, "
        f"{may}{both}."
    )


def _left_worth(values: Values, system: System) -> str:
    keep = show_along(values["keep_mm"], system)
    return (
        f"Of a timber that is cut, a length left of {keep} or more is counted as worth "
        f"{share(values['worth_share'])} of its wood, a shorter one as firewood (our own judgement)."
    )


def _wish(wish: str) -> Writer:
    """Return the writer of what another wish would change."""

    def write(values: Values, system: System) -> str:
        named = {
            "parts": listed(values.get("parts") or ()),
            "step": show_length(values["step_mm"], system),
        }
        return f"{wish.format(**named)}, {_changed(values, system)}."

    return write


def _changed(values: Values, system: System) -> str:
    fewer = values["fewer"]
    if fewer:
        many = count(abs(fewer), "piece")
        return f"{many} {'fewer' if fewer > 0 else 'more'} would be short"
    more, less = values["more"], "less" if values["more"] < 0 else "more"
    if not more:
        return "nothing changes"
    if values["in_money"]:
        return f"it would cost {abs(more):.3g} {less}"
    return f"{_volume(abs(more), system)} {less} wood would be used"


def _volume(m3: float, system: System) -> str:
    least = BOARD_FOOT_M3 / 2 if system == "inch" else 0.0005
    if m3 < least:
        return "less than a board foot" if system == "inch" else "less than 0.001 m³"
    return show_volume(m3, system)


def _next_best(values: Values, system: System) -> str:
    which = "Next best" if values["number"] == 1 else "After that"
    more = values["more"]
    if values["short_more"]:
        cost = f"{count(values['short_more'], 'piece')} more short"
    elif not more:
        cost = "as good"
    elif values["in_money"]:
        cost = f"{more:.3g} dearer"
    else:
        cost = f"{_volume(more, system)} more wood lost"
    told = [_instead(each) for each in values["instead"]]
    return f"{which}, {cost}: {'; '.join(told[:NAMED])}{_and_more(told)}."


def _alike(values: Values, _system: System) -> str:
    groups = values["groups"]
    told = [f"{listed(each['tags'])} instead of {listed(each['instead'])}" for each in groups[:NAMED]]
    many = len(groups) - NAMED
    more = f"; and {many} more such {'group' if many == 1 else 'groups'} of timbers alike" if many > 0 else ""
    return f"As good: {'; '.join(told)}{more}."


def _no_other(values: Values, _system: System) -> str:
    if not values["served"]:
        return (
            "Nothing of the list can come out of the yard as it is asked for, so there is no assignment to "
            "compare."
        )
    further = "further" if values["found"] else "other"
    if not values["proved"]:
        return f"No {further} assignment was found in the time."
    if values["found"]:
        return "There is no further assignment that serves a part."
    apart = "Apart from that, there" if values["alike"] else "There"
    return f"{apart} is no other assignment that serves a part."


def _instead(each: Values) -> str:
    come, gone = listed(each["from"]), listed(each["not_from"])
    if not come:
        return f"{each['part']} not from {gone}"
    return f"{each['part']} from {come}" + (f" instead of {gone}" if gone else " too")


def _and_more(told: Sequence[str]) -> str:
    return f"; {count(len(told) - NAMED, 'other part')} elsewhere too" if len(told) > NAMED else ""


_END_TO_END: Final = (
    "Parts lie end to end in a timber, side by side where its section allows. As few pieces as possible stay "
    "short; then the "
)
_COMPARED: Final = (
    " Not every way to saw is compared: side by side lie sizes near one another, a few at a time, "
    "and none is turned."
)

SENTENCES: Final[Mapping[str, Writer]] = {
    "buying.yard_gives": _yard_gives,
    "buying.assigned": _assigned,
    "buying.left_over": _left_over,
    "buying.short": _short,
    "buying.short_no_size": _short_no_size,
    "buying.mill": _mill,
    "buying.mill_line": _mill_line,
    "buying.green": fixed("green"),
    "buying.part_seasoned": _part_seasoned,
    "buying.other_wood": _other_wood,
    "buying.too_short": fixed("It is too short for the part."),
    "buying.too_small": fixed("Its section is too small for the part."),
    "buying.too_straight": _too_straight,
    "buying.too_bent": fixed("It is bent too much for the part."),
    "buying.heart_in_the_way": _heart_in_the_way,
    "buying.not_ready": _not_ready,
    "buying.late": _late,
    "buying.too_dry": _too_dry,
    "buying.moves_too_much": _moves_too_much,
    "buying.taken": fixed("It is taken by other parts."),
    "buying.by_use": fixed("its use may stay wet"),
    "buying.by_verdict": fixed("its verdict"),
    "buying.by_moisture_now": _by_moisture_now,
    "buying.by_forecast": _by_forecast,
    "buying.by_drying_on": _by_drying_on,
    "buying.no_wood_named": fixed(
        "No wood is named for it; fill in the column wood of the parts list, or give --species."
    ),
    "buying.no_size": _no_size,
    "buying.no_log": _no_log,
    "buying.confidence": _confidence,
    "buying.least_waste": fixed(f"{_END_TO_END}least wood is wasted.{_COMPARED}"),
    "buying.least_cost": fixed(f"{_END_TO_END}cost of waste and waiting is least.{_COMPARED}"),
    "buying.left_worth": _left_worth,
    "buying.kept_for_its_use": fixed(
        "A timber entered for one use is cut for another only where a part would be short without it."
    ),
    "buying.first_served": fixed(
        "Parts needed first are served first, though more of the later ones stay short; of timbers alike "
        "they get the one that is ready sooner."
    ),
    "buying.other_woods": fixed(
        "Another wood of a part's list is taken only where the part would be short or late without it, or "
        "where it saves more than a tenth of the part's own wood."
    ),
    "buying.where_dates_come_from": fixed(
        "Where use and size agree, the date is that of the timber's own verdict. Elsewhere it is the day its "
        "forecast mean MC, taken as even, lies where the verdict's rule lets the part be squared. "
        "Beyond the forecast the timber is dried on by what is known of its species."
    ),
    "buying.taken_as_green": _taken_as_green,
    "buying.new_timber_dries": _new_timber_dries,
    "buying.proved": fixed(
        "Among the ways to lay the parts that were compared, no plan is better: that is proved."
    ),
    "buying.not_proved": _not_proved,
    "buying.next_best": _next_best,
    "buying.alike": _alike,
    "buying.no_other": _no_other,
    "buying.if_week_later": _wish("Wanted a week later"),
    "buying.if_any_day": _wish("If the parts could wait for the timber"),
    "buying.if_smaller": _wish("With {parts} {step} smaller both ways"),
    "buying.if_any_wood": _wish("If any wood in the yard would do"),
    "buying.if_first_wood": _wish("Without the other woods of the list"),
    "buying.if_any_heart": _wish("If the place of the heart did not matter"),
    "buying.no_day": fixed("No part is wanted by a day, so a week later changes nothing."),
    "buying.no_wood_asked": fixed("No part asks for a wood: any wood in the yard is compared already."),
    "buying.size_or_length": fixed(
        "Neither waiting, nor another wood, nor another place of the heart fills a gap: the timbers are too "
        "small or too short."
    ),
    "buying.drier_air": fixed(
        "Drier air or a later day would let part of the order come green; a plan of the air says which air."
    ),
    "buying.more_readings": fixed(
        "One more reading of a timber narrows its date; its verdict names the one that helps most."
    ),
}
