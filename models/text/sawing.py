"""Sentences of the sawing plans: the green size of a piece, and its place in a timber."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from baulk.models.formatting import (
    capital,
    count,
    share,
    show_allowance,
    show_along,
    show_movement,
    show_signed,
)
from baulk.models.text.common import Values, Writer, fixed
from baulk.models.units import System, show_length, show_mass, show_size

BOARD_FOOT_M3: Final = 144 * 0.0254**3  # 144 cubic inches: 1 ft x 1 ft x 1 in
PLACED: Final[Mapping[str, str]] = {
    "boxed": "heart boxed at the centre",
    "free": "free of heart",
    "offset": "heart off the centre",
}
HEARTS: Final[Mapping[str, str]] = {
    "boxed": "heart boxed",
    "free": "free of heart",
    "any": "heart wherever it falls",
}


def show_volume(m3: float, system: System, digits: int = 3) -> str:
    """Write a volume of timber: whole board feet, or cubic metres with some digits."""
    if system == "metric":
        return f"{m3:.{digits}f} m³"
    feet = f"{m3 / BOARD_FOOT_M3:.0f}"
    return f"{feet} board foot" if feet == "1" else f"{feet} board feet"


def _size(values: Values, system: System, kind: str = "") -> str:
    return show_size(values[f"{kind}width_mm"], values[f"{kind}depth_mm"], system)


def _order(values: Values, system: System) -> str:
    return (
        f"Saw or order {_size(values, system)}, {show_along(values['length_mm'], system)}, "
        f"{values['species']}, {PLACED[values['heart']]} ({_size(values, system, 'needed_')} before rounding "
        "up)."
    )


def _gives(values: Values, system: System) -> str:
    return (
        f"It gives the finished {_size(values, system)}, {show_along(values['length_mm'], system)}, with "
        f"{share(values['confidence'])} confidence."
    )


def _amount(values: Values, system: System) -> str:
    return (
        f"It is {show_volume(values['volume_m3'], system)} and weighs {show_mass(values['mass_kg'], system)} "
        f"green, up to {show_mass(values['heavy_kg'], system)} from a dense tree or with much sapwood."
    )


def _moisture(values: Values, _system: System) -> str:
    return (
        f"Sawn at {values['start_pct']:.0f} % MC and squared once it is evenly at "
        f"{values['squared_pct']:.0f} "
        f"%, the middle of the service range of {values['use'].lower()} ({values['service_low_pct']:g} to "
        f"{values['service_high_pct']:g} %)."
    )


def _pieces_vary(values: Values, _system: System) -> str:
    return (
        f"The shrinkage of single pieces has a standard deviation of {share(values['sd_share'])} about their "
        f"species (Wood Handbook chapter 4, from memory). With this allowance {share(values['confidence'])} "
        f"of "
        "the pieces hold the size, as far as shrinkage decides."
    )


def _usual_bow(values: Values, system: System) -> str:
    return (
        f"Bow or crook nobody has measured is taken as {_bend_of(values, system)}. Knots, sapwood edges and "
        "spiral grain can bend a timber much more."
    )


def _bend_of(values: Values, system: System) -> str:
    held = values["timbers"]
    basis = (
        f"as {count(held, 'timber')} of this wood measured here say" if held else "common practice, no source"
    )
    return (
        f"{show_length(values['bend_mm'], system)}, within which {share(values['confidence'])} of such "
        f"pieces stay ({basis})"
    )


def _pith_beyond(values: Values, system: System) -> str:
    return f"The pith lies {show_length(values['beyond_mm'], system)} beyond face c of the green piece."


def _other_heart(values: Values, system: System) -> str:
    return f"{capital(PLACED[values['heart']])}, it needs {_size(values, system)}."


def _driest_service(values: Values, system: System) -> str:
    return (
        f"Dried to the driest of its service, {values['mc_pct']:g} % MC, before it is squared, it needs "
        f"{_size(values, system)}."
    )


def _half_of_the_pieces(values: Values, system: System) -> str:
    return f"For half of the pieces {_size(values, system)} is enough."


def _straight(values: Values, system: System) -> str:
    return f"A timber that stays straight needs {_size(values, system)}."


def _squared_green(values: Values, system: System) -> str:
    return (
        f"Squared at once, it would move {show_movement(values['moves_mm'], system)} (its size "
        f"{show_signed(values['change_mm'], system)}). Its use tolerates "
        f"{show_movement(values['tolerated_mm'], system)}."
    )


def _saw_to_size_now(values: Values, system: System) -> str:
    return f"{_squared_green(values, system)} Its use lets it stay wet, so it may be sawn to size now."


def _scatter(values: Values, _system: System) -> str:
    return (
        f"single pieces vary by {share(values['sd_share'])}, and their moisture now and in service is known "
        f"to {values['mc_sd_pct']:.1f} points; {share(values['confidence'])} of them hold the size"
    )


def _usual(side: str) -> Writer:
    def write(values: Values, system: System) -> str:
        return f"straightening the {side}: {_bend_of(values, system)}; measure your own"

    return write


def _planing(values: Values, system: System) -> str:
    return f"{show_allowance(values['each_mm'], system)} off each of two faces"


def _checks(values: Values, system: System) -> str:
    return f"checks {show_length(values['check_mm'], system)} deep, beyond what planing takes off"


def _wane(values: Values, system: System) -> str:
    return f"a bevel of {show_length(values['wane_mm'], system)} at each corner, beyond what the rest removes"


def _choice(values: Values, _system: System) -> str:
    pieces = "one piece" if values["count"] == 1 else count(values["count"], "piece")
    return f"{pieces}, {HEARTS[values['heart']]}{', only when it is dry' if values['when_dry'] else ''}"


def _timber(values: Values, system: System) -> str:
    return (
        f"{values['name']}, {_size(values, system)}, {values['species']}, {values['mean_pct']:.0f} % MC now: "
        f"{_choice(values['choice'], system)}."
    )


def _choice_costs(values: Values, system: System) -> str:
    said = (
        f"{values['number']}. {capital(_choice(values['choice'], system))}: moves up to "
        f"{show_movement(values['moves_mm'], system)} on the way to service (its size "
        f"{show_signed(values['change_mm'], system)}), uses "
        f"{share(values['used_share'])} of the section"
    )
    if values["check_mm"] > 0.5:
        said += f", checks open {show_movement(values['check_mm'], system)}"
    return said + ("." if values["holds"] else ". It would not hold the finished size.")


def _piece(values: Values, system: System) -> str:
    return (
        f"Saw {_size(values, system)} for {_size(values, system, 'finished_')}: "
        f"{show_length(values['off_a_mm'], system)} from face a and "
        f"{show_length(values['off_d_mm'], system)} from face d. Out of square "
        f"{show_movement(values['out_of_square_mm'], system)}, cup "
        f"{show_movement(values['cup_mm'], system)}, "
        f"spare {show_movement(values['spare_mm'], system)}."
    )


def _cut(values: Values, system: System) -> str:
    side = "beyond" if values["beyond"] else "short of"
    on = list(values["marked_on"])
    cut = [each for each in on if not isinstance(each, str)]
    both = f"cut faces {cut[0]} and {cut[1]}" if len(cut) == len(on) else " and ".join(map(_face, on))
    return (
        f"Cut {values['number']}: mark {show_length(values['off_mm'], system)} from "
        f"{'face ' if isinstance(values['face'], str) else ''}{_face(values['face'])} on {both}; "
        f"saw just {side} the mark."
    )


def _face(face: str | int) -> str:
    """Name a face by its letter, or by the number of the cut that made it: short, the drawing is narrow."""
    return face if isinstance(face, str) else f"cut face {face}"


def _best_by(values: Values, _system: System) -> str:
    if values["by_value"] == values["by_stability"]:
        return f"Way {values['by_value']} gives the most finished wood and moves least."
    return f"Way {values['by_value']} gives the most finished wood, way {values['by_stability']} moves least."


def _most_not_proved(values: Values, _system: System) -> str:
    return (
        f"{count(values['count'], 'piece')} were found; that none more comes out is not proved, "
        f"{values['at_most']} is the most that could."
    )


def _checks_seen(values: Values, _system: System) -> str:
    return (
        f"{capital(count(values['count'], 'check'))} as measured, taken to run from the place of the face "
        "nearest to the pith straight inward: look where each lies before you saw."
    )


def _no_place(values: Values, system: System) -> str:
    heart = "with the heart boxed" if values["heart"] == "boxed" else "free of heart"
    return (
        f"No clear place {heart} for {_size(values, system)}; {_size(values, system, 'sawn_')} would have to "
        "be sawn now."
    )


def _moisture_evaluated(values: Values, _system: System) -> str:
    return (
        f"The moisture over the section is that of the last evaluation, mean MC {values['mean_pct']:.0f} %. "
        f"{_squared_at(values)}"
    )


def _moisture_even(values: Values, _system: System) -> str:
    return f"The moisture is taken as an even {values['mean_pct']:.0f} % MC. {_squared_at(values)}"


def _squared_at(values: Values) -> str:
    return f"Each piece is squared once it is evenly at {values['service_pct']:.0f} %."


def _choice_moves(values: Values, system: System) -> str:
    more = values["more_mm"]
    difference = show_movement(abs(more), system)
    moves = f"{difference} {'more than' if more > 0 else 'less than'}"
    if difference == show_movement(0.0, system):
        moves = "as much as"
    lost = "" if values["holds"] else " and would not hold the finished size"
    return f"{capital(_choice(values['choice'], system))}: moves {moves} the first choice{lost}."


def _curves(values: Mapping[str, Any], system: System) -> str:
    return (
        f"The part curves {show_length(values['part_mm'], system)}, the timber "
        f"{show_length(values['timber_mm'], system)} over the same length: "
        f"{show_length(values['extra_mm'], system)} of extra wood."
    )


def _curve_follows(values: Values, system: System) -> str:
    curve = show_length(values["part_mm"], system)
    return f"Part and timber curve alike, {curve} over the part's length: the grain follows the part."


def _curve(end: str) -> Writer:
    """Return the writer of a curve whose grain leaves the part's edge, with what that means."""

    def write(values: Values, system: System) -> str:
        return (
            f"{_curves(values, system)} At the ends the grain leaves the edge at 1 in "
            f"{values['one_in']:.0f}.{end}"
        )

    return write


SENTENCES: Final[Mapping[str, Writer]] = {
    "sawing.order": _order,
    "sawing.gives": _gives,
    "sawing.amount": _amount,
    "sawing.moisture": _moisture,
    "sawing.pieces_vary": _pieces_vary,
    "sawing.no_creep": fixed("Creep is left out; it makes the real piece distort a little less."),
    "sawing.usual_bow": _usual_bow,
    "sawing.pith_beyond": _pith_beyond,
    "sawing.other_heart": _other_heart,
    "sawing.driest_service": _driest_service,
    "sawing.half_of_the_pieces": _half_of_the_pieces,
    "sawing.straight": _straight,
    "sawing.squared_green": _squared_green,
    "sawing.saw_to_size_now": _saw_to_size_now,
    "sawing.term.shrinkage": fixed(
        "radial and tangential by the rings in each face; the narrowest place counts"
    ),
    "sawing.term.distortion": fixed("out of square, and the cup of both faces"),
    "sawing.term.scatter": _scatter,
    "sawing.term.twist": fixed("taking out the twist, as measured"),
    "sawing.term.bow_measured": fixed("straightening the depth, as measured by the shop"),
    "sawing.term.crook_measured": fixed("straightening the width, as measured by the shop"),
    "sawing.term.usual_bow": _usual("depth"),
    "sawing.term.usual_crook": _usual("width"),
    "sawing.term.saw_cut": fixed("one cut to size on each dimension"),
    "sawing.term.planing": _planing,
    "sawing.term.checks": _checks,
    "sawing.term.tolerance": fixed("the finished piece may be that much under size"),
    "sawing.term.wane": _wane,
    "sawing.choice": _choice,
    "sawing.timber": _timber,
    "sawing.choice_costs": _choice_costs,
    "sawing.piece": _piece,
    "sawing.no_place": _no_place,
    "sawing.cut": _cut,
    "sawing.most_proved": lambda values, _: (
        f"More than {count(values['count'], 'piece')} can't come out by cuts that go right through: that is "
        "proved."
    ),
    "sawing.most_not_proved": _most_not_proved,
    "sawing.best_by": _best_by,
    "sawing.checks_seen": _checks_seen,
    "sawing.wane_everywhere": fixed(
        "Nobody said at which corner the wane is, so it is taken at all four; name the corner where it is, "
        "and more may come out."
    ),
    "sawing.wane_is_a_bevel": fixed(
        "Wane is a bevel from face to face; a piece may carry as much of it as the plane takes off."
    ),
    "sawing.moisture_evaluated": _moisture_evaluated,
    "sawing.moisture_even": _moisture_even,
    "sawing.size_recorded": fixed(
        "The timber is laid out in the size that was entered, or measured last. By what it has dried since, "
        "it has shrunk: measure it before you saw, and enter that."
    ),
    "sawing.defects_run_through": fixed(
        "Defects run through the whole length as drawn at the end. A knot or shake that shows only further "
        "along is not in the plan."
    ),
    "sawing.through_cuts": fixed(
        "Every cut goes right through what is left, with the width of the saw cut between two pieces. The "
        "allowance fits the heart where each piece lies."
    ),
    "sawing.growth_stress": fixed(
        "Growth stress in the tree is left out; a piece sawn off centre may spring."
    ),
    "sawing.choice_moves": _choice_moves,
    "sawing.dry_it_whole": fixed(
        "Let the timber dry whole before it is sawn: less is lost then, and the size may hold."
    ),
    "sawing.drier_needs_less": fixed(
        "A drier timber moves less after sawing: the same plan later needs a smaller allowance."
    ),
    "sawing.no_curve": fixed("Part and timber are straight."),
    "sawing.curve_follows": _curve_follows,
    "sawing.curve_fits": _curve(""),
    "sawing.curve_steep": _curve(
        " That is weaker than straight grain; use it only for parts that carry little in bending."
    ),
    "sawing.curve_short": _curve(
        " That is short grain, which snaps. Look for a crook that follows the part, or laminate or scarf it."
    ),
}
