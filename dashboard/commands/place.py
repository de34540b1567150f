"""Places from the command line: `baulk place list`, `add`, `set`."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any, Final

import typer

from baulk.dashboard import typed
from baulk.dashboard.commands.answers import (
    HERE,
    JsonOption,
    ShopOption,
    counted,
    plain,
    say,
    say_json,
    table,
)
from baulk.dashboard.commands.options import AIR_CHANGES, VOLUME, MaybeNote, MaybeSize, Note
from baulk.ingest import operations
from baulk.ingest import shop as shops
from baulk.models import units
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.timber import Place
from baulk.models.units import System

app = typer.Typer(pretty_exceptions_enable=False)

KINDS: Final = ("shed", "room", "yard", "bearers", "rack")


@app.command("list")
def list_(*, shop: ShopOption = HERE, json: JsonOption = False) -> None:
    """List the places entered and those that a timber lies in.

    Example: baulk place list
    """
    with shops.open(shop, durable=True) as opened:
        system, found = opened.config.shop.units, opened.register.places()
        lying = [each.place for each in opened.register.list()]
    if json:
        say_json(found)
        return
    table(
        counted(len(found), "place"),
        ("place", "kind", "timbers", "at, right and up", "size", "air", "changes an hour", "note"),
        [
            (
                each.name,
                each.kind,
                str(lying.count(each.name)),
                _pair(each.x_m, each.y_m, system),
                _pair(each.width_m, each.depth_m, system),
                _volume(each.volume_m3, system),
                "" if each.air_changes_per_h is None else f"{each.air_changes_per_h:g}",
                each.note,
            )
            for each in found
        ],
    )


@app.command("set")
def set_(  # noqa: PLR0913 - a person names them one by one
    name: Annotated[str, typer.Argument(help="As in topics and on timbers.", metavar="PLACE")],
    *,
    kind: Annotated[str | None, typer.Option(help=f"One of {', '.join(KINDS)}.")] = None,
    position: Annotated[
        str | None,
        typer.Option("--position", help="Its corner on the yard's plan, right and up: '3 x 12 m'."),
    ] = None,
    size: MaybeSize = None,
    volume: Annotated[str | None, VOLUME] = None,
    air_changes: Annotated[str | None, AIR_CHANGES] = None,
    note: MaybeNote = None,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Enter a place or change what is said of it; what is left out stays.

    --size is its size on the yard's plan; --air-changes none has them learned from the readings.

    Example: baulk place set shed --kind shed --size "30 x 20 ft" --volume "6400 ft3"
    """
    with shops.open(shop, durable=True) as opened:
        system = opened.config.shop.units
        known = {each.name: each for each in opened.register.places()}
        changes: dict[str, Any] = {}
        if kind is not None:
            if kind not in KINDS:
                raise NotFound("kind of place", kind, KINDS)
            changes["kind"] = kind
        if position is not None:
            changes["x_m"], changes["y_m"] = _metres(position, system, "the corner", signed=True)
        if size is not None:
            changes["width_m"], changes["depth_m"] = _metres(size, system, "the size", signed=False)
        if volume is not None:
            changes["volume_m3"] = typed.volume_m3(volume, system)
        if air_changes is not None:
            changes["air_changes_per_h"] = _rate(air_changes)
        if note is not None:
            changes["note"] = note
        place = replace(known.get(name) or Place(name=name), **changes)
        waited = operations.add_place(opened, place)
    _answer(place, waited, json=json)


@app.command()
def add(
    name: Annotated[str, typer.Argument(help="As in topics and on timbers.", metavar="PLACE")],
    *,
    kind: Annotated[str, typer.Option(help=f"One of {', '.join(KINDS)}.")] = "shed",
    note: Note = "",
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Enter a new place; what its air sensors sent before is stored then. `set` says more of it.

    Example: baulk place add loft --kind room
    """
    with shops.open(shop, durable=True) as opened:
        if kind not in KINDS:
            raise NotFound("kind of place", kind, KINDS)
        if name in {each.name for each in opened.register.places()}:
            raise OutOfRange(f"the place {name}", "is entered already; `baulk place set` changes it")
        place = Place(name=name, kind=kind, note=note)
        waited = operations.add_place(opened, place)
    _answer(place, waited, json=json)


def _answer(place: Place, waited: int, *, json: bool) -> None:
    if json:
        say_json({**plain(place), "waited": waited})
        return
    say(f"{place.name} is entered as a {place.kind}.")
    if waited:
        say(f"Readings of its air that waited in quarantine and are now stored: {waited}.")


def _metres(text: str, system: System, what: str, *, signed: bool) -> tuple[float, float]:
    parts = text.lower().replace("\u00d7", "x").split("x")
    if len(parts) != 2:
        raise OutOfRange(what, f"looks like '30 x 20 ft', not {text!r}")
    unit = parts[1].strip().lstrip("+-0123456789./ ") or ("ft" if system == "inch" else "m")
    first, second = (
        units.length_mm(part if part.strip()[-1:].isalpha() else f"{part} {unit}", signed=signed) / 1000
        for part in parts
    )
    return first, second


def _rate(text: str) -> float | None:
    if text.strip().lower() == "none":
        return None
    try:
        return float(text)
    except ValueError as err:
        raise OutOfRange(
            "the air changes an hour", f"are a number such as 0.5, or none; not {text!r}"
        ) from err


def _pair(first: float | None, second: float | None, system: System) -> str:
    if first is None or second is None:
        return ""
    scale, unit = (0.3048, "ft") if system == "inch" else (1.0, "m")
    return f"{first / scale:.3g} x {second / scale:.3g} {unit}"


def _volume(m3: float | None, system: System) -> str:
    if m3 is None:
        return ""
    return f"{m3 / typed.M3_PER_FT3:.0f} ft3" if system == "inch" else f"{m3:.0f} m3"
