"""Whether what was entered can be so, and what was understood of it, in the reader's units."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from datetime import timedelta
from typing import Any, Final

from baulk.models import units
from baulk.models.formatting import day, show_along, show_movement
from baulk.models.quantity import SPECS, Quantity
from baulk.models.text.common import pct, span
from baulk.models.units import System

Values = Mapping[str, Any]
_TEMPERATURES: Final = frozenset(one for one, spec in SPECS.items() if spec.unit == "degC")


def _beyond(held: Values, system: System) -> str:
    kind, value, unit, low, high = (held[name] for name in ("quantity", "value", "unit", "low", "high"))
    quantity = Quantity(kind)
    if quantity is Quantity.WEIGHT:
        shown, least, most = (_mass(each, system) for each in (value, low, high))
        return f"a weight of {shown} lies outside {least} to {most}"
    said = f"{kind} of {value:g} {unit} lies outside {low:g} to {high:g} {unit}"
    if quantity in _TEMPERATURES and high < value <= 122:
        celsius = (value - 32) / 1.8
        return f"{said}; it looks like Fahrenheit ({value:g} degF is {celsius:.1f} degC), send degC or K"
    if quantity in _TEMPERATURES and 233 <= value <= 323:
        return f"{said}; it looks like kelvin ({value - 273.15:.1f} degC), send it with unit K"
    if quantity is Quantity.MOISTURE and 400 < value <= 10_000:
        ratio, percent = value / 10_000, value / 100
        return f"{said}; percent sent as a ratio? Send {ratio:g} with unit / or {percent:g} with /100"
    return said


def _mass(kg: float, system: System) -> str:
    return units.show_mass(kg, system)


def _ratio(held: Values, _system: System) -> str:
    value, air = held["value"], held["quantity"] == Quantity.HUMIDITY.value
    what = "no air is so dry" if air else "no meter reads wood so dry"
    return f"{value:g} {held['unit']}: {what}. Is {100 * value:g} {held['unit']} meant?"


def _below_meter(held: Values, _system: System) -> str:
    return f"{held['mc_pct']:g} % is below what a pin meter can measure (about 6 %); check the meter."


def _over_scale(held: Values, _system: System) -> str:
    return f"{held['mc_pct']:g} % is beyond the scale of a pin meter ({held['most_pct']:g} %); check it."


def _over_saturated(held: Values, _system: System) -> str:
    return (
        f"{held['rh_pct']:g} %RH: no air holds more than {held['most_pct']:g} %. Check the number; a sensor "
        f"that shows it is wet or off. Stored, it counts as {held['most_pct']:g} %."
    )


def _pores_full(held: Values, _system: System) -> str:
    return (
        f"{held['mc_pct']:g} % is more water than {held['species']} can hold: with every pore full it has "
        f"{held['most_pct']:.0f} %. Check the number and the timber's species."
    )


def _too_deep(held: Values, system: System) -> str:
    return (
        f"Pins {units.show_length(held['pin_mm'], system)} deep would come out on the other side: the piece "
        f"is {units.show_length(held['side_mm'], system)} there. Correct the depth or the face."
    )


def _confirmed(held: Values, _: System) -> str:
    return f"taken as right by {held['by']}" if held["by"] else "taken as right by somebody who looked at it"


def _no_such_size(held: Values, system: System) -> str:
    shown, least, most = (show_movement(held[name], system) for name in ("mm", "least_mm", "most_mm"))
    return (
        f"a {held['what']} of {shown} is none of this timber: it shrinks to {least} at the least and was "
        f"never more than {most}. Check the unit and the tag; if it was planed or sawn, note that first."
    )


def _past_the_end(held: Values, system: System) -> str:
    away, long = (show_along(held[name], system) for name in ("from_end_mm", "length_mm"))
    return f"{away} from an end lies beyond the piece, which is {long} long. Correct the distance."


def _no_such_weight(held: Values, system: System) -> str:
    return (
        f"a piece of {held['species']} of its size weighs between {_mass(held['lightest_kg'], system)} "
        f"oven-dry and {_mass(held['heaviest_kg'], system)} with every pore full, not "
        f"{_mass(held['kg'], system)}. Check the unit, the tag, and the timber's size and species."
    )


def _odd_weight(held: Values, system: System) -> str:
    light, heavy = _mass(held["light_kg"], system), _mass(held["heavy_kg"], system)
    return (
        f"{_mass(held['kg'], system)} is odd: a piece of {held['species']} of its size usually weighs "
        f"between {light} and {heavy}. Check the unit, the tag and the tare."
    )


def _before_arrival(held: Values, _system: System) -> str:
    taken, arrived = day(held["taken_utc"]), day(held["arrived_utc"])
    return (
        f"It is dated {taken}, before {held['tag']} arrived on {arrived}, and the forecast would leave it "
        "out. Correct the date, or the arrival."
    )


def _twice(held: Values, _system: System) -> str:
    return (
        f"The same number stands there from {held['taken_utc']:%Y-%m-%d %H:%M} already. Was it entered twice?"
    )


def _no_forecast(_held: Values, _system: System) -> str:
    return "No forecast yet to compare it with."


def _expects(held: Values) -> str:
    low, middle, high = held["expected_pct"]
    digits = 0 if max(abs(low), abs(middle), abs(high)) >= 9.95 else 1
    return f"{middle:.{digits}f} % ({low:.{digits}f} to {high:.{digits}f})"


def _as_expected(held: Values, _system: System) -> str:
    return f"The forecast expects {_expects(held)} there."


def _far(held: Values, _system: System) -> str:
    return (
        f"The forecast expects {_expects(held)} there, far from {held['mc_pct']:g} %. Check the tag, the "
        "depth, the meter's species setting and a wet surface. If the number stays, store it: the "
        "calibration weighs it against the others."
    )


def _wet(held: Values, _system: System) -> str:
    above = f"Above {held['fsp_pct']:.0f} % a meter means 'at least'"
    return f"{above}; the forecast expects {_expects(held)} there."


def _too_wet(held: Values, _system: System) -> str:
    return (
        f"The forecast expects {_expects(held)} there. Above {held['fsp_pct']:.0f} % a meter means only "
        "'at least'. Check for a wet surface, a nail, or the tag of another timber."
    )


def _first_weight(_held: Values, _system: System) -> str:
    return "The first weight of this timber; each later one is compared with it."


def _last_weight(held: Values, system: System) -> str:
    return f"It was {units.show_mass(held['last_kg'], system)} {_ago(held['ago_s'])}"


def _ago(seconds: float) -> str:
    whole = timedelta(seconds=seconds)
    return "just before" if whole < timedelta(minutes=1) else f"{span(seconds)} before"


def _weight_fits(held: Values, system: System) -> str:
    return f"{_last_weight(held, system)}."


def _heavier(held: Values, system: System) -> str:
    more = pct(100 * (held["share"] - 1))
    return (
        f"{_last_weight(held, system)}, and this is {more} more: a drying timber gets no heavier. Check the "
        "tag and the tare. Is rain or snow on it?"
    )


def _fast_loss(held: Values, system: System) -> str:
    return (
        f"{_last_weight(held, system)}: that is a fast loss. Check the tag and the tare. If it was cut or "
        "planed, enter that first: a cut begins a new series of weights."
    )


def _size(held: Values, system: System) -> str:
    width, deep = held["width_mm"], held["depth_mm"]
    least, most = units.show_length(held["low_mm"], system), units.show_length(held["high_mm"], system)
    said = f"{units.show_size(width, deep, system)} is no usual timber: a side measures {least} to {most}."
    inch = system == "inch"
    scale, unit = (1 / 25.4, "mm") if inch else (25.4, "in")  # what the same numbers are in the other system
    if not all(held["low_mm"] <= side * scale <= held["high_mm"] for side in (width, deep)):
        return f"{said} Check the size and its unit."
    first, second = (f"{side / 25.4 if inch else side:.4g}" for side in (width, deep))
    return f'{said} Did you mean "{first} x {second} {unit}"?'


def _length(held: Values, system: System) -> str:
    long = show_along(held["length_mm"], system)
    if held["length_mm"] < held["side_mm"]:
        return f"A length of {long} is less than the section is wide. Check the length and its unit."
    least, most = show_along(held["low_mm"], system), show_along(held["high_mm"], system)
    return f"A length of {long} is unusual ({least} to {most} are taken). Check the length and its unit."


def _entered(held: Values, system: System) -> str:
    green = units.show_size(held["width_mm"], held["depth_mm"], system)
    wanted = units.show_size(held["finished_width_mm"], held["finished_depth_mm"], system)
    long = show_along(held["length_mm"], system)
    weighs = units.show_mass(held["usual_kg"], system)
    return f"{held['tag']}: {held['species']}, {green} green, {wanted} finished, {long}, about {weighs}"


def _new_place(held: Values, _system: System) -> str:
    place, known = held["place"], {each.lower(): each for each in held["known"]}
    near = [known[each] for each in difflib.get_close_matches(place.lower(), known, n=2, cutoff=0.6)]
    if near:
        return f"{place} is a new place; not {' or '.join(near)}?"
    return f"{place} is a new place"


def _heavy_tare(held: Values, system: System) -> str:
    return (
        f"A tare of {_mass(held['kg'], system)} is more than {held['tag']} itself usually weighs, "
        f"{_mass(held['most_kg'], system)}. Is that its weight?"
    )


_MEASURES: Final[Mapping[str, str]] = {
    "bow_mm": "bow", "crook_mm": "crook", "twist_mm": "twist", "cup_mm": "cup",
    "out_of_square_mm": "corner off the square", "width_mm": "opening",
}  # fmt: skip


def _odd_measure(held: Values, system: System) -> str:
    size, usual = (units.show_length(held[name], system) for name in ("size_mm", "usual_mm"))
    return (
        f"The {_MEASURES[held['what']]} of {size} is unusual (usually up to {usual}). Check it and its unit."
    )


def _odd_side(held: Values, system: System) -> str:
    now, green = (units.show_length(held[name], system) for name in ("now_mm", "green_mm"))
    if held["now_mm"] > held["green_mm"]:
        return f"The {held['what']} of {now} is more than the {green} that it had green. Check rule and unit."
    return (
        f"The {held['what']} of {now} is far below the {green} that it had. If it was planed or sawn, enter "
        "that first."
    )


def _spelt_alike(held: Values, _system: System) -> str:
    return (
        f"{held['tag']} is spelt almost like {held['tags'][0]}, which is in the register since "
        f"{day(held['arrived_utc'])}. Is it the same timber?"
    )


def _entered_before(held: Values, _system: System) -> str:
    tags = held["tags"]
    many = f"{', '.join(tags[:-1])} and {tags[-1]} are" if len(tags) > 1 else f"{tags[0]} is"
    return (
        f"{many} of the same wood and size and came the same day ({day(held['arrived_utc'])}). Is this "
        "another piece?"
    )


SENTENCES: Final[Mapping[str, Callable[[Values, System], str]]] = {
    "plausible.beyond": _beyond,
    "plausible.ratio": _ratio,
    "plausible.below_meter": _below_meter,
    "plausible.over_scale": _over_scale,
    "plausible.over_saturated": _over_saturated,
    "plausible.pores_full": _pores_full,
    "plausible.too_deep": _too_deep,
    "plausible.confirmed": _confirmed,
    "plausible.no_such_size": _no_such_size,
    "plausible.past_the_end": _past_the_end,
    "plausible.no_such_weight": _no_such_weight,
    "plausible.odd_weight": _odd_weight,
    "plausible.before_arrival": _before_arrival,
    "plausible.twice": _twice,
    "plausible.no_forecast": _no_forecast,
    "plausible.as_expected": _as_expected,
    "plausible.far": _far,
    "plausible.wet": _wet,
    "plausible.too_wet": _too_wet,
    "plausible.first_weight": _first_weight,
    "plausible.weight_fits": _weight_fits,
    "plausible.heavier": _heavier,
    "plausible.fast_loss": _fast_loss,
    "plausible.size": _size,
    "plausible.length": _length,
    "timber.entered": _entered,
    "place.new": _new_place,
    "plausible.heavy_tare": _heavy_tare,
    "plausible.odd_measure": _odd_measure,
    "plausible.odd_side": _odd_side,
    "timber.spelt_alike": _spelt_alike,
    "timber.entered_before": _entered_before,
}
