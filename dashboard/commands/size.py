"""What a section measures once its moisture has changed: `baulk size`."""

from __future__ import annotations

import math
from typing import Annotated, Any

import typer

from baulk.dashboard.commands import which_wood
from baulk.dashboard.commands.answers import JsonOption, say, say_json, table
from baulk.dashboard.commands.options import TO, MaybeUnits, Species
from baulk.models import single_values, species, units
from baulk.models.errors import OutOfRange


def size(  # noqa: PLR0913 - each is an option of the command line
    dimensions: Annotated[
        str, typer.Argument(metavar="SIZE", help="Section as it is: '8 x 7 in', '200x180 mm'.")
    ],
    *,
    kind: Species,
    to: Annotated[str, typer.Option("--to", help=TO)],
    start: Annotated[
        str | None, typer.Option("--from", help="Moisture content it has, in percent; left out: green.")
    ] = None,
    system: MaybeUnits = None,
    json: JsonOption = False,
) -> None:
    """Say what a section measures after its moisture has changed, for each way it may be sawn.

    Straight-line shrinkage from the onset (30 %, for some woods 22 %), Wood Handbook (FPL-GTR-282) eq. 13-3;
    single pieces differ by about 15 % of the change. Cupping and out-of-square are not in it.

    Example: baulk size "8 x 7 3/4 in" --species "white oak" --to 16
    """
    wood = which_wood.wood(species.BUILT_IN, kind)
    width_mm, depth_mm = units.size_mm(dimensions)
    onset = wood.shrinkage_onset_pct
    start_pct = onset if start is None else _typed("the moisture content before", start)
    to_pct = _typed("the moisture content after", to)
    shown = system_of(dimensions, system)
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
                units.show_size(
                    each["width_mm"], each["depth_mm"], shown, (each["width_sd_mm"], each["depth_sd_mm"])
                ),
                _change(each["width_change_mm"], shown),
                _change(each["depth_change_mm"], shown),
            )
            for each in ways
        ],
    )
    say(
        "flat-sawn: the width lies along the rings; single pieces differ by about"
        f" {single_values.PIECES_VARY:.0%} of the change; nothing moves above {onset:g} %"
    )


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
        single_values.change_mm(side, from_pct, to_pct, total, onset_pct)
        for side, total in zip((width_mm, depth_mm), total_pct, strict=True)
    )
    return {
        "rings": rings,
        "width_mm": width_mm + change_w,
        "depth_mm": depth_mm + change_d,
        "width_change_mm": change_w,
        "depth_change_mm": change_d,
        "width_sd_mm": abs(change_w) * single_values.PIECES_VARY,
        "depth_sd_mm": abs(change_d) * single_values.PIECES_VARY,
    }


def _typed(name: str, text: str) -> float:
    return percent(name, units.percent(text, name))


def percent(name: str, value: float) -> float:
    """Refuse a moisture content that no wood has; `name` is what the person called it."""
    if not (math.isfinite(value) and 0 <= value <= 400):
        raise OutOfRange(name, f"lies between 0 and 400 %, not {value:g} %")
    return value


def system_of(given: str, asked: str | None) -> units.System:
    """Return the units to answer in: those asked for with --units, else those of the size given."""
    if asked not in {None, "inch", "metric"}:
        raise OutOfRange("--units", f"is inch or metric, not {asked!r}")
    metric = asked == "metric" or (asked is None and given.strip().lower().endswith(("mm", "cm", "m")))
    return "metric" if metric else "inch"


def _change(mm: float, system: units.System) -> str:
    text = units.show_length(abs(mm), system)
    if system == "inch" and text.startswith("0 "):
        text = "under 1/16 in"
    return text if mm == 0 or text.startswith("under") else f"{'+' if mm > 0 else '-'}{text}"
