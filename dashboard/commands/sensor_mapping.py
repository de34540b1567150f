"""What sensors' messages mean, from the command line: `baulk sensor map`, `test`, `mappings`, `unmap`."""

# ruff: noqa: PLR0913 - a person names the options one by one
from __future__ import annotations

import sys
import tomllib
from collections.abc import Sequence
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Annotated, Any

import typer

from baulk.dashboard.commands.answers import (
    HERE,
    JsonOption,
    ShopOption,
    counted,
    moment,
    plain,
    say,
    say_json,
    stamp,
    table,
)
from baulk.dashboard.commands.options import (
    AFace,
    By,
    Depth,
    FromEnd,
    MaybeAt,
    MaybePlace,
    Note,
    Preview,
    Yes,
)
from baulk.ingest import shop as shops
from baulk.ingest.errors import MappingError
from baulk.ingest.exchange import mapping_rows
from baulk.ingest.pairing import asked, mapping, replaced
from baulk.ingest.pairing.mapping import Trial
from baulk.ingest.shop import Shop
from baulk.ingest.store import mappings
from baulk.ingest.store.mappings import Mapping
from baulk.ingest.wire.message import RawMessage
from baulk.ingest.wire.source import Source
from baulk.models import units
from baulk.models.errors import NotFound
from baulk.models.formatting import printable
from baulk.models.quantity import Quantity
from baulk.models.reading import Reading

_SHOWN = 100  # signs of a payload
TopicArgument = Annotated[str, typer.Argument(help="A topic or filter: 'radio/+/up'.", metavar="TOPIC")]


def map_sensor(
    topic: Annotated[str, typer.Argument(help="A topic or filter: 'radio/+/up'.", metavar="TOPIC")] = "",
    *,
    value: Annotated[
        str | None, typer.Option("--path", help="JMESPath to the number; left out: the payload is one.")
    ] = None,
    quantity: Annotated[Quantity | None, typer.Option("--quantity", help="What it measures.")] = None,
    unit: Annotated[str | None, typer.Option("--unit", help="In which unit: degC, percent.")] = None,
    tag: Annotated[str | None, typer.Option("--timber", help="Tag of the timber that it stays on.")] = None,
    place: MaybePlace = None,
    sensor: Annotated[
        str | None, typer.Option("--sensor", help="Its name, of one that moves between timbers.")
    ] = None,
    depth: Depth = None,
    face: AFace = None,
    from_end: FromEnd = None,
    clock: Annotated[
        str | None,
        typer.Option(
            "--clock",
            help="JMESPath to the device's time; left out: the arrival.",
        ),
    ] = None,
    also: Annotated[
        list[str] | None,
        typer.Option("--also", metavar="TOML", help="More of it as in [[source]]: 'scale = 0.1'."),
    ] = None,
    file: Annotated[
        Path | None,
        typer.Option("--file", help="Mappings from a file: .toml with [[source]], or an export's .csv."),
    ] = None,
    preview: Preview = False,
    by: By = "",
    note: Note = "",
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Say what a sensor's messages mean; the running listener goes by it at once.

    Unit and quantity are declared, never guessed. The last messages are shown as they are read; what was kept
    of the sensor is decoded again. `baulk sensor unmap` takes it back. What baulk.toml says of a topic wins.
    A device whose clock counts seconds needs --also 'time_as = "unix_s"'.

    Example: baulk sensor map 'radio/7/up' --path air.t --quantity temp --unit degC --place shed --clock at
    """
    now_utc = datetime.now(UTC)
    with shops.open(shop, durable=True) as opened:
        if file is not None:
            _bring_in(opened, file, by=by, note=note, now_utc=now_utc, json=json)
            return
        bare = units.default_length_unit(opened.config.shop.units)
        asked_for: dict[str, Any] = {
            "topic": topic,
            "format": "json" if value else "plain",
            "value": value,
            "quantity": quantity,
            "unit": unit,
            "tag": tag,
            "place": place,
            "sensor": sensor,
            "face": face,
            "depth_mm": None if depth is None else units.length_mm(depth, bare=bare),
            "from_end_mm": None if from_end is None else units.length_mm(from_end, bare=bare),
            "time": clock,
        }
        body = {name: each for name, each in asked_for.items() if each not in {None, ""}} | _toml(also or ())
        source = mappings.read(body)
        heard = asked.heard(opened.store).of(source.topic)
        tried = mapping.trial(opened, source, mapping.kept(opened, source.topic))
        if preview:
            if json:
                say_json({"source": mappings.said(source), "messages": _tried(tried)})
            else:
                _show(tried, opened)
            return
        if not yes:
            mapping.refuse_unknown(opened, source)
            if heard:
                _check_read(tried, topic)
        saved = mapping.save(opened, source, now_utc=now_utc, by=by, note=note, heard=heard)
        accounts = opened.config.broker.user is not None
    if json:
        say_json({
            **mappings.to_json(saved.mapping), "readings": len(saved.readings), "messages": _tried(tried),
            "again": saved.again,
        })  # fmt: skip
        return
    _show(tried, opened)
    say(f"mapping {saved.mapping.number} is kept; `baulk sensor unmap {saved.mapping.number}` takes it back")
    if saved.readings:
        say(f"{counted(len(saved.readings), 'reading')} of what was heard came in with it")
    if saved.again is not None and saved.again.anything:
        say(f"{counted(saved.again.added + saved.again.changed, 'reading')} of what was kept came in anew")
    if accounts:
        say("the broker's access list has to let the listener hear it: baulk sensor accounts")


def _check_read(tried: Sequence[Trial], topic: str) -> None:
    """Raise where not one of the last messages can be read: the mapping has a mistake in it."""
    if any(one.readings for one in tried):
        return
    why = tried[-1].problem or "there is nothing in it"
    raise MappingError(
        f"none of the last messages on {topic} can be read so: {why}; --preview shows them, and --yes keeps "
        "the mapping all the same"
    )


def try_out(
    topic: TopicArgument,
    payload: Annotated[
        str | None,
        typer.Argument(help="A message as text; - reads it. Left out: the last messages.", metavar="PAYLOAD"),
    ] = None,
    *,
    also: Annotated[
        list[str] | None,
        typer.Option("--also", metavar="TOML", help="More of it as in [[source]]: 'scale = 0.1'."),
    ] = None,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Show how messages are read, beside what came; nothing is stored.

    By today's settings and mappings, or, with --also, by a mapping that is written there. Without a message
    those heard while pairing, or kept last, are read.

    Example: baulk sensor test baulk/v1/ferry/air/shed '[{"n":"temp","u":"Cel","v":18.2}]'
    """
    now_utc = datetime.now(UTC)
    with shops.open(shop) as opened:
        if payload is not None:
            said = sys.stdin.buffer.read() if payload == "-" else payload.encode()
            raws = [RawMessage(topic=topic, payload=said, arrived_utc=now_utc)]
        else:
            raws = _last(opened, topic)
        if also:
            tried = mapping.trial(opened, mappings.read({"topic": topic, **_toml(also)}), raws)
        else:
            tried = mapping.trial(opened, None, raws)
        if json:
            say_json(_tried(tried))
        else:
            _show(tried, opened)


def list_mappings(
    *,
    gone: Annotated[bool, typer.Option("--gone", help="Also what was taken back.")] = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """List the mappings that were made on a page or by `baulk sensor map`, with who and when.

    Example: baulk sensor mappings --gone
    """
    with shops.open(shop) as opened:
        found, zone = mappings.all_of(opened.store, undone=gone), opened.config.zone
    if json:
        say_json([mappings.to_json(one) for one in found])
        return
    table(
        counted(len(found), "mapping"),
        ("number", "topic", "reads", "for", "made", "by", "taken back"),
        [
            (
                str(one.number),
                printable(one.source.topic),
                reads(one),
                belongs(one),
                stamp(one.made_utc, zone),
                one.by,
                stamp(one.undone_utc, zone),
            )
            for one in found
        ],
    )


def unmap(
    number: Annotated[int, typer.Argument(help="Number of the mapping.", metavar="NUMBER")],
    *,
    by: By = "",
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Take a mapping back; what it has read stays. `baulk sensor mappings` gives the numbers.

    Example: baulk sensor unmap 3
    """
    with shops.open(shop, durable=True) as opened:
        gone = mappings.undo(opened.store, number, now_utc=datetime.now(UTC), by=by)
    say_json(mappings.to_json(gone)) if json else say(f"mapping {number} is taken back; its readings stay")


def replace(
    old: Annotated[str, typer.Argument(help="Name or topic of the old sensor.", metavar="OLD")],
    new: Annotated[str, typer.Argument(help="Name or topic of the new one.", metavar="NEW")],
    *,
    at: MaybeAt = None,
    by: By = "",
    note: Note = "",
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Put a sensor in the place of another: it goes on with the series that the old one fed.

    One that moves takes the old one's place on its timber, depth and face; of a mapped topic the mapping is
    made anew for the new topic, and what was kept of it since --at is read by it, while what the old one
    sent since then waits in quarantine; without --at it is read since the last message of the old one.

    Example: baulk sensor replace S7 S12 --at "2026-11-24 12:00"
    """
    now_utc = datetime.now(UTC)
    with shops.open(shop, durable=True) as opened:
        at_utc = None if at is None else moment(at, now_utc=now_utc, zone=opened.config.zone)
        done = replaced.replace(opened, old, new, now_utc=now_utc, at_utc=at_utc, by=by, note=note)
    if json:
        say_json({
            "old": old, "new": new, "tag": done.tag,
            "mappings": [mappings.to_json(one) for one in done.mappings], "readings": done.came.count,
        })  # fmt: skip
        return
    where = f"on {done.tag}" if done.tag else f"with {counted(len(done.mappings), 'mapping')}"
    say(f"{new} goes on in place of {old}, {where}")
    if done.came.count:
        say(f"{counted(done.came.count, 'reading')} of what was heard and kept came in with it")


def reads(one: Mapping) -> str:
    """Return what a mapping reads in a few words."""
    source = one.source
    what = source.quantity.value if source.quantity else source.format
    return f"{what} in {source.unit}" if source.unit else what


def belongs(one: Mapping) -> str:
    """Return what a mapping's readings belong to."""
    source = one.source
    if source.place is not None:
        return f"air of {source.place}"
    return f"timber {source.tag}" if source.tag is not None else f"sensor {source.sensor}"


def _last(shop: Shop, pattern: str) -> list[RawMessage]:
    """Give the last messages of a topic: heard while pairing, else kept."""
    if found := mapping.kept(shop, pattern):
        return found
    raise NotFound("message kept lately on the topic", pattern, [])


def _toml(parts: Sequence[str]) -> dict[str, Any]:
    try:
        return tomllib.loads("\n".join(parts))
    except tomllib.TOMLDecodeError as err:
        raise MappingError(f"--also is not TOML: {err}") from err


def _bring_in(shop: Shop, file: Path, *, by: str, note: str, now_utc: datetime, json: bool) -> None:
    found = mapping_rows.read_file(file)
    if isinstance(found[0], Source):
        sources = [one for one in found if isinstance(one, Source)]
        made = [mapping.save(shop, one, now_utc=now_utc, by=by, note=note).mapping for one in sources]
    else:
        known = [one for one in found if isinstance(one, Mapping)]
        made = [new for one in known if (new := mappings.bring_in(shop.store, one))]
    if json:
        say_json([mappings.to_json(one) for one in made])
    else:
        say(f"{counted(len(made), 'mapping')} of {file} are kept; {len(found) - len(made)} were here already")


def _tried(those: Sequence[Trial]) -> list[dict[str, Any]]:
    return [
        {
            "topic": one.raw.topic,
            "arrived_utc": one.raw.arrived_utc,
            "payload": shown(one.raw.payload),
            "readings": [
                {"series": str(each.series), "value": each.value, "unit": each.unit,
                 "taken_utc": each.taken_utc, "flags": plain(each.flags)}
                for each in one.readings
            ],
            "problem": one.problem,
        }
        for one in those
    ]  # fmt: skip


def _show(those: Sequence[Trial], shop: Shop) -> None:
    zone = shop.config.zone
    if not those:
        say("no message of it was heard or kept lately; `baulk sensor pair` listens for one")
        return
    table(
        f"{counted(len(those), 'message')} as read",
        ("came", "payload", "is read as"),
        [
            (
                stamp(one.raw.arrived_utc, zone),
                shown(one.raw.payload),
                _words(one, zone),
            )
            for one in those
        ],
    )  # fmt: skip


def _words(one: Trial, zone: tzinfo | None) -> str:
    said = [_word(each, zone) for each in one.readings] + ([one.problem] if one.problem else [])
    return "; ".join(said) or "nothing in it"


def _word(one: Reading, zone: tzinfo | None) -> str:
    return f"{one.series} = {one.value:g} {one.unit} at {stamp(one.taken_utc, zone)}"


def shown(payload: bytes) -> str:
    """Return the beginning of a payload, with nothing in it that a terminal would obey."""
    try:
        words = payload.decode()
    except UnicodeDecodeError:
        words = payload.hex(" ")
    return printable(words if len(words) <= _SHOWN else words[: _SHOWN - 3] + "...")
