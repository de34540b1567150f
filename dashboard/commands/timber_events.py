"""What happens to a timber, from the command line: move, cut, plane, turn and the like."""

# ruff: noqa: PLR0913 - a person names the options one by one
from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Annotated, Final

import typer

from baulk.dashboard import typed
from baulk.dashboard.commands.answers import (
    HERE,
    JsonOption,
    NewPlaceOption,
    ShopOption,
    say,
    say_json,
)
from baulk.dashboard.commands.event_entry import MoveOption, enter
from baulk.dashboard.commands.options import (
    After,
    At,
    Before,
    By,
    Length,
    Note,
    Size,
    TagArgument,
    Yes,
)
from baulk.ingest import operations
from baulk.ingest import shop as shops
from baulk.models import units
from baulk.models.errors import OutOfRange
from baulk.models.timber import DETAILS, EventKind, Value
from baulk.models.units import System

FacesArgument = Annotated[
    list[str], typer.Argument(help="Letters of the faces, such as ac; none for no face.", metavar="FACES")
]


def move(
    tag: TagArgument,
    place: Annotated[str, typer.Argument(help="Where it lies from now on: whose air.", metavar="PLACE")],
    *,
    new_place: NewPlaceOption = False,
    at: At = "now",
    by: By = "",
    note: Note = "",
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Note that a timber was moved to another place; its forecast follows that place's air.

    Example: baulk timber move FER-03 loft --at 2026-11-20
    """
    detail: dict[str, Value] = {"from": "", "to": place}
    enter(
        tag,
        EventKind.MOVED,
        detail,
        at=at,
        by=by,
        note=note,
        shop=shop,
        json=json,
        yes=yes,
        new_place=new_place,
    )


def cut(
    tag: TagArgument,
    length: Length,
    *,
    before: Before = None,
    after: After = None,
    at: At = "now",
    by: By = "",
    note: Note = "",
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Note that a timber was cut shorter; weights before and after keep its drying readable.

    --length says what is left of it.

    Example: baulk timber cut FER-03 --length "11 ft" --before "332 lb" --after "304 lb"
    """

    def detail(system: System) -> dict[str, Value]:
        return {
            "length_mm": typed.along_mm(length, system),
            **_weights(before, after, system),
        }

    enter(tag, EventKind.CUT, detail, at=at, by=by, note=note, shop=shop, json=json, yes=yes)


def plane(
    tag: TagArgument,
    size: Size,
    *,
    before: Before = None,
    after: After = None,
    at: At = "now",
    by: By = "",
    note: Note = "",
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Note that a timber was taken down in section, as when it is roughed out.

    --size says what is left. Its middle is taken to have stayed where it was; if more came off one face, put
    the pith and the finished piece right with edit.

    Example: baulk timber plane FER-03 --size "7 x 7 in"
    """

    def detail(system: System) -> dict[str, Value]:
        width_mm, depth_mm = units.size_mm(size, bare=units.default_length_unit(system))
        return {"width_mm": width_mm, "depth_mm": depth_mm, **_weights(before, after, system)}

    enter(tag, EventKind.PLANED, detail, at=at, by=by, note=note, shop=shop, json=json, yes=yes)


def turn(
    tag: TagArgument,
    up: Annotated[str, typer.Argument(help="The face that is up now: a, b, c or d.", metavar="FACE")],
    *,
    at: At = "now",
    by: By = "",
    note: Note = "",
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Note that a timber was turned over; its faces keep their letters.

    Example: baulk timber turn FER-03 b
    """
    enter(tag, EventKind.TURNED, {"up": up}, at=at, by=by, note=note, shop=shop, json=json, yes=yes)


def seal(
    tag: TagArgument,
    *,
    at: At = "now",
    by: By = "",
    note: Note = "",
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Note that both ends of a timber were sealed.

    Example: baulk timber seal FER-03 --at 2026-11-20
    """
    enter(tag, EventKind.END_SEALED, {}, at=at, by=by, note=note, shop=shop, json=json, yes=yes)


def coat(
    tag: TagArgument,
    faces: FacesArgument,
    *,
    with_: Annotated[
        str | None, typer.Option("--with", help="What it is: coat (paint, sealer), wax or wrap (film).")
    ] = None,
    at: At = "now",
    by: By = "",
    note: Note = "",
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Note which faces of a timber are coated, waxed or wrapped in film from now on; none takes it off.

    Under film a face stays damp: look for mould, and wear a mask if some has grown.

    Example: baulk timber coat FER-03 ac --with wax
    """
    detail: dict[str, Value] = {
        "faces": _letters("".join(faces)),
        **({} if with_ is None else {"coat": with_}),
    }
    enter(tag, EventKind.COATED, detail, at=at, by=by, note=note, shop=shop, json=json, yes=yes)


def sticker(
    tag: TagArgument,
    faces: FacesArgument,
    *,
    at: At = "now",
    by: By = "",
    note: Note = "",
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Note which faces of a timber lie on bearers or stickers from now on; none for none.

    Example: baulk timber sticker FER-03 c
    """
    enter(
        tag,
        EventKind.STICKERED,
        {"faces": _letters("".join(faces))},
        at=at,
        by=by,
        note=note,
        shop=shop,
        json=json,
        yes=yes,
    )


def retire(
    tag: TagArgument,
    *,
    reason: Annotated[str, typer.Option("--reason", help="Built in, sold, split: free words.")] = "",
    at: At = "now",
    by: By = "",
    note: Note = "",
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Take a timber out of the yard; all that is known of it stays, and `return` takes it back in.

    Example: baulk timber retire FER-03 --reason "built in as the port sill"
    """
    detail: dict[str, Value] = {"reason": reason} if reason else {}
    enter(tag, EventKind.RETIRED, detail, at=at, by=by, note=note, shop=shop, json=json)


def return_(
    tag: TagArgument,
    *,
    by: By = "",
    note: Note = "",
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Take a retired timber back into the yard.

    Example: baulk timber return FER-03 --note "not sold after all"
    """
    now_utc = datetime.now(UTC)
    with shops.open(shop, durable=True) as opened:
        timber = opened.register.get(tag)
        if timber.retired_utc is None:
            raise OutOfRange(timber.tag, "is in the yard; nothing was changed")
        (event,) = operations.edit_timber(
            opened, timber.tag, retired_utc=None, now_utc=now_utc, by=by, note=note
        )
    if json:
        say_json(event)
    else:
        say(f"{event.tag} is back in the yard (number {event.number})")


def event(
    tag: TagArgument,
    kind: Annotated[EventKind, typer.Argument(help="What happened.")],
    details: Annotated[
        list[str] | None,
        typer.Argument(help="Its details, such as mc_pct=78 or tare_kg='4 lb'.", metavar="NAME=VALUE"),
    ] = None,
    *,
    move: MoveOption = False,
    new_place: NewPlaceOption = False,
    at: At = "now",
    by: By = "",
    note: Note = "",
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Note any kind of event with its details by name; lengths and weights may carry their unit.

    Example: baulk timber event FER-03 oven-dried mc_pct=78 from_end_mm="16 in"

    Example: baulk timber event FER-03 tared tare_kg="4 lb"

    Example: baulk timber event FER-03 photographed file=sill-check.jpg

    Example: baulk timber event FER-03 fitted --at 2026-11-20

    Example: baulk timber event FER-03 measured bow_mm="1/4 in" wane_mm="3/8 in"
    """
    found = dict(_detail(word, kind) for word in details or ())
    detail = {"from": "", **found} if kind is EventKind.MOVED else found
    enter(
        tag,
        kind,
        detail,
        at=at,
        by=by,
        note=note,
        shop=shop,
        json=json,
        yes=yes,
        move=move,
        new_place=new_place,
    )


def _weights(before: str | None, after: str | None, system: System) -> dict[str, Value]:
    given = {"weight_before_kg": before, "weight_after_kg": after}
    bare: units.MassUnit = "lb" if system == "inch" else "kg"
    return {name: units.mass_kg(text, bare=bare) for name, text in given.items() if text is not None}


def _letters(faces: str) -> str:
    return "" if faces.strip().lower() in {"none", "-"} else faces


def _detail(word: str, kind: EventKind) -> tuple[str, Value]:
    name, sign, text = word.partition("=")
    if not sign:
        known = ", ".join(DETAILS[kind]).replace("?", "") or "none"
        raise OutOfRange("a detail", f"looks like name=value, not {word!r}; {kind.value} knows: {known}")
    if name.endswith("_mm"):
        return name, units.length_mm(text, bare="mm", signed=True)
    if name.endswith("_kg"):
        return name, units.mass_kg(text, bare="kg")
    if name.endswith("_pct"):
        try:
            return name, float(text.strip().removesuffix("%"))
        except ValueError as err:
            raise OutOfRange(name, f"is a number in percent, not {text!r}") from err
    return name, _letters(text) if name == "faces" else text


COMMANDS: Final[Mapping[str, Callable[..., None]]] = {
    "move": move,
    "cut": cut,
    "plane": plane,
    "turn": turn,
    "seal": seal,
    "coat": coat,
    "sticker": sticker,
    "retire": retire,
    "return": return_,
    "event": event,
}
