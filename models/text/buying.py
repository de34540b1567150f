"""Sentences of a buying plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from baulk.models.formatting import about, capital, count, day, share, show_along
from baulk.models.reason import Reason
from baulk.models.text.common import Values, Writer, fixed
from baulk.models.text.sawing import show_volume
from baulk.models.units import System, show_length, show_mass, show_size

NAMED: Final = 6  # of a list of tags

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
    beside = f", side by side with {_listed(named)}" if named else ""
    return (
        f"{values['part']}: {values['count']} from {values['tag']}, sawn {_whole(values, system)}, {when} "
        f"({_nested(values['how'], system)}){late}{beside}."
    )


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
    return f"{values['part']}: {values['count']} short." + (f" Timbers in the yard: {yard}." if yard else "")


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
    return f"its moisture today against a mean MC of {values['below_pct']:.0f} %; it has no forecast"


def _by_forecast(values: Values, _system: System) -> str:
    return f"its forecast, at a mean MC of {values['below_pct']:.0f} %"


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
        f"No evaluation yet for {_listed(values['tags'])}: taken as green, at the usual moisture of the "
        f"species."
    )


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names[:NAMED]) + (f" and {len(names) - NAMED} more" if len(names) > NAMED else "")


def _new_timber_dries(values: Values, _system: System) -> str:
    return (
        f"New timber is dried from its arrival in {values['futures']} possible years of the shop's air, ends "
        "sealed. Only its species is known, so its drying rate may be off by a factor of two. Movement "
        "during "
        "the build is not included."
    )


def _search_stopped(values: Values, _system: System) -> str:
    return (
        "The search was stopped at its time limit: among the ways to lay the parts that were compared, a "
        f"plan up to {share(values['gap_share'])} cheaper may exist."
    )


def _left_worth(values: Values, system: System) -> str:
    keep = show_along(values["keep_mm"], system)
    return (
        f"Of a timber that is cut, a length left of {keep} or more is counted as worth "
        f"{share(values['worth_share'])} of its wood, a shorter one as firewood (our own judgement)."
    )


def _fewer(wish: str) -> Writer:
    """Return the writer of how many pieces fewer would be short under another wish."""

    def write(values: Values, _system: System) -> str:
        return f"{wish}, {count(values['fewer'], 'piece')} fewer would be short."

    return write


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
    "buying.left_not_counted": fixed(
        "What is left of a timber's length counts for nothing here: the search would take too long."
    ),
    "buying.kept_for_its_use": fixed(
        "A timber entered for one use is cut for another only where a part would be short without it."
    ),
    "buying.where_dates_come_from": fixed(
        "Where use and size agree, the date is that of the timber's own verdict. Elsewhere it is the day its "
        "forecast mean MC is dry enough for the part. Beyond the forecast the timber is dried on by what is "
        "known of its species."
    ),
    "buying.taken_as_green": _taken_as_green,
    "buying.new_timber_dries": _new_timber_dries,
    "buying.search_stopped": _search_stopped,
    "buying.any_days": _fewer("If the parts could wait for the timber"),
    "buying.any_wood": _fewer("If any wood in the yard would do"),
    "buying.any_heart": _fewer("If the place of the heart did not matter"),
    "buying.size_or_length": fixed(
        "Neither waiting, nor another wood, nor another place of the heart fills a gap: the timbers are too "
        "small or too short."
    ),
    "buying.drier_air": fixed(
        "Drier air or a later day would let part of the order come green; see `baulk plan air`."
    ),
    "buying.more_readings": fixed(
        "One more reading of a timber narrows its date; `baulk verdict` names the one that helps most."
    ),
}
