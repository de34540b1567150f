"""Which timber for which part, and what to order: `baulk plan buy`."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from baulk.dashboard import words
from baulk.dashboard.commands import printing, which_wood
from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, plain, say, say_json, table, worded
from baulk.dashboard.commands.options import Confidence, MaybeOut, MaybeSpecies, MaybeUnits, SawKerf, Trim
from baulk.dashboard.commands.printing import PrintOption
from baulk.dashboard.printing import style
from baulk.dashboard.printing.mill_list import mill_csv
from baulk.ingest import shop as shops
from baulk.ingest.evaluation import curves
from baulk.ingest.planning import sawing
from baulk.models import text, units
from baulk.models.allowance.parts import KERF_MM, PLANING_MM, TRIM_MM
from baulk.models.errors import OutOfRange
from baulk.models.formatting import about
from baulk.models.plan.buying import buy as buying
from baulk.models.plan.buying import parts as buying_parts
from baulk.models.plan.buying.purchase import SUREST, BuyPlan, Wish
from baulk.models.plan.sawing.order import MILL_STEPS_MM


def buy(  # noqa: PLR0913 - each is an option of the command line
    *,
    parts: Annotated[
        Path | None,
        typer.Option(
            help=f"Parts list, a CSV with {buying_parts.COLUMNS}; left out: the register's.", metavar="FILE"
        ),
    ] = None,
    kind: MaybeSpecies = None,
    confidence: Confidence = None,
    price: Annotated[float | None, typer.Option(help="What a cubic metre of timber is worth.")] = None,
    wait: Annotated[
        float | None, typer.Option(help="What a week of waiting for a part costs; else nothing may be late.")
    ] = None,
    any_use: Annotated[
        bool, typer.Option("--any-use", help="Cut timbers entered for another use as readily.")
    ] = False,
    kerf: SawKerf = None,
    trim: Trim = None,
    sheet: PrintOption = None,
    system: MaybeUnits = None,
    out: MaybeOut = None,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Say which timber of the yard serves for which part, what is short, and what to order by when.

    A part takes a timber that has room for it with its allowance, the heart where it is wanted, the sweep
    for its curve, and that is ready by the day it is wanted; several may lie end to end in one timber, and
    side by side where its section allows. Parts needed first (order 1) are served first; another wood of
    the list is taken only where it is better, and said. The answer ends with the two next best assignments
    and what a week later, a size smaller or another wood would change.
    --species is the wood to buy for parts that name none, --confidence at most 0.95, -o the list for the
    mill as CSV.

    Example: baulk plan buy --parts parts.csv --species "white oak" -o mill.csv
    """
    now_utc = datetime.now(UTC)
    with shops.open(shop) as opened:
        words.keep_to(opened.config.zone)
        shown = _system(system, opened.config.shop.units)
        bare = units.default_length_unit(shown)
        listed = (
            buying_parts.PartList(parts=tuple(opened.register.parts()))
            if parts is None
            else buying_parts.read_csv(_text(parts), now_utc=now_utc, woods=opened.woods)
        )
        if not listed.parts and parts is None:
            raise OutOfRange("the register", "holds no parts; give a list with --parts FILE")
        steps = MILL_STEPS_MM[shown]
        sure = min(opened.config.verdict.probability, SUREST) if confidence is None else confidence
        wish = Wish(
            confidence=sure,
            species=None if kind is None else which_wood.wood(opened.woods.species, kind).name,
            price_per_m3=price,
            wait_per_week=wait,
            kerf_mm=KERF_MM if kerf is None else units.length_mm(kerf, bare=bare),
            planing_mm=PLANING_MM,
            trim_mm=TRIM_MM if trim is None else units.length_mm(trim, bare=bare),
            step_mm=steps[0],
            length_step_mm=steps[1],
            seen=curves.measured(opened),
            any_use=any_use,
        )
        if not listed.parts:
            made = None
        else:
            stock = sawing.yard(opened, sure)
            air = sawing.futures(opened, now_utc, listed.parts)
            with _only_ours_on_stdout():
                made = buying.buy(listed.parts, stock, wish, now_utc=now_utc, air=air, woods=opened.woods)
    if made is None:
        raise OutOfRange(
            "the parts list",
            f"holds no part that can be read; line {listed.refused[0].line}: {listed.refused[0].why}",
        )
    printing.sheet(
        made,
        sheet,
        shop=opened.config.shop.name,
        made_utc=now_utc,
        system=shown,
        temperature="F" if shown == "inch" else "C",
        told=not json,
    )
    if out is not None:
        style.write(out, mill_csv(made, shown).encode())
    if json:
        answer = worded(made, shown)
        answer["wish"]["system"] = shown
        said = {
            "words": text.sentences(made.lines(), shown, zone=words.zone()),
            "words_coded": plain(made.lines()),
        }
        say_json(answer | {"refused": plain(listed.refused)} | said)
        return
    _tell(made, listed, shown, out)


@contextlib.contextmanager
def _only_ours_on_stdout() -> Iterator[None]:
    """Lead what the compiled solver prints to stderr, so that stdout holds the answer alone."""
    sys.stdout.flush()
    kept = os.dup(1)
    try:
        os.dup2(2, 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)


def _tell(made: BuyPlan, listed: buying_parts.PartList, shown: units.System, out: Path | None) -> None:
    for refused in listed.refused:
        say(f"Line {refused.line} was left out: {refused.why}.")
    say(text.sentence(made.yard_gives(), shown, zone=words.zone()))
    if made.assignments:
        table(
            "From the yard",
            ("part", "pieces", "timber", "saw now", "ready", "by"),
            [
                (
                    each.part,
                    f"{each.count}",
                    each.tag,
                    units.show_size(each.sawn_width_mm, each.sawn_depth_mm, shown),
                    about(words.local(each.ready_utc), None, short=True)
                    if each.ready_utc
                    else "after its forecast",
                    text.sentence(each.how, shown, zone=words.zone()),
                )
                for each in made.assignments
            ],
        )
    for line in text.sentences(made.rest(), shown, zone=words.zone()):
        say(line)
    for title, lines in (
        ("The next best assignments", made.next_best),
        ("Assumptions", made.assumptions),
        ("What would change it", made.would_change),
        ("Cautions", made.cautions),
    ):
        if lines:
            say(f"{title}:")
        for line in text.sentences(lines, shown, zone=words.zone()):
            say(f"  - {line}")
    if out is not None:
        say(f"The list for the mill is in {out}.")


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except OSError as err:
        raise OutOfRange("the parts list", f"{path} can't be read: {err.strerror}") from err
    except UnicodeDecodeError as err:
        raise OutOfRange("the parts list", f"{path} is not text in UTF-8; save it as CSV in UTF-8") from err


def _system(asked: str | None, own: units.System) -> units.System:
    if asked is None:
        return own
    if asked == "inch":
        return "inch"
    if asked == "metric":
        return "metric"
    raise OutOfRange("--units", f"is inch or metric, not {asked!r}")
