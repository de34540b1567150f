"""Readings from the command line: `baulk reading add`, `list`, `meter`, `decode-again`."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Annotated

import typer

from baulk.dashboard.commands import quarantine as quarantined
from baulk.dashboard.commands import reading_corrections, reading_decode, reading_import, reading_meter
from baulk.dashboard.commands.answers import (
    HERE,
    JsonOption,
    NewPlaceOption,
    ShopOption,
    counted,
    moment,
    say,
    say_json,
    stamp,
    table,
    unless_unlikely,
)
from baulk.dashboard.commands.options import AFace, Air, At, Depth, FromEnd, Limit, Yes
from baulk.ingest import hand_readings
from baulk.ingest import shop as shops
from baulk.ingest.store import notes
from baulk.models import moisture_text, units
from baulk.models.errors import OutOfRange
from baulk.models.quantity import AT_DEPTH, SIZES, SPECS, UNITS, Owner, Quantity
from baulk.models.reading import Series
from baulk.models.text import events as event_text
from baulk.models.text import series as series_text

app = typer.Typer(pretty_exceptions_enable=False)
app.command("import")(reading_import.import_)
app.command("meter")(reading_meter.meter)
app.command("decode-again")(reading_decode.decode_again)
for _name, _command in reading_corrections.COMMANDS.items():
    app.command(_name)(_command)

_TEMPERATURES = frozenset(one for one, spec in SPECS.items() if spec.unit == "degC")


@app.command()
def add(  # noqa: PLR0913 - a person names them one by one
    name: Annotated[str, typer.Argument(help="The timber's tag, or with --air the place.", metavar="NAME")],
    quantity: Annotated[
        Quantity, typer.Argument(help="What was measured: moisture, weight, wood-temp, temp, humidity, ...")
    ],
    value: Annotated[
        str,
        typer.Argument(
            help="The value: '23.5' (percent), 'OL' or '>30' (at least), '212 lb', '96 kg', '68F', '20C'."
        ),
    ],
    *,
    depth: Depth = None,
    face: AFace = None,
    from_end: FromEnd = None,
    air: Air = False,
    new_place: NewPlaceOption = False,
    at: At = "now",
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Store a reading that you took by hand.

    A negative value needs -- before it. A weight or a temperature may come in either system; a number
    without a unit is taken in the shop's units.

    Example: baulk reading add FER-03 moisture 23.5 --depth "1 3/4 in" --face b
    """
    now_utc = datetime.now(UTC)
    with shops.open(shop, durable=True) as opened:
        inch = opened.config.shop.units == "inch"
        bare = units.default_length_unit(opened.config.shop.units)
        owner = Owner.AIR if air else Owner.TIMBER
        name = name if air else reading_corrections.tag_not_place(opened, name)
        if depth is not None and quantity not in AT_DEPTH:
            raise OutOfRange("--depth", f"belongs to pin readings, not to {quantity.value}")
        if depth is None and quantity in AT_DEPTH and not air:
            raise OutOfRange("pins", "need the depth of their tips: add --depth '1 in' or --depth '25 mm'")
        series = Series(
            owner=owner,
            name=name,
            quantity=quantity,
            depth_mm=None if depth is None else units.length_mm(depth, bare=bare),
            face=face,
        )
        top_pct = hand_readings.scale_end_pct(opened)
        number, at_least = _value(value, quantity, opened.config.temperature, inch=inch, top_pct=top_pct)
        taken_utc = moment(at, now_utc=now_utc, zone=opened.config.zone)
        end_mm = None if from_end is None else units.length_mm(from_end, bare=bare)
        if quantity in SIZES and end_mm is not None:
            series = replace(series, from_end_mm=end_mm)
        new = unless_unlikely(
            lambda sure: hand_readings.add(
                opened, series, number,
                now_utc=now_utc, taken_utc=taken_utc, from_end_mm=end_mm, at_least=at_least,
                sure=sure, new_place=new_place,
            ),
            yes=yes,
        )  # fmt: skip
        waits = opened.store.waiting()
        system = opened.config.shop.units
        shown = event_text.quantity(quantity, number, UNITS[quantity], system, opened.config.temperature)
        near = None if end_mm is None or air else _too_near(opened, series, end_mm, taken_utc)
        asks = quantity is Quantity.MOISTURE and not air and hand_readings.meter_is_open(opened)
        meter = notes.hand_meter(opened.store) if quantity is Quantity.MOISTURE else None
    if json:
        say_json(
            {
                "series": str(series),
                "value": number,
                "unit": UNITS[quantity],
                "at_least": at_least,
                "taken_utc": taken_utc,
                "new": new,
                "from_end_mm": end_mm,
                "too_near_an_end": near,
            }
        )
    else:
        least, done = "at least " if at_least else "", "stored" if new else "was stored already"
        if waits and new:
            done = "kept here until the store's server takes it; `baulk doctor` says why it does not"
        say(f"{done}: {series_text.named(str(series), system)}: {least}{shown}")
        if meter and meter.named:
            say(f"read with {_words_of(meter)}")
        if near:
            say(f"the forecast will set it aside: {near}")
        if asks:
            reading_meter.ask(shop)


@app.command("list")
def list_(
    name: Annotated[str, typer.Argument(help="The timber's tag, or with --air the place.", metavar="NAME")],
    *,
    air: Air = False,
    days: Annotated[float, typer.Option(help="How many days back.", min=0)] = 30,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """List the readings of a timber, or with --air those of a place.

    Example: baulk reading list FER-03 --days 90
    """
    since = datetime.now(UTC) - timedelta(days=min(days, 36_500))
    with shops.open(shop, durable=True) as opened:
        owner = Owner.AIR if air else Owner.TIMBER
        if not air:
            name = reading_corrections.tag_not_place(opened, name)
        found = opened.store.readings(owner, name, since)
        system, temperature = opened.config.shop.units, opened.config.temperature
        zone = opened.config.zone
    rows = [
        {
            "series": str(each.series),
            "value": each.value,
            "unit": each.unit,
            "taken_utc": each.taken_utc,
            "source": each.source,
            "flags": each.flags,
        }
        for each in found
    ]
    if json:
        say_json(rows)
        return
    table(
        f"{counted(len(rows), 'reading')} in {days:g} days",
        ("taken", "series", "value", "source", "flags"),
        [
            (
                stamp(each.taken_utc, zone),
                series_text.called(str(each.series), system),
                event_text.value(each, system, temperature),
                each.source,
                event_text.flags(each, system, zone=zone, with_value=True),
            )
            for each in found
        ],
    )


@app.command(hidden=True)
def quarantine(
    *,
    limit: Limit = 50,
    replay: Annotated[bool, typer.Option("--replay", help="Try them again.")] = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Former name of `baulk quarantine list` and `retry`."""
    if not json:
        say("`baulk quarantine list` and `baulk quarantine retry` are the names now")
    if replay:
        quarantined.retry(shop=shop, json=json)
    else:
        quarantined.list_(limit=limit, shop=shop, json=json)


def _too_near(opened: shops.Shop, series: Series, end_mm: float, taken_utc: datetime) -> str | None:
    from baulk.models import end_grain, text  # noqa: PLC0415 - half a second that only this answer needs

    timber = opened.register.get(series.name)
    timber = end_grain.as_dried(timber, opened.register.events(timber.tag))
    why = end_grain.why_too_near(timber, opened.woods.species.get(timber.species), end_mm, taken_utc)
    if why is None:
        return None
    what = series.quantity.value if series.quantity in SIZES else "pins"
    return text.sentence(replace(why, values={**why.values, "what": what}), opened.config.shop.units)


def _words_of(meter: notes.HandMeter) -> str:
    from baulk.models import text  # noqa: PLC0415 - as above

    return text.sentence(meter.reason, "metric")


def _value(
    text: str,
    quantity: Quantity,
    temperature: units.TemperatureUnit,
    *,
    inch: bool,
    top_pct: float | None = None,
) -> tuple[float, bool]:
    """Read a value, and whether it means "at least"."""
    if quantity is Quantity.MOISTURE:
        shown = moisture_text.read(text, top_pct=top_pct)
        return shown.mc_pct, shown.at_least
    if quantity is Quantity.WEIGHT:
        return units.mass_kg(text, bare="lb" if inch else "kg"), False
    if UNITS[quantity] == "mm":
        return units.length_mm(text, bare="in" if inch else "mm"), False
    if quantity in _TEMPERATURES:
        return units.temperature_c(text, bare=temperature), False
    try:
        return float(text.strip().removesuffix("%")), False
    except ValueError as err:
        raise OutOfRange("the value", f"is a number in {UNITS[quantity]}, not {text!r}") from err
