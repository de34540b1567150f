"""Meeting a new sensor from the command line: `baulk sensor pair`."""

from __future__ import annotations

import time
from datetime import UTC, datetime, tzinfo
from typing import Annotated, Any, Final

import typer

from baulk.dashboard.commands.answers import (
    HERE,
    JsonOption,
    ShopOption,
    counted,
    say,
    say_json,
    stamp,
    table,
)
from baulk.dashboard.commands.options import By
from baulk.dashboard.commands.sensor_mapping import shown
from baulk.ingest import shop as shops
from baulk.ingest.pairing import asked, spots
from baulk.ingest.shop import Shop
from baulk.ingest.wire.message import RawMessage
from baulk.models.formatting import printable

PAIRED_S: Final = 20.0  # that it listens before it answers, unless told otherwise
_MOST_SPOTS: Final = 12  # of a message


def pair(  # noqa: PLR0913 - one an option
    topic: Annotated[str, typer.Argument(help="Hear only this filter.", metavar="TOPIC")] = "#",
    *,
    wait: Annotated[
        float, typer.Option("--listen", help="Seconds to listen before it answers.", min=0, max=600)
    ] = PAIRED_S,
    stop: Annotated[bool, typer.Option("--stop", help="End it now.")] = False,
    by: By = "",
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Listen to every topic for ten minutes, to pair a new sensor; show what comes.

    The listener (`baulk listen` or `baulk serve`) hears it and forgets it again; nothing is stored. It ends
    by itself. Then say what the sensor measures: `baulk sensor map`, or the Sensors page.

    Example: baulk sensor pair 'radio/#' --listen 60
    """
    with shops.open(shop, durable=True) as opened:
        store, now_utc = opened.store, datetime.now(UTC)
        if stop:
            asked.end(store)
            say_json({"listens": False}) if json else say("No longer listening for new sensors.")
            return
        begun = asked.begin(store, now_utc, by=by, topic=topic)
        if not json:
            until = stamp(begun.until_utc, opened.config.zone)
            say(f"listening on {topic} until {until}; Ctrl-C shows what came")
        heard = _heard(opened, wait)
    if json:
        say_json({
            "until_utc": begun.until_utc, "heard": heard.at_utc is not None, "problem": heard.problem,
            "taken": heard.taken, "left_out": heard.left_out,
            "messages": [
                {"topic": one.topic, "arrived_utc": one.arrived_utc, "payload": shown(one.payload),
                 "retained": one.retained, "spots": _spots(one)}
                for one in heard.messages
            ],
        })  # fmt: skip
        return
    if heard.at_utc is None:
        say("no listener hears it: start `baulk listen` or `baulk serve` beside this")
    if heard.problem:
        say(heard.problem)
    last = {one.topic: one for one in sorted(heard.messages, key=lambda one: one.arrived_utc)}
    table(
        f"{counted(len(last), 'topic')} heard, {counted(heard.taken, 'message')}",
        ("topic", "heard", "path", "value"),
        [row for one in last.values() for row in _rows(one, opened.config.zone)],
    )
    if last:
        say("say what one of them measures: baulk sensor map TOPIC --path PATH --quantity ... --unit ...")


def _heard(shop: Shop, wait_s: float) -> asked.Heard:
    end = time.monotonic() + wait_s
    try:
        while time.monotonic() < end and asked.asked(shop.store, datetime.now(UTC)):
            time.sleep(min(0.5, wait_s))
    except KeyboardInterrupt:
        pass
    return asked.heard(shop.store)


def _rows(one: RawMessage, zone: tzinfo | None) -> list[tuple[str, str, str, str]]:
    found = spots.spots(one.payload, one.arrived_utc)[:_MOST_SPOTS]
    first = (printable(one.topic), stamp(one.arrived_utc, zone)[-8:])
    return [(*(first if not index else ("", "")), each.label, each.shown) for index, each in enumerate(found)]


def _spots(one: RawMessage) -> list[dict[str, Any]]:
    return [
        {"label": each.label, "shown": each.shown, "kind": each.kind.value, "finds": each.finds}
        for each in spots.spots(one.payload, one.arrived_utc)
    ]
