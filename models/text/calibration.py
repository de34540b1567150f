"""What a fit set aside, and what else is to be known of it, in words.

A reason of a single reading is a part of a sentence, as "it jumped from 20 to 45 % within 3 days"; with the
name of a series in its values it is a whole sentence about that series.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from baulk.models.formatting import capital, count, day, show_movement, show_movement_range
from baulk.models.quantity import Quantity
from baulk.models.reading import series_of
from baulk.models.text import series
from baulk.models.units import System, show_length, show_mass, show_size, show_temperature

Values = Mapping[str, Any]
Say = Callable[[Values, System], str]


def within(days: float) -> str:
    """Write a time between two readings."""
    return "a day" if days < 1.5 else f"{days:.0f} days"


def _kg(v: Values, name: str, system: System) -> str:
    return show_mass(v[name], system, tenths=True)


def _near_end(v: Values, system: System) -> str:
    away, reach = (_whole(v[name], system) for name in ("from_end_mm", "reach_mm"))
    what = {"pins": "pins", "section": "a section"}.get(v["what"], f"a {v['what']}")
    show = "show" if v["what"] == "pins" else "shows"
    return (
        f"{what} {away} from an end {show} what the end has dried, not the whole timber: the ends reach "
        f"{reach} by then"
    )


def _whole(mm: float, system: System) -> str:
    """Write a distance in whole inches or millimetres."""
    return show_length(round(mm / 25.4) * 25.4 if system == "inch" else mm, system)


def _outside_piece(v: Values, system: System) -> str:
    depth, size = (show_length(v[name], system) for name in ("depth_mm", "size_mm"))
    return f"a depth of {depth} lies outside the piece, which is {size} there"


def _frozen(v: Values, system: System) -> str:
    if "wood_c" in v:
        return f"the wood was frozen, at {show_temperature(v['wood_c'], system)}"
    return (
        "the wood was frozen: the air of the two days before was at "
        f"{show_temperature(v['air_c'], system)} on average"
    )


def _not_a_moisture(v: Values, _: System) -> str:
    return f"it tells no moisture: {v['error']}"


def _jump(v: Values, _: System) -> str:
    return f"it jumped from {v['from_pct']:.0f} to {v['to_pct']:.0f} % within {within(v['days'])}"


def _wet_surface(v: Values, _: System) -> str:
    return (
        f"it rose from {v['from_pct']:.0f} to {v['to_pct']:.0f} % while the deeper pins did not, as on a "
        "surface wet with rain or dew"
    )


def off(points: float) -> str:
    """Write how far a reading lies from the fit."""
    return f"{count(round(abs(points)), 'point')} {'above' if points > 0 else 'below'} what the rest says"


def _not_above_tare(v: Values, system: System) -> str:
    return f"{_kg(v, 'weight_kg', system)} is not above its tare"


def _weight_misread(v: Values, system: System) -> str:
    weight, beside = (show_mass(v[name], system) for name in ("weight_kg", "beside_kg"))
    return f"{weight} stands beside {beside}"


def _below_dry_weight(v: Values, system: System) -> str:
    return (
        f"{_kg(v, 'weight_kg', system)} is less than its oven-dry wood weighs, {_kg(v, 'least_kg', system)} "
        "at the least"
    )


def _from_to(v: Values, system: System) -> str:
    return f"from {_kg(v, 'from_kg', system)} to {_kg(v, 'to_kg', system)} within {within(v['days'])}"


def _weight_rose(v: Values, system: System) -> str:
    return f"it rose {_from_to(v, system)}, more than wood takes up"


def _weight_fell(v: Values, system: System) -> str:
    most = f"{100 * v['most_share']:.0f} % at most"
    return f"it fell {_from_to(v, system)}, faster than its faces can dry ({most})"


def _no_weight(v: Values, system: System) -> str:
    return f"a weight of {show_mass(v['weight_kg'], system)} is not above 0"


_PINS: Final = "Look for a loose pin, a wet surface or a swapped tag."
_DRY_FACE: Final = "Read it again when the face has dried."
_WEIGHTS: Final = "Look for a cut, another timber on the scale or a wrong tare."
_SECTIONS: Final = "Look for a section too near an end, or of another timber."

# what is wrong with a single reading, and what to do about it
_CLAUSES: Final[Mapping[str, tuple[Say, str]]] = {
    "calibration.before_arrival": (lambda _v, _s: "it was taken before the timber arrived", ""),
    "calibration.in_future": (lambda _v, _s: "its time lies in the future", "Check the clock."),
    "calibration.near_end": (_near_end, ""),
    "calibration.outside_piece": (_outside_piece, "Correct its depth or its face."),
    "calibration.frozen": (_frozen, "Read it again after the thaw."),
    "calibration.not_a_moisture": (_not_a_moisture, ""),
    "calibration.jump": (_jump, "Look for a loose pin or a swapped tag."),
    "calibration.wet_surface": (_wet_surface, _DRY_FACE),
    "calibration.repeated": (lambda _v, _s: "it repeats the number of the days before", ""),
    "calibration.after_step": (lambda _v, _s: "it was read after all series had changed at once", ""),
    "calibration.other_kind": (lambda _v, _s: "only the other kind of readings is counted", ""),
    "calibration.not_above_tare": (_not_above_tare, "Check the tare."),
    "calibration.weight_misread": (
        _weight_misread,
        "Look for a weight in pounds, or another timber on the scale.",
    ),
    "calibration.below_dry_weight": (_below_dry_weight, _WEIGHTS),
    "calibration.no_weight": (_no_weight, ""),
}


def _clause_or_sentence(code: str) -> Say:
    clause, advice = _CLAUSES[code]

    def say(v: Values, system: System) -> str:
        why = clause(v, system)
        return why if "series" not in v else _left_out(v, system, why, advice)

    return say


def _left_out(v: Values, system: System, why: str, advice: str) -> str:
    number = v["count"]
    because = "because" if number == 1 else "the last because"
    said = f"{_called(v, system)}: {count(number, 'reading')} left out, {because} {why}."
    return f"{said} {advice}".rstrip()


def _called(v: Values, system: System) -> str:
    return capital(series.called(v["series"], system))


def _weight_change(clause: Say) -> Say:
    def say(v: Values, system: System) -> str:
        why = clause(v, system)
        if "for_good_since_utc" in v:
            return (
                f"{_called(v, system)}: {why}, and it stayed there. Something was cut off, the tare "
                "changed or the scale holds another timber: the weights since "
                f"{day(v['for_good_since_utc'])} count as a series of their own."
            )
        return why if "series" not in v else _left_out(v, system, why, _WEIGHTS)

    return say


def _outlier(v: Values, system: System) -> str:
    if "series" not in v:
        return off(v["off_pct"])
    return f"{_outliers(v, system)}. {_look(v['series'])}"


def _wet_outlier(v: Values, system: System) -> str:
    return (
        f"{_outliers(v, system)}, while the deeper pins are not: the surface was wet, with rain or dew. "
        f"{_DRY_FACE}"
    )


def _outliers(v: Values, system: System) -> str:
    last = "" if v["count"] == 1 else "the last, "
    return (
        f"{_called(v, system)}: {v['count']} of {count(v['of'], 'reading')} left out, {last}of "
        f"{day(v['last_utc'])}, {off(v['off_pct'])}"
    )


def _look(name: str) -> str:
    if series.of_section(name):
        return _SECTIONS
    found = series_of(name)
    return _WEIGHTS if found is not None and found.quantity is Quantity.WEIGHT else _PINS


def _rest(v: Values) -> str:
    return "the weights and the other pins" if v["weighed"] else "the other pins"


def _drifts(v: Values, system: System) -> str:
    if "series" not in v:
        return "its series drifts"
    return (
        f"{_called(v, system)}: left out, because it drifts by about {v['drift_pct_per_month']:+.1f} "
        f"points a month against {_rest(v)}. Look for corroded or loose pins or a failing sensor, and "
        "drive new pins beside it."
    )


def _one_of_two(v: Values, system: System) -> str:
    other = series.called(v["instead"], system)
    more = "" if v["weighed"] else ", or weigh the timber a few times"
    return (
        f"{_called(v, system)} and {other} can't both be right: one of them drifts or is in other wood, and "
        "nothing else tells which. Half of the answer leaves out the one, half the other. Check the pins of "
        f"both, and drive new ones beside them{more}."
    )


def _other_wood(v: Values, system: System) -> str:
    if "series" not in v:
        return "its series is of other wood"
    way = "wetter" if v["off_pct"] > 0 else "drier"
    return (
        f"{_called(v, system)}: left out, because it follows another course than this timber's. By now it is "
        f"about {count(round(abs(v['off_pct'])), 'point')} {way} than {_rest(v)} say. Look whether its pins "
        "are in another timber, another wood or at another depth than noted."
    )


def _stuck(v: Values, system: System) -> str:
    return (
        f"{_called(v, system)}: it showed {v['shown']:.4g} to the last digit on "
        f"{count(v['days'], 'day')} from "
        f"{day(v['first_utc'])} to {day(v['last_utc'])}, as a stuck meter does. Only the first of them "
        "counts."
    )


def _clock(v: Values, system: System) -> str:
    return (
        f"{_called(v, system)}: the device's clock was {count(round(v['behind_days']), 'day')} behind for "
        f"{count(v['count'], 'reading')}, so the time of arrival counts."
    )


def _all_stepped(v: Values, _: System) -> str:
    way = "higher" if v["off_pct"] > 0 else "lower"
    return (
        f"Since {day(v['since_utc'])} all {v['series_count']} series that can tell read something else, pins "
        f"about {count(round(abs(v['off_pct'])), 'point')} {way}, as when two tags were swapped or the "
        "sensors moved to another timber. What was read since is left out until somebody has checked which "
        "timber bears this tag."
    )


def density(kg_m3: float, system: System) -> str:
    """Write a basic density; in inches as specific gravity, which has no unit."""
    return f"{kg_m3 / 1000:.2f}" if system == "inch" else f"{kg_m3:.0f} kg/m³"


def _impossible_density(v: Values, system: System) -> str:
    low, middle, high = (density(each, system) for each in v["found_kg_m3"])
    what = "basic specific gravity" if system == "inch" else "basic density"
    fits = {"lb": ["if the weights were pounds taken for kilograms"],
            "kg": ["if the weights were kilograms taken for pounds"]}.get(v["weights_in"], [])  # fmt: skip
    if v["like_species"] is not None:
        fits += [f"if the wood were {v['like_species']}, with {density(v['like_kg_m3'], system)}"]
    because = "No wood of the table is like that. Look"
    if fits:
        because = f"It would fit {', or '.join(fits)}. Else look"
    return (
        f"{_called(v, system)}: {show_mass(v['weight_kg'], system)} and its size give a {what} of {middle} "
        f"({low} to {high} at any moisture it may have had), and {v['species']} has about "
        f"{density(v['usual_kg_m3'], system)}. {because} at the scale, its tare and unit, and at the size."
    )


def _one_day(v: Values, _: System) -> str:
    return f"All readings are of {day(v['read_utc'])}: they tell how wet it is, not how fast it dries."


def _no_reading_for(v: Values, _: System) -> str:
    until = "now" if v["until_utc"] is None else day(v["until_utc"])
    return (
        f"There is no usable reading for {count(round(v['days']), 'day')}, from {day(v['since_utc'])} "
        f"to {until}; the "
        "model alone carries it through."
    )


def _size(v: Values, system: System, before: str = "") -> str:
    return show_size(v[f"{before}width_mm"], v[f"{before}depth_mm"], system)


def _size_before_unknown(v: Values, system: System) -> str:
    return (
        f"Its size before it was planed on {day(v['planed_utc'])} is not on record, so the fit dries it at "
        f"{_size(v, system)} from its arrival on."
    )


def _planing_not_counted(v: Values, system: System) -> str:
    return (
        f"The planing of {day(v['planed_utc'])} to {_size(v, system)} is not counted, because it was "
        f"{_size(v, system, 'from_')} before. Correct one of the two."
    )


def _planed(v: Values, system: System) -> str:
    return (
        f"It was planed on {day(v['planed_utc'])}: the fit dries it at {_size(v, system, 'from_')} until "
        f"then and at {_size(v, system)} since, with as much off opposite faces."
    )


def _shrinks(v: Values, _: System) -> str:
    low, middle, high = v["factor"]
    return (
        f"By {count(v['sizes'], 'measured size')} it shrinks {middle:.2f} times as much as is usual in its "
        f"wood ({low:.2f} to {high:.2f})."
    )


def _size_unlike(v: Values, system: System) -> str:
    low, middle, high = v["foreseen_mm"]
    along = f" along face {v['face']}" if v["face"] else " mid-face"
    way = "smaller" if v["measured_mm"] < middle else "larger"
    return (
        f"Its {v['what']}{along} of {day(v['at_utc'])}, {show_movement(v['measured_mm'], system)}, is {way} "
        f"than the {show_movement_range((low, middle, high), system)} that was foreseen: measure it again at "
        "the same place, and look whether the size that was entered on arrival is right."
    )


def _size_near_end(v: Values, system: System) -> str:
    others = f" and {count(v['sizes'] - 1, 'other size')}" if v["sizes"] > 1 else ""
    are = "are" if others else "is"
    away, reach = (_whole(v[name], system) for name in ("from_end_mm", "reach_mm"))
    return (
        f"Its {v['what']} of {day(v['at_utc'])}{others} {are} left out of how much it shrinks: {away} from "
        f"an end it shows what the end has dried, and the ends reach {reach} by then. Measure farther in."
    )


def _air_not_measured(v: Values, _: System) -> str:
    gaps = "a gap" if v["gaps"] == 1 else f"{v['gaps']} gaps"
    return (
        f"Its air was not measured in {gaps} of {count(round(v['days']), 'day')} since it came. There "
        "the fit is less "
        "sure of the air's EMC."
    )


def _swapped(v: Values, _: System) -> str:
    one, two = v["tags"]
    return (
        f"Since {day(v['since_utc'])} what is read as {one} fits {two} better and the other way round, as "
        "when their tags or sensors were swapped. Look at both timbers before either verdict is used."
    )


SENTENCES: Final[Mapping[str, Say]] = {
    **{code: _clause_or_sentence(code) for code in _CLAUSES},
    "calibration.weight_rose": _weight_change(_weight_rose),
    "calibration.weight_fell": _weight_change(_weight_fell),
    "calibration.outlier": _outlier,
    "calibration.wet_outlier": _wet_outlier,
    "calibration.drifts": _drifts,
    "calibration.one_of_two": _one_of_two,
    "calibration.other_wood": _other_wood,
    "calibration.stuck": _stuck,
    "calibration.clock": _clock,
    "calibration.all_stepped": _all_stepped,
    "calibration.impossible_density": _impossible_density,
    "calibration.no_readings": lambda _v, _s: (
        "There is no usable reading: the answer rests on the species' table and the air alone."
    ),
    "calibration.few_readings": lambda _v, _s: (
        "There are too few readings to tell how fast it dries: the answer relies on the species' table."
    ),
    "calibration.one_day": _one_day,
    "calibration.all_saturated": lambda _v, _s: (
        "Every usable reading lies above fibre saturation, where pins only say that it is at least so wet. "
        "Weights or an oven-dried section would tell how far above."
    ),
    "calibration.no_reading_for": _no_reading_for,
    "calibration.size_before_unknown": _size_before_unknown,
    "calibration.planing_not_counted": _planing_not_counted,
    "calibration.planed": _planed,
    "calibration.air_not_measured": _air_not_measured,
    "calibration.shrinks": _shrinks,
    "calibration.size_unlike": _size_unlike,
    "calibration.size_near_end": _size_near_end,
    "calibration.swapped": _swapped,
}
