"""What the program knows of itself: `baulk doctor`."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime, tzinfo
from importlib.metadata import version
from pathlib import Path
from typing import Annotated

import typer

from baulk.dashboard.commands import doctor_findings, doctor_store, sensor_clock
from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, counted, say, say_json, table
from baulk.ingest.device_clock import Learned
from baulk.ingest.mqtt.last_messages import LastMessage
from baulk.models import formatting, provenance, text
from baulk.models.calibrate.yard_lessons import Lesson


def doctor(
    *,
    list_sources: Annotated[
        bool, typer.Option("--sources", help="List every number that was not read in a published source.")
    ] = False,
    repair: Annotated[
        bool, typer.Option("--repair", help="Have the books list and count what an InfluxDB server holds.")
    ] = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Say what is to be seen to and how, how each sensor's last message was understood, and more.

    In a shop folder: a wrong clock, a broker that does not answer, files that others may read, a disk that
    fills, silent sensors, stale forecasts, a backup that failed, each with its cure; for each topic its last
    message, what was made of it, or why it is in quarantine, what the device's clock is off by, and what the
    timbers of the yard have taught each other. Of an InfluxDB server: rights, how long it keeps what it
    holds, and whether the books list all of it. Everywhere: how many of its numbers were read in a source.

    A value is "read" (seen in its source), "read (secondary)" (seen in a quotation or transcription),
    "computed" from such, or not read: "memory", or "common practice" without a source. --sources
    lists those not read.

    Example: baulk doctor --sources
    """
    unread, marks = provenance.not_read(), Counter(each.mark for each in provenance.every())
    server = None if list_sources else doctor_store.found(shop, repair=repair)
    if server is not None:
        doctor_store.tell(server, shop, json=json)
    messages, silent = _messages(shop) if not list_sources else ([], [])
    known = None if list_sources else _learned(shop)
    clocks, zone = ([], None) if list_sources else _clocks(shop)
    found = [] if list_sources else doctor_findings.findings(shop)
    if json:
        answer: dict[str, object] = {"version": version("baulk"), "values": dict(marks)}
        answer |= {"findings": found}
        answer |= {"messages": messages, "silent": silent, "clocks": clocks, "learned": _as_json(known)}
        answer |= {"server": server} if server is not None else {}
        say_json(answer | ({"not_read": unread} if list_sources else {}))
        return
    if list_sources:
        table(
            f"{counted(len(unread), 'value')} not read in a published source",
            ("table", "name", "quantity", "value", "mark", "why"),
            [
                (
                    each.table.removesuffix(".csv"),
                    each.name,
                    each.quantity,
                    each.value if each.unit == "-" else f"{each.value} {each.unit}",
                    each.mark,
                    each.source,
                )
                for each in unread
            ],
        )
    if not list_sources:
        doctor_findings.show(found, shop)
    if messages:
        _show(messages, shop)
    sensor_clock.show(clocks, zone)
    for one in silent:
        say(f"nothing was ever heard on {one}")
    for each in known[1] if known else ():
        say(f"{text.sentence(each.reason, 'metric', zone=zone)} From {each.backing}.")
    total = sum(marks.values())
    say(
        f"baulk {version('baulk')}: {counted(total, 'value')}, "
        + ", ".join(f"{n} {m}" for m, n in marks.most_common())
    )
    if not list_sources:
        say(f"not read in a published source: {len(unread)} of them; --sources lists them")


def _messages(folder: Path) -> tuple[list[LastMessage], list[str]]:
    """Give the last message of each topic, and the filters of baulk.toml on which none came."""
    from baulk.ingest import config  # noqa: PLC0415 - not every call of the doctor has a shop
    from baulk.ingest import shop as shops  # noqa: PLC0415
    from baulk.ingest.mqtt import last_messages  # noqa: PLC0415 - not every call of the doctor has a shop
    from baulk.ingest.wire import topics  # noqa: PLC0415 - not every call of the doctor has a shop

    if not (folder / config.FILE).exists():
        return [], []
    with shops.open(folder) as opened:
        found = last_messages.last_messages(opened)
        asked = dict.fromkeys(one.topic for one in opened.config.source)
    return found, [one for one in asked if not any(topics.matches(one, each.topic) for each in found)]


def _clocks(folder: Path) -> tuple[list[Learned], tzinfo | None]:
    """Give what was learned of the devices' clocks, and the shop's zone."""
    from baulk.ingest import config, device_clock  # noqa: PLC0415 - as above
    from baulk.ingest import shop as shops  # noqa: PLC0415

    if not (folder / config.FILE).exists():
        return [], None
    with shops.open(folder) as opened:
        return device_clock.learned(opened.store), opened.config.zone


def _learned(folder: Path) -> tuple[datetime, tuple[Lesson, ...]] | None:
    """Give what the yard has learned; None outside a shop folder or where it is switched off."""
    from baulk.dashboard import words  # noqa: PLC0415 - as above
    from baulk.ingest import config  # noqa: PLC0415 - as above
    from baulk.ingest import shop as shops  # noqa: PLC0415
    from baulk.ingest.evaluation import yard_memory  # noqa: PLC0415 - as above

    if not (folder / config.FILE).exists():
        return None
    with shops.open(folder) as opened:
        words.keep_to(opened.config.zone)
        return yard_memory.learned(opened)


def _as_json(known: tuple[datetime, tuple[Lesson, ...]] | None) -> dict[str, object] | None:
    if known is None:
        return None
    from baulk.dashboard import words  # noqa: PLC0415 - as above

    lessons = [
        {
            **{name: getattr(each, name) for name in each.__slots__ if name != "reason"},
            "sentence": text.sentence(each.reason, "metric", zone=words.zone()),
            "reason": each.reason.to_json(),
        }
        for each in known[1]
    ]
    return {"made_utc": known[0].isoformat(), "lessons": lessons}


def _show(messages: list[LastMessage], folder: Path) -> None:
    from baulk.dashboard import sensor_cells  # noqa: PLC0415 - as above
    from baulk.dashboard.words import age  # noqa: PLC0415 - as above
    from baulk.ingest import config  # noqa: PLC0415 - as above

    shop, now = config.load(folder), datetime.now(UTC)
    table(
        "the last message of each topic and how it was understood",
        ("topic", "read as", "heard", "bytes", "message", "became"),
        [
            (
                formatting.in_brief(one.topic),
                one.source,
                age(datetime.fromisoformat(one.arrived_utc), now),
                str(one.size),
                one.payload,
                "\n".join(sensor_cells.understood(one, shop.shop.units, shop.temperature, shop.zone))
                or "no reading: a retained copy without a time, or base fields only",
            )
            for one in messages
        ],
    )
