"""Sizes to saw or to order: `baulk plan size`."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Final, get_args

import typer

from baulk.dashboard import typed
from baulk.dashboard.commands import printing, which_wood
from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, plain, say, say_json, table, worded
from baulk.dashboard.commands.options import (
    Bow,
    Confidence,
    Corners,
    Crook,
    MaybeFinished,
    MaybeLength,
    MaybeMcNumber,
    MaybeOut,
    MaybePith,
    MaybeSpecies,
    MaybeUnits,
    MaybeUse,
    SawKerf,
    Trim,
)
from baulk.dashboard.commands.printing import PrintOption
from baulk.models import text, units
from baulk.models.allowance.parts import KERF_MM, PLANING_MM, TRIM_MM
from baulk.models.errors import OutOfRange
from baulk.models.formatting import show_movement
from baulk.models.plan.sawing import allowance as sizes
from baulk.models.plan.sawing.cutting import CutPlan
from baulk.models.plan.sawing.order import MILL_STEPS_MM, Order, Placement, SizePlan

Length = str | None
USUAL: Final = 0.9  # without a shop
SUREST: Final = 0.999  # of an order


def size(  # noqa: PLR0913 - each is an option of the command line
    tag: Annotated[
        str | None, typer.Argument(help="A timber of the register to saw it from.", metavar="TAG")
    ] = None,
    *,
    kind: MaybeSpecies = None,
    finished: MaybeFinished = None,
    length: MaybeLength = None,
    use: MaybeUse = None,
    heart: Annotated[str, typer.Option(help="boxed, free, or offset.")] = "boxed",
    pith: MaybePith = None,
    confidence: Confidence = None,
    tolerance: Annotated[Length, typer.Option(help="How far it may come out under size.")] = None,
    bow: Bow = None,
    crook: Crook = None,
    kerf: SawKerf = None,
    planing: Annotated[Length, typer.Option(help="Planed off each face.")] = None,
    wane: Annotated[Length, typer.Option(help="Wane along a face that the mill may leave.")] = None,
    check: Annotated[Length, typer.Option(help="Depth of the checks that must be planed away.")] = None,
    trim: Trim = None,
    step: Annotated[Length, typer.Option(help="The mill's step; 1/4 in or 5 mm.")] = None,
    mc: MaybeMcNumber = None,
    section: Annotated[
        Length, typer.Option(help="From a timber of this measured section, in place of a tag.")
    ] = None,
    timber_length: Annotated[Length, typer.Option(help="Length of that timber.")] = None,
    corner: Corners = None,
    defect: Annotated[
        list[str] | None,
        typer.Option(help="Shake or knot: 'x,y,width,height' from the centre, its lower left corner first."),
    ] = None,
    sweep: Annotated[Length, typer.Option(help="Curve of the part: mid-ordinate along its depth.")] = None,
    pieces: Annotated[bool, typer.Option("--pieces", help="As many pieces as will come out, too.")] = False,
    sheet: PrintOption = None,
    system: MaybeUnits = None,
    out: MaybeOut = None,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Say what green size to order or saw, or where the piece lies best in a timber that is there.

    Each part of the allowance is shown: shrinkage by the rings in each face, distortion, bow, cuts, planing.
    With a tag or --section: the best place, boxed or free of heart, and how much each choice moves. --mc is
    that of the day it is sawn; -o is a drawing for the saw, .svg or .pdf; without a shop --confidence is 0.9.

    Example: baulk plan size --finished "6 x 6 in" --length 10ft --species tamarack --use deck

    Example: baulk plan size FER-03 --corner "ab 1 x 3/4 in" --pieces --finished "3 x 3 in" -o saw.svg
    """
    if tag is None and section is None:
        if finished is None or length is None or kind is None or use is None:
            raise OutOfRange(
                "a size plan",
                "needs --finished, --length, --species and --use, or a timber: its tag, or --section",
            )
        shown = _system(finished, system, shop)
    elif tag is not None and system is None and finished is None:
        from baulk.ingest import config as settings  # noqa: PLC0415 - slow to load, as below

        shown = settings.load(shop).shop.units
    else:
        shown = _system(section or finished or "", system, shop)
    bare = units.default_length_unit(shown)

    def mm(text: str | None, default: float = 0.0, *, signed: bool = False) -> float:
        if text is None:
            return default
        return 0.0 if text.strip() == "0" else units.length_mm(text, bare=bare, signed=signed)

    steps = MILL_STEPS_MM[shown]
    width, depth = units.size_mm(finished, bare=bare) if finished else (100.0, 100.0)
    order = Order(
        width_mm=width,
        depth_mm=depth,
        length_mm=1000.0 if length is None else typed.along_mm(length, shown),
        placement=_placement(heart),
        pith_mm=None
        if pith is None
        else units.offset_mm(pith.replace(",", " x "), bare=bare, what="the pith"),
        confidence=_sure(shop) if confidence is None else confidence,
        tolerance_mm=mm(tolerance),
        bow_mm=None if bow is None else mm(bow),
        crook_mm=None if crook is None else mm(crook),
        kerf_mm=mm(kerf, KERF_MM),
        planing_mm=mm(planing, PLANING_MM),
        wane_mm=mm(wane),
        check_mm=mm(check),
        trim_mm=mm(trim, TRIM_MM),
        step_mm=mm(step, steps[0]),
        length_step_mm=steps[1],
        start_pct=mc,
    )
    if tag is None and section is None:
        from baulk.ingest import shop as shops  # noqa: PLC0415 - slow to load, and --help does not need it
        from baulk.ingest.planning import sawing  # noqa: PLC0415 - as above

        woods, order = shops.woods_of(shop), sawing.as_seen(order, shop)
        wood, lives = which_wood.wood(woods.species, kind or ""), woods.use_classes.get(use or "")
        made: SizePlan | CutPlan = sizes.size(order, wood, lives)
    else:
        from baulk.ingest import shop as shops  # noqa: PLC0415 - as above
        from baulk.ingest.planning import sawing  # noqa: PLC0415 - slow to load, and only this way needs it

        if kind is not None:
            kind = which_wood.wood(shops.woods_of(shop).species, kind).name
        asked = sawing.Asked(
            tag=tag,
            section=section,
            timber_length_mm=None if timber_length is None else typed.along_mm(timber_length, shown),
            pith=pith,
            species=kind,
            use_class=use,
            mc_pct=mc,
            finished=finished is not None,
            length=length is not None,
            corners=tuple(corner or ()),
            defects=tuple(defect or ()),
            bow_mm=None if bow is None else mm(bow, signed=True),
            crook_mm=None if crook is None else mm(crook, signed=True),
            sweep_mm=mm(sweep),
            pieces=pieces,
        )
        made = sawing.cut(asked, order, shop, bare)
    printing.sheet(
        made,
        sheet,
        shop="Baulk",
        made_utc=datetime.now(UTC),
        system=shown,
        temperature="F" if shown == "inch" else "C",
        told=not json,
    )
    _tell(made, shown, out, json=json)


def _tell(made: SizePlan | CutPlan, shown: units.System, out: Path | None, *, json: bool) -> None:
    if out is not None:
        from baulk.dashboard.printing import saw_drawing, style  # noqa: PLC0415 - only a drawing needs it

        sheet = (
            saw_drawing.of_cut(made, shown) if isinstance(made, CutPlan) else saw_drawing.of_size(made, shown)
        )
        style.write(out, sheet.for_file(out))
    if json:
        said = {"words": text.sentences(made.lines(), shown), "words_coded": plain(made.lines())}
        say_json(worded(made, shown) | said | {"drawing": out})
        return
    first, *rest = text.sentences(made.lines(), shown)
    say(first)
    if isinstance(made, SizePlan):
        table(
            "The allowance",
            ("for", "width", "depth", "why", "mark"),
            [
                (
                    each.name,
                    show_movement(each.width_mm, shown),
                    show_movement(each.depth_mm, shown),
                    text.sentence(each.why, shown),
                    each.mark,
                )
                for each in made.terms
            ],
        )
        table(
            "Each face from sawing to squaring",
            ("face", "loses", "percent", "tangential"),
            [
                (
                    each.face.value,
                    show_movement(each.mm, shown),
                    f"{each.pct:.2f}",
                    f"{each.tangential_share:.0%}",
                )
                for each in made.faces
            ],
        )
    for line in rest:
        say(line)
    for title, lines in (
        ("Assumptions", made.assumptions),
        ("What would change it", made.would_change),
        ("Cautions", made.cautions),
    ):
        say(f"{title}:")
        for line in text.sentences(lines, shown):
            say(f"  - {line}")
    if out is not None:
        say(f"The drawing is in {out}.")


def _sure(shop: Path) -> float:
    """Return how sure the shop wants a verdict, so that its sizes are those of its plans."""
    from baulk.ingest import config as settings  # noqa: PLC0415 - slow to load, as above

    if not (shop / settings.FILE).exists():
        return USUAL
    return min(settings.load(shop).verdict.probability, SUREST)


def _placement(text: str) -> Placement:
    if text not in get_args(Placement):
        raise OutOfRange("--heart", f"is boxed, free or offset, not {text!r}")
    return text  # type: ignore[return-value]  # one of them, as just asked


def _system(given: str, asked: str | None, shop: Path) -> units.System:
    """Choose what is read and shown: what was asked for, else as the size was typed, else the shop's."""
    if asked not in {None, "inch", "metric"}:
        raise OutOfRange("--units", f"is inch or metric, not {asked!r}")
    if asked is not None:
        return "metric" if asked == "metric" else "inch"
    text = given.strip().lower()
    if text[-1:].isdigit():
        from baulk.ingest import config as settings  # noqa: PLC0415 - slow to load, as above

        return settings.load(shop).shop.units if (shop / settings.FILE).exists() else "inch"
    return "metric" if text.endswith(("mm", "cm", "m")) else "inch"
