"""Sensors that move between timbers, from the command line: `baulk timber attach`, `detach`, `sensors`."""

# ruff: noqa: PLR0913 - a person names the options one by one
from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Annotated, Final

import typer

from baulk.dashboard.commands import former
from baulk.dashboard.commands.answers import (
    HERE,
    JsonOption,
    ShopOption,
    counted,
    moment,
    say_json,
    stamp,
    table,
    unless_unlikely,
)
from baulk.dashboard.commands.event_entry import MoveOption, answer
from baulk.dashboard.commands.options import AFace, At, By, Depth, FromEnd, Note, TagArgument, Yes
from baulk.ingest import operations
from baulk.ingest import shop as shops
from baulk.ingest.shop import Shop
from baulk.models import units
from baulk.models.errors import NotFound
from baulk.models.timber import Event, EventKind
from baulk.models.units import System

SensorArgument = Annotated[
    str,
    typer.Argument(help="Its name, as `sensor` of a [[source]] in baulk.toml gives it.", metavar="SENSOR"),
]


def attach(
    tag: TagArgument,
    sensor: SensorArgument,
    *,
    depth: Depth = None,
    face: AFace = None,
    from_end: FromEnd = None,
    move: MoveOption = False,
    at: At = "now",
    by: By = "",
    note: Note = "",
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Note that a sensor was put on a timber; from then on it is on no other.

    Pins need the depth of their tips; --yes says of a sensor of which nothing is known yet that it has none.
    One that is on another timber is taken off there only with --move. Said late, it still holds from the time
    given: readings since then go to this timber, and those that waited in quarantine for it are stored.

    Example: baulk timber attach FER-03 S7 --depth "1 3/4 in" --face b --at "2026-11-24 12:00"
    """
    now_utc = datetime.now(UTC)
    with shops.open(shop, durable=True) as opened:
        tag, sensor = _in_order(opened, tag, sensor)
        system = opened.config.shop.units
        bare = units.default_length_unit(system)
        at_utc = moment(at, now_utc=now_utc, zone=opened.config.zone)
        depth_mm = None if depth is None else units.length_mm(depth, bare=bare)
        from_end_mm = None if from_end is None else units.length_mm(from_end, bare=bare)
        event, settled = unless_unlikely(
            lambda sure: operations.attach_sensor(
                opened,
                sensor,
                tag,
                now_utc=now_utc,
                at_utc=at_utc,
                depth_mm=depth_mm,
                face=face,
                from_end_mm=from_end_mm,
                by=by,
                note=note,
                move=move,
                sure=sure,
                tell=_so_far,
            ),
            yes=yes,
        )
    answer(event, settled, system, zone=opened.config.zone, json=json)


def _so_far(count: int) -> None:
    """Tell how far it has come, beside the answer; broken off here, the listener goes on."""
    typer.echo(f"readings stored so far of those that waited: {count:,}", err=True)


def detach(
    tag: TagArgument,
    sensor: SensorArgument,
    *,
    at: At = "now",
    by: By = "",
    note: Note = "",
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Note that a sensor was taken off a timber; what it says from then on belongs to none.

    Example: baulk timber detach FER-03 S7
    """
    now_utc = datetime.now(UTC)
    with shops.open(shop, durable=True) as opened:
        tag, sensor = _in_order(opened, tag, sensor)
        system = opened.config.shop.units
        event, settled = operations.add_event(
            opened,
            Event(
                tag=tag,
                kind=EventKind.SENSOR_DETACHED,
                at_utc=moment(at, now_utc=now_utc, zone=opened.config.zone),
                noted_utc=now_utc,
                detail={"sensor": sensor},
                by=by,
                note=note,
            ),
        )
    answer(event, settled, system, zone=opened.config.zone, json=json)


def sensors(*, shop: ShopOption = HERE, json: JsonOption = False) -> None:
    """List the sensors that are on timbers now: where, how deep, in which face, since when.

    Example: baulk timber sensors
    """
    now_utc = datetime.now(UTC)
    with shops.open(shop, durable=True) as opened:
        system: System = opened.config.shop.units
        zone = opened.config.zone
        known = opened.register.attachments()
        found = [at for name in sorted(known.steps) if (at := known.find(name, now_utc)) is not None]
    if json:
        say_json(found)
        return
    table(
        f"{counted(len(found), 'sensor')} on timbers",
        ("sensor", "on", "depth", "face", "from end", "since"),
        [
            (
                each.sensor,
                each.tag,
                "" if each.depth_mm is None else units.show_length(each.depth_mm, system),
                "" if each.face is None else each.face.value,
                "" if each.from_end_mm is None else units.show_length(each.from_end_mm, system),
                stamp(each.since_utc, zone),
            )
            for each in found
        ],
    )


def _in_order(opened: Shop, tag: str, sensor: str) -> tuple[str, str]:
    """Return tag and sensor, also as they stood until version 0.2: the sensor first."""
    try:
        return opened.register.get(tag).tag, sensor
    except NotFound as err:
        try:
            found = opened.register.get(sensor).tag
        except NotFound:
            raise err from None
        former.swapped(tag, found)
        return found, tag


COMMANDS: Final[Mapping[str, Callable[..., None]]] = {"attach": attach, "detach": detach, "sensors": sensors}
