"""Readings put right from the command line: `baulk reading undo`, `edit`, `corrections`."""

# ruff: noqa: PLR0913 - a person names the options one by one
from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Annotated, Any, Final

import typer

from baulk.dashboard.commands.answers import (
    HERE,
    JsonOption,
    ShopOption,
    counted,
    moment,
    say,
    say_json,
    table,
    unless_unlikely,
)
from baulk.dashboard.commands.options import AFace, Air, By, Depth, FromEnd, MaybeAt, Note, Yes
from baulk.ingest import correction_notes, corrections, hand_readings, known_places
from baulk.ingest import shop as shops
from baulk.ingest.correction_notes import Correction
from baulk.models import moisture_text, units
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading
from baulk.models.text import events as event_text
from baulk.models.text import series as series_text

Name = Annotated[str, typer.Argument(help="The timber's tag, or with --air the place.", metavar="NAME")]
Which = Annotated[
    str,
    typer.Argument(
        help="Its time as `baulk reading list` shows it: '2026-11-25 14:30'; or last, entered last by hand.",
        metavar="WHICH",
    ),
]
SeriesOption = Annotated[
    str, typer.Option("--series", help="Which one at that time: the end of its series, such as weight.")
]


def undo(
    name: Name,
    which: Which = "last",
    *,
    air: Air = False,
    series: SeriesOption = "",
    correction: Annotated[
        int | None, typer.Option("--correction", help="Take back this correction instead, by its number.")
    ] = None,
    by: By = "",
    note: Note = "",
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Take a reading back: no forecast sees it any more; what it was stays, with who, when and why.

    Example: baulk reading undo FER-03 "2026-11-25 14:30" --note "tag of another timber"
    """
    now_utc = datetime.now(UTC)
    with shops.open(shop, durable=True) as opened:
        owner, name = _owner(opened, name, air=air)
        if correction is not None:
            found = correction_notes.numbered(opened, owner, name, correction)
            done = corrections.undo(opened, found, by=by, now_utc=now_utc)
        else:
            reading = corrections.choose(opened, owner, name, which, series)
            done = corrections.take_back(opened, reading, by=by, note=note, now_utc=now_utc)
        _answer(opened, done, json=json)


def edit(
    name: Name,
    which: Which = "last",
    *,
    value: Annotated[
        str | None, typer.Option(help="What it should be: '23.5', 'OL', '212 lb', '68F'.")
    ] = None,
    depth: Depth = None,
    face: AFace = None,
    from_end: FromEnd = None,
    air: Air = False,
    series: SeriesOption = "",
    at: MaybeAt = None,
    by: By = "",
    note: Note = "",
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Put a reading right; what it was stays, with who, when and why.

    Example: baulk reading edit FER-03 last --value 23.5 --note "misread"
    """
    now_utc = datetime.now(UTC)
    with shops.open(shop, durable=True) as opened:
        owner, name = _owner(opened, name, air=air)
        reading = corrections.choose(opened, owner, name, which, series)
        bare = units.default_length_unit(opened.config.shop.units)
        number, at_least = (None, False) if value is None else _value(value, reading, opened)
        changes: dict[str, Any] = {
            "value": number,
            "at_least": at_least,
            "taken_utc": None if at is None else moment(at, now_utc=now_utc, zone=opened.config.zone),
            "depth_mm": None if depth is None else units.length_mm(depth, bare=bare),
            "face": face,
            "from_end_mm": None if from_end is None else units.length_mm(from_end, bare=bare),
        }
        done = unless_unlikely(
            lambda sure: corrections.put_right(
                opened, reading, by=by, note=note, now_utc=now_utc, sure=sure, **changes
            ),
            yes=yes,
        )
        _answer(opened, done, json=json)


def list_(name: Name, *, air: Air = False, shop: ShopOption = HERE, json: JsonOption = False) -> None:
    """List what was taken back or put right, with who, when and why.

    Example: baulk reading corrections FER-03
    """
    with shops.open(shop, durable=True) as opened:
        owner, name = _owner(opened, name, air=air)
        found = correction_notes.listed(opened.store, owner, name)
        rows = [
            (
                str(each.number),
                f"{each.at_utc.astimezone(opened.config.zone):%Y-%m-%d %H:%M}",
                _said(opened, each),
                each.by,
                each.note,
            )
            for each in found
        ]
    if json:
        say_json([_row(each) for each in found])
    else:
        table(counted(len(rows), "correction"), ("no.", "when", "what", "by", "why"), rows)


COMMANDS: Final[Mapping[str, Callable[..., None]]] = {"undo": undo, "edit": edit, "corrections": list_}


def tag_not_place(opened: shops.Shop, name: str) -> str:
    """Return a tag as the register writes it; where it is the name of a place, say what was left out."""
    try:
        return opened.register.get(name).tag
    except NotFound:
        if name in known_places.names(opened):
            raise OutOfRange(name, "is a place; --air says that its air is meant, not a timber") from None
        raise


def _owner(opened: shops.Shop, name: str, *, air: bool) -> tuple[Owner, str]:
    return (Owner.AIR, name) if air else (Owner.TIMBER, tag_not_place(opened, name))


def _value(text: str, reading: Reading, opened: shops.Shop) -> tuple[float, bool]:
    """Read a value, and whether it means "at least"."""
    quantity = reading.series.quantity
    if quantity is Quantity.MOISTURE:
        shown = moisture_text.read(text, top_pct=hand_readings.scale_end_pct(opened))
        return shown.mc_pct, shown.at_least
    if quantity is Quantity.WEIGHT:
        return units.mass_kg(text, bare=units.default_mass_unit(opened.config.shop.units)), False
    if reading.unit == "mm":
        return units.length_mm(text, bare=units.default_length_unit(opened.config.shop.units)), False
    if reading.unit == "degC":
        return units.temperature_c(text, bare=opened.config.temperature), False
    try:
        return float(text.strip().removesuffix("%")), False
    except ValueError as err:
        raise OutOfRange("the value", f"is a number in {reading.unit}, not {text!r}") from err


def _shown(opened: shops.Shop, reading: Reading) -> str:
    system, temperature = opened.config.shop.units, opened.config.temperature
    called = series_text.called(str(reading.series), system)
    at = reading.taken_utc.astimezone(opened.config.zone)
    return f"{called}: {event_text.value(reading, system, temperature)}, {at:%Y-%m-%d %H:%M}"


def _said(opened: shops.Shop, done: Correction) -> str:
    was = _shown(opened, done.was)
    said = f"taken back: {was}" if done.now is None else f"put right: {was} -> {_shown(opened, done.now)}"
    if done.undone_utc is None:
        return said
    at = done.undone_utc.astimezone(opened.config.zone)
    return f"{said} (itself taken back {at:%Y-%m-%d}{f' by {done.undone_by}' if done.undone_by else ''})"


def _answer(opened: shops.Shop, done: Correction, *, json: bool) -> None:
    if json:
        say_json(_row(done))
        return
    say(f"{done.was.series.name}: {_said(opened, done)} (correction {done.number})")
    if done.was.series.owner is Owner.TIMBER:
        say(
            "its forecast is worked out anew without it" if done.counts else "its forecast is worked out anew"
        )


def _row(done: Correction) -> dict[str, Any]:
    return {
        "number": done.number,
        "was": _reading(done.was),
        "now": None if done.now is None else _reading(done.now),
        "by": done.by,
        "note": done.note,
        "at_utc": done.at_utc,
        "undone_utc": done.undone_utc,
        "undone_by": done.undone_by,
    }


def _reading(one: Reading) -> dict[str, Any]:
    return {
        "series": str(one.series),
        "value": one.value,
        "unit": one.unit,
        "taken_utc": one.taken_utc,
        "source": one.source,
        "flags": one.flags,
    }
