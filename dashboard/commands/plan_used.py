"""Litres and kilowatt-hours of a room, read off by somebody: `baulk plan used`."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import typer

from baulk.dashboard import words
from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, moment, say, say_json
from baulk.dashboard.commands.options import At, By, MaybePlace, Note, Since, Undo
from baulk.dashboard.commands.plan_back import place_of
from baulk.dashboard.typed import amount
from baulk.ingest import shop as shops
from baulk.ingest.planning import kept_used
from baulk.models import text
from baulk.models.errors import OutOfRange
from baulk.models.plan.humidity.used import Used


def used(  # noqa: PLR0913 - one an option
    *,
    water: Annotated[str | None, typer.Option(help="Water put in or taken out: '34 litres'.")] = None,
    power: Annotated[str | None, typer.Option(help="Electricity by its meter: '12 kWh'.")] = None,
    place: MaybePlace = None,
    since: Since = None,
    undo: Undo = False,
    at: At = "now",
    by: By = "",
    note: Note = "",
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Note what a room's humidifier, dehumidifier or heater used, read off its tank or meter.

    The days are from --since to --at. `baulk plan back` holds it against what a followed plan promised for
    the same days.

    Example: baulk plan used --water "34 litres" --since 2026-03-01 --at 2026-04-01 --by Ann

    Example: baulk plan used --place shed --power "120 kWh" --since 2026-03-01
    """
    now_utc = datetime.now(UTC)
    with shops.open(shop, durable=True) as opened:
        words.keep_to(opened.config.zone)
        where = place_of(opened, place)
        if undo:
            told = kept_used.take_back(opened, where)
        else:
            if since is None:
                raise OutOfRange("what was used", "needs the day since when: --since 2026-03-01")
            told = Used(
                since_utc=moment(since, now_utc=now_utc, zone=opened.config.zone),
                until_utc=moment(at, now_utc=now_utc, zone=opened.config.zone),
                litres=amount(water, ("litres", "litre", "liters", "liter", "l"), "the water"),
                kwh=amount(power, ("kwh",), "the electricity"),
                by=by.strip(),
                note=note.strip(),
                noted_utc=now_utc,
            )
            if told.until_utc > now_utc:
                raise OutOfRange("what was used", "lies behind; --at says until when")
            kept_used.tell(opened, where, told)
    if json:
        say_json(told)
        return
    back = "taken back: " if undo else ""
    say(f"{where}: {back}{text.sentence(told.reason, 'metric', zone=words.zone())}")
