"""Plans of a room's air that are followed and looked back on: `baulk plan follow` and `baulk plan back`."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import typer

from baulk.dashboard import words
from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, say, say_item, say_json, worded
from baulk.dashboard.commands.options import By, MaybePlace, Note
from baulk.ingest import shop as shops
from baulk.ingest.planning import humidity, kept_air, kept_promises
from baulk.ingest.shop import Shop
from baulk.models import text, units
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.plan.humidity import said_back
from baulk.models.plan.humidity.promise import Followed


def follow(  # noqa: PLR0913 - one an option
    way: Annotated[
        str | None,
        typer.Argument(help="What is done; as offered if left out. Else: nothing, hold, cover and so on."),
    ] = None,
    *,
    place: MaybePlace = None,
    by: By = "",
    note: Note = "",
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Say that a room's newest plan is followed, so that it is looked back on: `baulk plan back`.

    What it promised of the air, each timber, checks, litres and kWh is kept with your name and the day. The
    first plan of each week is kept anyway, as a promise of what comes if nothing is done.

    Example: baulk plan follow hold --place shed --by Ann
    """
    with shops.open(shop, durable=True) as opened:
        words.keep_to(opened.config.zone)
        where = place_of(opened, place)
        kept = kept_air.made(opened, where)
        if kept is None or kept.plan is None:
            raise OutOfRange(f"the air of {where}", "has no plan yet; `baulk plan air` makes one")
        said = Followed(by=by.strip(), at_utc=datetime.now(UTC), note=note.strip())
        made = kept_promises.follow(opened, kept.plan, said, what=way)
        system = opened.config.shop.units
    if json:
        say_json(worded(made, system))
        return
    does = text.air_ways.name(made.what).lower()
    say(
        f"The plan of {where} of {words.clock(made.made_utc)} is followed: {does}. "
        "`baulk plan back` says what came of it, from four weeks on."
    )


def back(*, place: MaybePlace = None, shop: ShopOption = HERE, json: JsonOption = False) -> None:
    """Say how a room's earlier plans came out: what they promised, what came, what that teaches the next.

    Followed plans are told one by one, of the others some; JSON has every one that is kept. A timber's date
    teaches once its promised day has passed, and the next plan's dates are moved by it only where that is
    beyond its own uncertainty.

    Example: baulk plan back --place shed
    """
    with shops.open(shop) as opened:
        words.keep_to(opened.config.zone)
        where = place_of(opened, place)
        found = kept_promises.back(opened, where, datetime.now(UTC))
        reader = units.temperature_system(opened.config.temperature)
    if json:
        say_json(worded(found, reader))
        return
    if not found.plans:
        say(f"No plan of {where} is kept yet; the first of each week is, `baulk plan follow` keeps any.")
        return
    for each in (found.lesson, found.checks):
        if each is not None:
            say(text.sentence(each.reason, reader, zone=words.zone()))
    for each_plan in said_back.told(found.plans):
        head, *rest = text.sentences(said_back.said(each_plan), reader, zone=words.zone())
        say(f"\n{head}")
        for sentence in rest:
            say_item(sentence)


def place_of(opened: Shop, place: str | None) -> str:
    """Return the place that is meant: the one named, else where the first timber lies."""
    lying = humidity.places(opened)
    known = {*lying, *(each.name for each in opened.register.places())}
    if place is not None and place not in known:
        raise NotFound("place", place, sorted(known))
    if place is None and not lying:
        raise OutOfRange("the yard", "has no timber yet; `baulk timber add` enters one")
    return place or lying[0]
