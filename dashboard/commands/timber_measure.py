"""What a person measures and saws on a timber: sizes and curves, checks, a relief kerf."""

# ruff: noqa: PLR0913 - a person names the options one by one
from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Final

import typer

from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, say
from baulk.dashboard.commands.event_entry import enter
from baulk.dashboard.commands.options import (
    AFace,
    At,
    Bow,
    By,
    Corners,
    Crook,
    Depth,
    FromEnd,
    MaybeLength,
    Note,
    TagArgument,
    Width,
    Yes,
)
from baulk.ingest import shop as shops
from baulk.models import openings, text, units, wane
from baulk.models.errors import OutOfRange
from baulk.models.section import Face
from baulk.models.timber import EventKind, Value
from baulk.models.units import System

Long = str | None


def measure(
    tag: TagArgument,
    *,
    width: Width = None,
    depth: Depth = None,
    at_face: Annotated[
        Face | None,
        typer.Option(help="Measured along this face (a width: a or c, a depth: b or d), not mid-face."),
    ] = None,
    from_end: FromEnd = None,
    bow: Bow = None,
    crook: Crook = None,
    twist: Annotated[Long, typer.Option(help="How far the fourth corner lies off the other three.")] = None,
    over: Annotated[Long, typer.Option(help="Length that curves and twist were measured over.")] = None,
    cup: Annotated[Long, typer.Option(help="Deepest hollow across a face.")] = None,
    out_of_square: Annotated[Long, typer.Option(help="How far the worst corner is off the square.")] = None,
    checks: Annotated[Long, typer.Option(help="Depth of the deepest checks of any face.")] = None,
    widest_wane: Annotated[
        Long, typer.Option(help="Widest wane along any face, if you leave out at which corner.")
    ] = None,
    corner: Corners = None,
    at: At = "now",
    by: By = "",
    note: Note = "",
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Note what rule, straightedge and square say of a timber today; name what you measured.

    Its size says how much it shrinks: measure width and depth at the same places from time to time.
    Wane without its corner is taken at all four; "--corner 'ab none'" says that there is none.

    Example: baulk timber measure FER-03 --width "7 13/16" --depth "7 7/8" --bow "1/4 in"

    Example: baulk timber measure FER-03 --corner "ab 1 1/2 x 1 in"
    """
    given = {
        "width_mm": width, "depth_mm": depth, "from_end_mm": from_end, "bow_mm": bow, "crook_mm": crook,
        "twist_mm": twist, "length_mm": over, "cup_mm": cup, "out_of_square_mm": out_of_square,
        "check_mm": checks, "wane_mm": widest_wane,
    }  # fmt: skip

    def detail(system: System) -> dict[str, Value]:
        return {
            **_lengths(given, system),
            **wane.detail_of(corner or (), units.default_length_unit(system)),
            **({} if at_face is None else {"face": at_face.value}),
        }

    enter(tag, EventKind.MEASURED, detail, at=at, by=by, note=note, shop=shop, json=json, yes=yes)


def check(
    tag: TagArgument,
    *,
    length: MaybeLength = None,
    width: Width = None,
    depth: Depth = None,
    face: AFace = None,
    from_end: FromEnd = None,
    from_edge: Annotated[
        Long,
        typer.Option(help="Where it opens: along face a or c from face d, along face b or d from face a."),
    ] = None,
    opening: Annotated[str | None, typer.Option(help="check (left out), shake or split.")] = None,
    called: Annotated[str, typer.Option(help="Which, where a face has several: a word of your own.")] = "",
    known_since: Annotated[
        str, typer.Option(help="Day since when it is known to be there: 2026-05-14.")
    ] = "",
    at: At = "now",
    by: By = "",
    note: Note = "",
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Note a check, a shake or a split as it is today; the same one measured again shows how it grows.

    With --from-edge and a depth no sawing plan lays a piece through it; without the place it is taken nearest
    to the pith. A split or a deep shake can make a timber unfit to carry: ask whoever grades it before it is
    used so.

    Example: baulk timber check FER-03 --face b --length "24 in" --width "1/8 in" --depth "2 in"
    """
    if from_edge and face is None:
        raise OutOfRange("where a check opens", "is told along its face: --face a, b, c or d")
    along = "from_d_mm" if face in {Face.A, Face.C} else "from_a_mm"
    given = {
        "length_mm": length, "width_mm": width, "depth_mm": depth, "from_end_mm": from_end, along: from_edge,
    }  # fmt: skip

    def detail(system: System) -> dict[str, Value]:
        told = {"face": face and face.value, "opening": opening, "name": called.strip(),
                "since": known_since.strip()}  # fmt: skip
        return {**_lengths(given, system), **{key: word for key, word in told.items() if word}}

    enter(tag, EventKind.CHECKED, detail, at=at, by=by, note=note, shop=shop, json=json, yes=yes)
    if not json:
        _tell_growth(tag, face, called.strip(), shop)


def kerf(
    tag: TagArgument,
    into: Annotated[str, typer.Argument(metavar="FACE", hidden=True)] = "",
    deep: Annotated[str, typer.Argument(metavar="DEPTH", hidden=True)] = "",
    *,
    width: Width = None,
    depth: Depth = None,
    face: AFace = None,
    at: At = "now",
    by: By = "",
    note: Note = "",
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Note that a relief kerf was sawn into a face, along the whole length and toward the heart.

    Its check opens there, and it dries the wood beside it. Support the timber on both sides of the cut, for
    it moves as it opens, and wedge it open: wood that closes on a blade throws it back.

    Example: baulk timber kerf FER-03 --face c --depth "2 7/8 in" --width "3/16 in"
    """
    if (into or deep) and not json:  # the form of 0.1.0
        say("From the next version on say it as --face and --depth.")
    word = face.value if face else into
    if not word or not (depth or deep):
        raise OutOfRange("a relief kerf", "needs its face and its depth: --face c --depth '3 in'")

    def detail(system: System) -> dict[str, Value]:
        return {"face": word, **_lengths({"depth_mm": depth or deep, "width_mm": width}, system)}

    enter(tag, EventKind.KERFED, detail, at=at, by=by, note=note, shop=shop, json=json, yes=yes)


def _lengths(given: Mapping[str, str | None], system: System) -> dict[str, Value]:
    bare = units.default_length_unit(system)
    return {name: units.length_mm(word, bare=bare, signed=True) for name, word in given.items() if word}


def _tell_growth(tag: str, face: Face | None, name: str, shop: Path) -> None:
    """Tell what the opening that was just noted has grown by."""
    with shops.open(shop) as opened:
        system, zone = opened.config.shop.units, opened.config.zone
        events = opened.register.events(opened.register.get(tag).tag)
    for each in openings.seen(events):
        if (each.face, each.name) == (face, name):
            for reason in openings.growth_reasons(each):
                say(text.sentence(reason, system, zone=zone))


COMMANDS: Final[Mapping[str, Callable[..., None]]] = {"measure": measure, "check": check, "kerf": kerf}
