"""One-off answers about one piece of wood: `baulk size`, `baulk weight`."""

from __future__ import annotations

import math
from typing import Annotated, Any

import typer

from baulk.dashboard.commands.answers import JsonOption, say, say_json, table
from baulk.models import gravimetric, sample_board, shrinkage, species, units
from baulk.models.errors import OutOfRange
from baulk.models.section import Section

Wood = Annotated[str, typer.Option("--species", help="Name in the species table, such as 'white oak'.")]
MaybeWood = Annotated[str | None, typer.Option("--species", help="Name in the species table.")]
UnitsOption = Annotated[
    str | None, typer.Option("--units", help="inch or metric; the other way round from how it was given.")
]


def size(  # noqa: PLR0913 - each is an option of the command line
    dimensions: Annotated[
        str, typer.Argument(metavar="SIZE", help="Section as it is: '8 x 7 in', '200x180 mm'.")
    ],
    kind: Wood,
    to: Annotated[float, typer.Option("--to", help="Moisture content it will come to, in percent.")],
    start: Annotated[
        float | None, typer.Option("--from", help="Moisture content it has, in percent; left out: green.")
    ] = None,
    system: UnitsOption = None,
    *,
    json: JsonOption = False,
) -> None:
    """Say what a section measures after its moisture has changed, for each way it may be sawn.

    Straight-line shrinkage from the onset (30 %, for some woods 22 %), Wood Handbook (FPL-GTR-282) eq. 13-3;
    single pieces differ by about 15 % of the change. Cupping and out-of-square are not in it.

    Example: baulk size "8 x 7 3/4 in" --species "white oak" --to 16
    """
    wood = species.get(kind)
    width_mm, depth_mm = units.size_mm(dimensions)
    onset = wood.shrinkage_onset_pct
    start_pct = _percent("the moisture content before", onset if start is None else start)
    to_pct = _percent("the moisture content after", to)
    shown = _system(dimensions, system)
    radial, tangential = wood.shrinkage_radial_pct, wood.shrinkage_tangential_pct
    ways = [
        _sawn(rings, width_mm, depth_mm, (across, along), start_pct, to_pct, onset)
        for rings, across, along in (
            ("flat-sawn", tangential, radial),
            ("quarter-sawn", radial, tangential),
            ("rings at 45 degrees", (radial + tangential) / 2, (radial + tangential) / 2),
        )
    ]
    if json:
        say_json(
            {"species": wood.name, "width_mm": width_mm, "depth_mm": depth_mm, "from_pct": start_pct}
            | {"to_pct": to_pct, "shrinkage_onset_pct": onset, "sawn": ways}
        )
        return
    table(
        f"{wood.name}, {units.show_size(width_mm, depth_mm, shown)} at {start_pct:g} %,"
        f" comes at {to_pct:g} % to",
        ("sawn", "size", "change of the width", "change of the depth"),
        [
            (
                each["rings"],
                units.show_size(each["width_mm"], each["depth_mm"], shown),
                _change(each["width_change_mm"], shown),
                _change(each["depth_change_mm"], shown),
            )
            for each in ways
        ],
    )
    say(
        "flat-sawn: the width lies along the rings; single pieces differ by about"
        f" {shrinkage.PIECES_VARY:.0%} of the change; nothing moves above {onset:g} %"
    )


def weight(  # noqa: PLR0913, PLR0917 - each is an option of the command line
    kind: MaybeWood = None,
    section: Annotated[
        str | None, typer.Option("--size", help="Green section: '8 x 7 in', '200x180 mm'.")
    ] = None,
    length: Annotated[str | None, typer.Option("--length", help="Length: '12 ft', '3.6 m'.")] = None,
    mc: Annotated[
        str | None, typer.Option("--mc", help="Moisture content in percent; left out: usual green heartwood.")
    ] = None,
    start: Annotated[
        str | None, typer.Option("--start", help="Weight when the start was known: '212 lb'.")
    ] = None,
    start_mc: Annotated[
        str | None,
        typer.Option("--start-mc", help="Moisture content then; of two end sections: '60,64'."),
    ] = None,
    now: Annotated[str | None, typer.Option("--now", help="Weight now: '180 lb', '82 kg'.")] = None,
    system: UnitsOption = None,
    *,
    json: JsonOption = False,
) -> None:
    """Say what a timber weighs, or from two weights how wet it is.

    With --species, --size and --length: its weight, by basic density and moisture content. With --start,
    --start-mc and --now: its mean moisture content, with the error that the start carries along.

    Example: baulk weight --species "white oak" --size "8 x 7 in" --length "12 ft"

    Example: baulk weight --start "212 lb" --start-mc 60,64 --now "181 lb"
    """
    if start and now:
        answer = _from_weights(start, start_mc, now, kind)
        text = (
            f"{answer['mc_pct']:.1f} %, standard deviation {answer['sd_pct']:.1f} % (mean of the whole piece)"
        )
    elif kind and section and length:
        answer = _of_timber(kind, section, length, mc)
        shown = _system(section, system)
        text = f"{units.show_mass(answer['mass_kg'], shown)} at {answer['mc_pct']:g} % moisture content"
        text += f"; {units.show_mass(answer['oven_dry_kg'], shown)} of it is wood"
    else:
        raise OutOfRange(
            "a weight",
            "is told from --species, --size and --length, or a moisture content from --start,"
            " --start-mc and --now",
        )
    if json:
        say_json(answer)
    else:
        say(text)


def _sawn(  # noqa: PLR0913, PLR0917 - two sides, two shrinkages, two moistures, one onset
    rings: str,
    width_mm: float,
    depth_mm: float,
    total_pct: tuple[float, float],
    from_pct: float,
    to_pct: float,
    onset_pct: float,
) -> dict[str, Any]:
    change_w, change_d = (
        float(shrinkage.dimension_change_mm(side, from_pct, to_pct, total, onset_pct))
        for side, total in zip((width_mm, depth_mm), total_pct, strict=True)
    )
    return {
        "rings": rings,
        "width_mm": width_mm + change_w,
        "depth_mm": depth_mm + change_d,
        "width_change_mm": change_w,
        "depth_change_mm": change_d,
        "width_sd_mm": abs(change_w) * shrinkage.PIECES_VARY,
        "depth_sd_mm": abs(change_d) * shrinkage.PIECES_VARY,
    }


def _of_timber(kind: str, section: str, length: str, mc: str | None) -> dict[str, Any]:
    wood = species.get(kind)
    width_mm, depth_mm = units.size_mm(section)
    mc_pct = wood.green_heartwood_mc_pct if mc is None else _percents("--mc", mc)[0]
    most = float(gravimetric.max_mc_pct(wood.basic_density_kg_m3))
    if mc_pct > most:
        raise OutOfRange(
            "the moisture content", f"of {wood.name} can't be above {most:.0f} %, not {mc_pct:g} %"
        )
    box, length_mm = Section(width_mm=width_mm, depth_mm=depth_mm), units.length_mm(length)
    dry_kg, mass_kg = (
        float(gravimetric.green_mass_kg(box, length_mm, each, wood.basic_density_kg_m3))
        for each in (0.0, mc_pct)
    )
    density = gravimetric.density_kg_m3(
        wood.basic_density_kg_m3,
        mc_pct,
        volumetric_pct=wood.shrinkage_volumetric_pct,
        onset_pct=wood.shrinkage_onset_pct,
    )
    return {
        "species": wood.name,
        "mc_pct": mc_pct,
        "max_mc_pct": most,
        "mass_kg": mass_kg,
        "oven_dry_kg": dry_kg,
        "density_kg_m3": float(density),
    }


def _from_weights(start: str, start_mc: str | None, now: str, kind: str | None) -> dict[str, Any]:
    start_kg, now_kg = units.mass_kg(start), units.mass_kg(now)
    if start_mc is not None:
        found = _percents("--start-mc", start_mc)
        mean = sum(found) / len(found)
        # two sections: the doubt of their mean; one: what a section usually differs from the piece, no source
        sd = max(abs(found[0] - found[-1]) / 2, sample_board.SECTION_SD_PCT)
    elif kind:
        mean, sd = species.get(kind).green_heartwood_mc_pct, sample_board.LOOKED_UP_SD_PCT
    else:
        raise OutOfRange(
            "the start", "needs --start-mc, or --species to take the usual green moisture content"
        )
    told = sample_board.mc_from_weight(
        now_kg, start_kg, mean, start_mc_sd_pct=sd, weight_sd_kg=sample_board.WEIGHING_SD_SHARE * start_kg
    )
    return {
        "start_mc_pct": mean,
        "start_mc_sd_pct": sd,
        "mc_pct": float(told.mc_pct),
        "sd_pct": float(told.sd_pct),
        "wet_basis_pct": float(gravimetric.wet_basis_pct(told.mc_pct)),
        "oven_dry_kg": start_kg / (1 + mean / 100),
    }


def _percents(option: str, text: str) -> list[float]:
    try:
        found = [float(each) for each in text.replace("%", " ").replace(",", " ").split()]
    except ValueError as err:
        raise OutOfRange(option, f"looks like 62 or 60,64, not {text!r}") from err
    if len(found) not in {1, 2}:
        raise OutOfRange(option, f"takes one number or two, not {text!r}")
    return [_percent(option, each) for each in found]


def _percent(name: str, value: float) -> float:
    if not (math.isfinite(value) and 0 <= value <= 400):
        raise OutOfRange(name, f"lies between 0 and 400 %, not {value:g} %")
    return value


def _system(given: str, asked: str | None) -> units.System:
    if asked not in {None, "inch", "metric"}:
        raise OutOfRange("--units", f"is inch or metric, not {asked!r}")
    metric = asked == "metric" or (asked is None and given.strip().lower().endswith(("mm", "cm", "m")))
    return "metric" if metric else "inch"


def _change(mm: float, system: units.System) -> str:
    text = units.show_length(abs(mm), system)
    if system == "inch" and text.startswith("0 "):
        text = "under 1/16 in"
    return text if mm == 0 or text.startswith("under") else f"{'+' if mm > 0 else '-'}{text}"
