"""The shop's humidity from the command line: `baulk plan air`."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Annotated

import typer

from baulk.dashboard import plan_rows, typed, words
from baulk.dashboard.commands import former, printing
from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, say, say_json, table, worded
from baulk.dashboard.commands.options import AIR_CHANGES, TEMP, VOLUME, MaybePlace, TagsArgument
from baulk.dashboard.commands.printing import PrintOption
from baulk.ingest import shop as shops
from baulk.ingest.mqtt import publish_plan
from baulk.ingest.planning import humidity, kept_air, kept_promises
from baulk.models import text, units
from baulk.models.errors import OutOfRange
from baulk.models.plan.humidity.air_plan import AirPlan
from baulk.models.plan.humidity.summary import summary, ways
from baulk.models.units import System, TemperatureUnit

WAYS = ("", "ready", "weeks gained", "checks", "mould", "decay, h", "litres", "kWh", "cost", "work, h")


def air(  # noqa: PLR0913 - a person names them one by one
    tags: TagsArgument = None,
    *,
    place: MaybePlace = None,
    hold: Annotated[
        str | None, typer.Option(help="What if: hold this temperature and humidity: '16C,70'; or only '70'.")
    ] = None,
    temp: Annotated[str | None, TEMP] = None,
    finished_mc: Annotated[
        str | None,
        typer.Option("--finished-mc", help="Moisture that finished or glued work tolerates: '8,12' percent."),
    ] = None,
    volume: Annotated[str | None, VOLUME] = None,
    air_changes: Annotated[float | None, AIR_CHANGES] = None,
    people: Annotated[float | None, typer.Option(help="Hours of work in it a day, over all people.")] = None,
    power_price: Annotated[
        float | None, typer.Option("--power-price", help="Price of a kilowatt-hour, in any money: 0.25.")
    ] = None,
    cold: Annotated[
        str | None, typer.Option(help="Coldest timber or steel that is brought in, '2C'.")
    ] = None,
    weekly_step: Annotated[
        float | None, typer.Option("--weekly-step", help="Largest change of humidity in a week, %RH.")
    ] = None,
    driest: Annotated[float | None, typer.Option(help="Driest air to plan for, %RH.")] = None,
    strict: Annotated[
        bool, typer.Option("--strict", help="Hold to the published safe start to its end.")
    ] = False,
    leaving: Annotated[
        bool, typer.Option("--leaving", help="Squared pieces leave the room at once.")
    ] = False,
    save: Annotated[
        bool,
        typer.Option("--save", help="Save the room, hours and price that were given with the place."),
    ] = False,
    publish: Annotated[
        bool, typer.Option("--publish", help="Put this week's set-point on MQTT, retained, with an expiry.")
    ] = False,
    sheet: PrintOption = None,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Say what to do with a room's air: leave the doors as they are, or what truly beats that.

    Doing nothing, holding a planned humidity, a sheet, film, doors by the weather, a heater, a dehumidifier
    and another place stand side by side, each with its dates, risks and costs. What was saved of the room
    with --save or on the page counts where nothing is given here.

    The window lies between the checking limit of the greenest timbers, mould, dew on cold timber and what
    finished work tolerates; the schedule in it is searched with the drying model. Without --place it is the
    room where most timbers lie; with tags, only these are to become square soonest. --temp is held, else it
    is the season's. A what-if: --hold 16C,70.

    Example: baulk plan air --place shed --volume "300 m3" --air-changes 0.5 --power-price 0.25
    """
    now_utc = datetime.now(UTC)
    held_c, hold_rh = _hold(hold)
    if temp is not None:
        held_c = units.temperature_c(temp)
    with shops.open(shop) as opened:
        words.keep_to(opened.config.zone)
        lying = humidity.places(opened)
        if place is None and not lying:
            raise OutOfRange("the yard", "has no timber yet; `baulk timber add` enters one")
        volume_m3 = None if volume is None else _volume_m3(volume, opened.config.shop.units)
        where = place or lying[0]
        kept = kept_air.wish(opened, where)
        said = kept_air.Wish(
            held_c=kept.held_c if held_c is None else held_c,
            finished_pct=kept.finished_pct if finished_mc is None else _pair(finished_mc),
            people_h_day=kept.people_h_day if people is None else people,
            price_kwh=kept.price_kwh if power_price is None else power_price,
            leaving=leaving or kept.leaving,
        )
        asked = replace(
            said.asked(where),
            pieces=tuple(tags or ()),
            hold_rh=hold_rh,
            volume_m3=volume_m3,
            air_changes_per_h=air_changes,
            coldest_c=None if cold is None else units.temperature_c(cold),
            step_pct=weekly_step,
            driest_rh=driest,
            strict=strict,
        )
        made = humidity.plan(opened, asked, now_utc)
        if save:
            humidity.save_place(opened, made.place, volume_m3=volume_m3, air_changes_per_h=air_changes)
            kept_air.keep_wish(opened, made.place, said)
        if save or asked == kept.asked(where):  # the room's own plan, which its page shows
            kept_air.keep(opened, made.place, kept_air.Kept(made_utc=now_utc, plan=made))
        topic = publish_plan.publish(opened, kept_air.answer(made), now_utc) if publish else None
        made = kept_promises.taught(opened, made)
        config = opened.config
    temperature = config.temperature
    printing.sheet(
        made,
        sheet,
        shop=config.shop.name,
        made_utc=now_utc,
        system=config.shop.units,
        temperature=temperature,
        told=not json,
    )
    reader = units.temperature_system(temperature)
    if json:
        answer = worded(made, reader)
        say_json(answer | {"water_unknown": " ".join(answer["water_unknown"])})
        return
    _say(made, temperature)
    if topic is not None:
        caution = publish_plan.caution(publish_plan.EXPIRES.total_seconds() / 3600)
        say(f"\nPublished to {topic}. {text.sentence(caution, reader, zone=words.zone())}")


def _say(made: AirPlan, temperature: TemperatureUnit) -> None:
    reader = units.temperature_system(temperature)
    for sentence in text.sentences(summary(made), reader, zone=words.zone()):
        say(sentence)
    table("\nWhat could be done, over a year", *plan_rows.known(WAYS, plan_rows.alternatives(made)))
    for sentence in text.sentences(ways(made), reader, zone=words.zone()):
        say(f"  - {sentence}")
    rows = plan_rows.weeks(made, temperature, lambda at: f"{words.local(at):%Y-%m-%d}")
    table(f"\nThe air of {made.place}, %RH", plan_rows.WEEK_HEADS, rows)
    say("\nAssumptions:")
    for sentence in text.sentences(made.assumptions, reader, zone=words.zone()):
        say(f"  - {sentence}")
    if made.changes:
        say("What would change it:")
        for sentence in text.sentences(made.changes, reader, zone=words.zone()):
            say(f"  - {sentence}")


def _volume_m3(text: str, system: System) -> float:
    """Read a volume; until version 0.2 it was a bare number of cubic metres, in every shop."""
    try:
        bare = float(text)
    except ValueError:
        return typed.volume_m3(text, system)
    if system == "inch":
        former.say(f"--volume {text} is taken in m3, in this version for the last time: write '{text} m3'")
    return bare


def _hold(text: str | None) -> tuple[float | None, float | None]:
    """Read '16C,70' or '70'."""
    if text is None:
        return None, None
    parts = [each.strip().removesuffix("%").strip() for each in text.split(",")]
    try:
        rh = float(parts[-1])
    except ValueError:
        rh = float("nan")
    if len(parts) > 2 or not 0 < rh <= 100:
        raise OutOfRange("--hold", f"looks like '16C,70' or '70', temperature and humidity, not {text!r}")
    return (units.temperature_c(parts[0]) if len(parts) == 2 else None), rh


def _pair(text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    try:
        low, high = (float(each.strip().removesuffix("%")) for each in text.split(","))
    except ValueError as err:
        raise OutOfRange("--finished-mc", f"looks like '8,12', two moisture contents, not {text!r}") from err
    return low, high
