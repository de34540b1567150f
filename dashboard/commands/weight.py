"""What a timber weighs, or how wet two weights say it is: `baulk weight`."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Annotated, Any

import typer

from baulk.dashboard import typed
from baulk.dashboard.commands import which_wood
from baulk.dashboard.commands.answers import JsonOption, say, say_json
from baulk.dashboard.commands.options import (
    Heartwood,
    MaybeLength,
    MaybeMc,
    MaybePith,
    MaybeSize,
    MaybeSpecies,
    MaybeUnits,
    Sapwood,
)
from baulk.dashboard.commands.size import percent, system_of
from baulk.models import gravimetric, sample_board, sapwood, shrinkage, species, text, units
from baulk.models.diffusion import LIGHT
from baulk.models.errors import OutOfRange
from baulk.models.reason import Reason
from baulk.models.section import Section

# a timber weighs at most so many times what it did: from 20 to 140 %, more than all but the lightest wood can
# hold; where the wood is not named, as much as a misread weight in a timber's record. Our own judgement
_MOST_GAIN, _MOST_GAIN_UNNAMED = 2.0, 1.5


def weight(  # noqa: PLR0913 - each is an option of the command line
    *,
    kind: MaybeSpecies = None,
    section: MaybeSize = None,
    length: MaybeLength = None,
    pith: MaybePith = None,
    heartwood: Heartwood = None,
    width: Sapwood = None,
    mc: MaybeMc = None,
    measured_at: Annotated[
        str | None,
        typer.Option(
            "--measured-at",
            help="Moisture content at which it measured that, in percent, or green; left out: that of --mc.",
        ),
    ] = None,
    start: Annotated[
        str | None, typer.Option("--start", help="Weight when the start was known: '212 lb'.")
    ] = None,
    start_mc: Annotated[
        str | None,
        typer.Option("--start-mc", help="Moisture content then; of two end sections: '60,64'."),
    ] = None,
    now: Annotated[str | None, typer.Option("--now", help="Weight now: '180 lb', '82 kg'.")] = None,
    system: MaybeUnits = None,
    json: JsonOption = False,
) -> None:
    """Say what a timber weighs, or from two weights how wet it is.

    With --species, --size and --length: its weight, by basic density and moisture content, and how light and
    how heavy it may be: trees differ, and sapwood is often far wetter than heartwood. With --start,
    --start-mc and --now: its mean moisture content, with the error that the start carries along.

    Example: baulk weight --species "white oak" --size "8 x 7 in" --length "12 ft"

    Example: baulk weight --species "white oak" --size "6 x 6 in" --length "12 ft" --mc 12

    Example: baulk weight --start "212 lb" --start-mc 60,64 --now "181 lb"
    """
    if start and now:
        answer = _from_weights(start, start_mc, now, kind)
        said = (
            f"{answer['mc_pct']:.1f} %, standard deviation {answer['sd_pct']:.1f} % (mean of the whole piece)"
        )
        if answer["species"]:
            said += f"; taken as {answer['species']}"
    elif kind and section and length:
        answer, cautions = _of_timber(
            kind, _box(section, pith), length, (mc, measured_at), (heartwood, width)
        )
        shown = system_of(section, system)
        at_pct = answer["measured_at_pct"]
        said = f"{answer['species']}: {units.show_mass(answer['mass_kg'], shown)} at {answer['mc_pct']:.0f} %"
        said += (
            f" moisture content; {units.show_mass(answer['oven_dry_kg'], shown)} of it is wood; the size is"
        )
        said += " the green one" if at_pct is None else f" that at {at_pct:g} %"
        said = "\n".join((said, *text.sentences(cautions, shown)))
    else:
        raise OutOfRange(
            "a weight",
            "is told from --species, --size and --length, or a moisture content from --start,"
            " --start-mc and --now",
        )
    if json:
        say_json(answer)
    else:
        say(said)


def _box(section: str, pith: str | None) -> Section:
    width_mm, depth_mm = units.size_mm(section)
    x_mm, y_mm = (0.0, 0.0) if pith is None else units.offset_mm(pith, what="the pith")
    return Section(width_mm=width_mm, depth_mm=depth_mm, pith_x_mm=x_mm, pith_y_mm=y_mm)


def _of_timber(
    kind: str,
    measured: Section,
    length: str,
    moisture: tuple[str | None, str | None],
    boundary: tuple[str | None, str | None],
) -> tuple[dict[str, Any], tuple[Reason, ...]]:
    wood, length_mm = which_wood.wood(species.BUILT_IN, kind), units.length_mm(length)
    given_pct = None if moisture[0] is None else percent("--mc", units.percent(moisture[0], "--mc"))
    most = _refuse_wetter_than_it_can_be(given_pct or 0.0, wood, 1.0, check="it and the wood")
    now_pct = wood.green_heartwood_mc_pct if given_pct is None else given_pct
    at_pct = _measured_at_pct(moisture[1], now_pct, wood)
    box = _green(measured, at_pct, wood)
    weight = sapwood.green_weight(
        box, length_mm, wood, heartwood_mm=typed.heartwood_mm(measured, *boundary), mc_pct=given_pct
    )
    mc_pct = weight.usual_mc_pct
    dry_kg = float(gravimetric.green_mass_kg(box, length_mm, 0.0, wood.basic_density_kg_m3))
    density = gravimetric.density_kg_m3(
        wood.basic_density_kg_m3,
        mc_pct,
        volumetric_pct=wood.shrinkage_volumetric_pct,
        onset_pct=wood.shrinkage_onset_pct,
    )
    answer = {
        "species": wood.name,
        "mc_pct": mc_pct,
        "max_mc_pct": most,
        "measured_at_pct": at_pct,
        "mass_kg": weight.usual_kg,
        "light_kg": weight.light_kg,
        "heavy_kg": weight.heavy_kg,
        "oven_dry_kg": dry_kg,
        "density_kg_m3": float(density),
    }
    return answer, weight.reasons()


def _green(box: Section, at_pct: float | None, wood: species.Species) -> Section:
    """Give the green section of a piece that measures this at a moisture content, larger by its volume."""
    if at_pct is None:
        return box
    total_pct = wood.shrinkage_volumetric_pct or 26.5 * wood.basic_density_kg_m3 / 1000  # eq. 4-11
    kept = 1 - float(shrinkage.free_pct(at_pct, total_pct, wood.shrinkage_onset_pct)) / 100
    lengths = ("width_mm", "depth_mm", "pith_x_mm", "pith_y_mm")
    return replace(box, **{name: getattr(box, name) / math.sqrt(kept) for name in lengths})


def _measured_at_pct(given: str | None, mc_pct: float, wood: species.Species) -> float | None:
    """Give the moisture at which the size was measured; None for the green size, which no longer changes."""
    green = given is not None and given.strip().lower() == "green"
    at_pct = (
        mc_pct if given is None or green else percent("--measured-at", units.percent(given, "--measured-at"))
    )
    return None if green or at_pct >= wood.shrinkage_onset_pct else at_pct


def _from_weights(start: str, start_mc: str | None, now: str, kind: str | None) -> dict[str, Any]:
    start_kg, now_kg = units.mass_kg(start), units.mass_kg(now)
    wood = which_wood.wood(species.BUILT_IN, kind) if kind else None
    if start_mc is not None:
        found = _percents("--start-mc", start_mc)
        mean = sum(found) / len(found)
        # two sections: the doubt of their mean; one: what a section usually differs from the piece, no source
        sd = max(abs(found[0] - found[-1]) / 2, sample_board.SECTION_SD_PCT)
    elif wood:
        mean, sd = wood.green_heartwood_mc_pct, sample_board.LOOKED_UP_SD_PCT
    else:
        raise OutOfRange(
            "the start", "needs --start-mc, or --species to take the usual green moisture content"
        )
    told = sample_board.mc_from_weight(
        now_kg, start_kg, mean, start_mc_sd_pct=sd, weight_sd_kg=sample_board.WEIGHING_SD_SHARE * start_kg
    )
    _refuse_another_timber(start_kg, now_kg, wood)
    for each in (mean, float(told.mc_pct)):
        _refuse_wetter_than_it_can_be(each, wood, LIGHT, check="the weights and the start")
    return {
        "species": None if wood is None else wood.name,
        "start_mc_pct": mean,
        "start_mc_sd_pct": sd,
        "mc_pct": float(told.mc_pct),
        "sd_pct": float(told.sd_pct),
        "wet_basis_pct": float(gravimetric.wet_basis_pct(told.mc_pct)),
        "oven_dry_kg": start_kg / (1 + mean / 100),
    }


def _refuse_another_timber(start_kg: float, now_kg: float, wood: species.Species | None) -> None:
    """Refuse a gain that water does not make: pounds beside kilograms (2.2), or another timber."""
    gained = now_kg / start_kg
    if gained > (_MOST_GAIN if wood else _MOST_GAIN_UNNAMED):
        raise OutOfRange(
            "the weight now",
            f"is {gained:.1f} times that at the start; are both of the same timber, in the same unit?"
            + ("" if wood else " If it lay in water, name its wood with --species"),
        )


def _refuse_wetter_than_it_can_be(
    mc_pct: float, wood: species.Species | None, light: float, *, check: str
) -> float:
    """Refuse more water than the pores hold, and return the most; of an unnamed wood, of the lightest."""
    known = [wood] if wood else [species.get(each) for each in species.names()]
    most = max(float(gravimetric.max_mc_pct(light * each.basic_density_kg_m3)) for each in known)
    if mc_pct > most:
        raise OutOfRange(
            "the moisture content",
            f"of {wood.name if wood else 'any wood in the table'} can't be above {most:.0f} %, not"
            f" {mc_pct:.0f} %; check {check}",
        )
    return most


def _percents(option: str, text: str) -> list[float]:
    try:
        found = [float(each) for each in text.replace("%", " ").replace(",", " ").split()]
    except ValueError as err:
        raise OutOfRange(option, f"looks like 62 or 60,64, not {text!r}") from err
    if len(found) not in {1, 2}:
        raise OutOfRange(option, f"takes one number or two, not {text!r}")
    if max(found) > 2 * min(found):  # of one piece: far rather a decimal comma than so uneven a timber
        raise OutOfRange(
            option,
            f"takes two sections of one piece as 60,64, and they do not differ as {found[0]:g} % and "
            f"{found[1]:g} % do; a single one is written with a decimal point",
        )
    return [percent(option, each) for each in found]
