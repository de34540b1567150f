"""What is known of devices' clocks, and what a person says of them: `baulk sensor clock`."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from typing import Annotated

import typer

from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, say, say_json, stamp, table
from baulk.ingest import device_clock
from baulk.ingest import shop as shops
from baulk.ingest.device_clock import Learned
from baulk.ingest.wire.delays import Choice
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.formatting import hours_minutes, printable


def clock(  # noqa: PLR0913 - one an option
    name: Annotated[
        str | None, typer.Argument(help="A sensor, a tag, a place or a topic.", metavar="NAME")
    ] = None,
    *,
    as_sent: Annotated[bool, typer.Option("--as-sent", help="Its times are right as it sends them.")] = False,
    correct: Annotated[
        bool, typer.Option("--correct", help="Its clock is off by what was learned: move its readings.")
    ] = False,
    learned: Annotated[
        bool, typer.Option("--learned", help="Take back what was said; what is learned counts again.")
    ] = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Show what each device's clock is off by, and say whether its times are right.

    Readings of a clock that is surely off by an hour, a time zone or a day are moved by that without asking;
    what the device said is kept. After --as-sent, --correct or --learned `baulk reading decode-again` goes by
    it with earlier readings too.

    Example: baulk sensor clock S7 --as-sent
    """
    said = [choice for choice, given in ((Choice.AS_SENT, as_sent), (Choice.CORRECT, correct)) if given]
    if len(said) + learned > 1:
        raise OutOfRange("--as-sent, --correct and --learned", "exclude each other; give one")
    if name is None and (said or learned):
        raise OutOfRange("NAME", "is missing: say which device is meant")
    with shops.open(shop, durable=True) as opened:
        found, zone = device_clock.learned(opened.store), opened.config.zone
        if name is not None:
            found = [_one(found, name)]
        if said or learned:
            device_clock.choose(opened.store, found[0].topic, said[0] if said else None)
            found = [one for one in device_clock.learned(opened.store) if one.topic == found[0].topic]
    if json:
        say_json(found)
        return
    if not found:
        say("no device has sent a time of its own yet")
    show(found, zone)
    if said or learned:
        say("kept; the listener goes by it within a minute. Earlier readings: baulk reading decode-again")


def _one(found: Sequence[Learned], name: str) -> Learned:
    fits = [one for one in found if name in {one.topic, one.about}]
    fits = fits or [one for one in found if name in {one.topic.split("/")[-1], one.about.split("/")[-1]}]
    if not fits:
        raise NotFound("device that sends a time", name, [one.topic for one in found])
    if len(fits) > 1:
        raise OutOfRange(
            name, f"is several devices; name one by its topic: {', '.join(one.topic for one in fits)}"
        )
    return fits[0]


def show(found: Sequence[Learned], zone: tzinfo | None) -> None:
    """List devices with what their clocks are off by."""
    if not found:
        return
    table(
        "clocks of devices, by how much later their soonest messages came than the time that they name",
        ("topic", "on", "offset", "drift", "since", "told"),
        [
            (
                printable(one.topic),
                printable(one.about),
                _offset(one.behind_s),
                "·" if one.drift_s_day is None else f"{one.drift_s_day:+.1f} s a day",
                stamp(one.since_utc, zone),
                _told(one),
            )
            for one in found
        ],
    )


def _offset(behind_s: float) -> str:
    way = "behind" if behind_s >= 0 else "ahead"
    return f"{abs(behind_s):.0f} s {way}" if abs(behind_s) < 120 else f"{hours_minutes(behind_s)} {way}"


def _told(one: Learned) -> str:
    if one.choice is Choice.AS_SENT:
        return "right as sent, as a person said"
    if one.is_corrected:
        return "wrong; put right" + (", as a person said" if one.choice else "")
    return "wrong" if one.is_wrong else "nothing wrong"
