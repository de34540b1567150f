"""Room to leave in a joint: `baulk plan gap`."""

# ruff: noqa: PLR0913 - a person names the options one by one
from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import typer

from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, plain, say, say_json
from baulk.dashboard.commands.options import MaybeMcNumber, MaybeSize, MaybeSpecies, MaybeUnits, MaybeUse
from baulk.models import gap as gaps
from baulk.models import text, units
from baulk.models.errors import OutOfRange
from baulk.models.gap import Joint, Making, Rings


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """What was typed, and where the shop is."""

    species: str | None
    size: str | None
    mc: float | None
    use: str | None
    rings: Rings
    joint: Joint
    afloat: bool
    across_depth: bool
    shop: Path
    system: units.System | None


def gap(
    tag: Annotated[str | None, typer.Argument(help="A timber of the register.", metavar="TAG")] = None,
    *,
    species: MaybeSpecies = None,
    size: MaybeSize = None,
    use: MaybeUse = None,
    joint: Annotated[
        Joint, typer.Option(help="Edge to edge, held at its middle in grooves, or fitted between two things.")
    ] = Joint.SEAM,
    rings: Annotated[
        Rings, typer.Option(help="How rings lie in the width; with a tag it follows from the pith.")
    ] = Rings.UNKNOWN,
    across_depth: Annotated[
        bool,
        typer.Option("--across-depth", help="It is the depth that lies across the joint, not the width."),
    ] = False,
    afloat: Annotated[
        bool, typer.Option("--afloat", help="It goes under water: it swells to fibre saturation.")
    ] = False,
    mc: MaybeMcNumber = None,
    system: MaybeUnits = None,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Say what room to leave in a joint made today, and how far it opens in its driest season.

    The moisture of a tagged timber is its mean now by its last evaluation, its size the finished one; --size,
    --mc and --use go before them. The interval holds the moisture, what single pieces of a wood differ by
    (15 % of the shrinkage) and the rings. With --afloat: how it swells in its first weeks in the water.

    Example: baulk plan gap FER-03 --joint housed

    Example: baulk plan gap --species "white oak" --size "5 x 1 1/2 in" --mc 15 --use planking --afloat
    """
    asked = _Asked(
        species=species, size=size, mc=mc, use=use, rings=rings, joint=joint, afloat=afloat,
        across_depth=across_depth, shop=shop, system=_units(system),
    )  # fmt: skip
    making, thickness_mm, shown = _untagged(asked) if tag is None else _tagged(asked, tag)
    found = gaps.gap(making)
    told = gaps.reasons(making, found, afloat_mm=thickness_mm if afloat else None)
    if json:
        words: dict[str, Any] = {"words": text.sentences(told, shown), "words_coded": plain(told)}
        say_json({"species": making.wood.name, "width_mm": making.width_mm, **plain(found), **words})
        return
    for line in text.sentences(told, shown):
        say(line)


def _units(given: str | None) -> units.System | None:
    if given == "inch":
        return "inch"
    if given not in {None, "metric"}:
        raise OutOfRange("--units", f"is inch or metric, not {given!r}")
    return None if given is None else "metric"


def _untagged(asked: _Asked) -> tuple[Making, float, units.System]:
    """Return a joint of a piece that is named by its wood, size, moisture and use."""
    if asked.species is None or asked.size is None or asked.mc is None or asked.use is None:
        raise OutOfRange("a gap", "needs a tag, or --species, --size, --mc and --use")
    from baulk.ingest import shop as shops  # noqa: PLC0415 - slow to load, and --help does not need it

    metric = asked.size.strip().lower().endswith(("mm", "cm", "m"))
    shown: units.System = asked.system or ("metric" if metric else "inch")
    width_mm, depth_mm = units.size_mm(asked.size, bare=units.default_length_unit(shown))
    from baulk.ingest.planning import joints  # noqa: PLC0415 - as above

    woods = shops.woods_of(asked.shop)
    wood, use = woods.species.get(asked.species), woods.use_classes.get(asked.use)
    across, other = (depth_mm, width_mm) if asked.across_depth else (width_mm, depth_mm)
    low, high = joints.season_pct(use, wood.fsp_pct, afloat=asked.afloat)
    making = Making(
        wood=wood, width_mm=across, now_pct=(asked.mc, asked.mc, asked.mc), low_pct=low, high_pct=high,
        total_pct=gaps.total_by_rings(wood, asked.rings), joint=asked.joint,
    )  # fmt: skip
    return making, other, shown


def _tagged(asked: _Asked, tag: str) -> tuple[Making, float, units.System]:
    """Return a joint of a timber of the register, at its moisture by its last evaluation."""
    if asked.species is not None:
        raise OutOfRange("--species", "is the register's for a tagged timber; leave it out")
    from baulk.ingest import shop as shops  # noqa: PLC0415 - slow to load, and --help does not need it
    from baulk.ingest.planning import joints  # noqa: PLC0415 - as above

    with shops.open(asked.shop) as opened:
        shown = asked.system or opened.config.shop.units
        bare = units.default_length_unit(shown)
        making, other = joints.of_timber(
            opened, tag, joint=asked.joint, rings=asked.rings, across_depth=asked.across_depth,
            afloat=asked.afloat, mc_pct=asked.mc, use=asked.use,
            size_mm=None if asked.size is None else units.size_mm(asked.size, bare=bare),
        )  # fmt: skip
    return making, other, shown
