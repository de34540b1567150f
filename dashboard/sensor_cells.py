"""The health of a sensor as the cells of a row, for the page and the command alike."""

from __future__ import annotations

from datetime import datetime, tzinfo
from typing import Final

from baulk.dashboard import words
from baulk.ingest.monitoring.health import clock_reason
from baulk.ingest.monitoring.sensor_rows import SensorRow
from baulk.ingest.mqtt.last_messages import LastMessage
from baulk.models import text
from baulk.models.formatting import in_reader_units
from baulk.models.text import events as event_text
from baulk.models.text import series as series_text
from baulk.models.text.common import span
from baulk.models.units import System, TemperatureUnit

HEADS: Final = (
    "Sensor", "On", "Last heard", "Usually every", "Battery", "Signal", "Clock", "Refused", "Drift",
)  # fmt: skip
NOTHING: Final = words.NOTHING


def cells(one: SensorRow, now_utc: datetime, system: System) -> tuple[str, ...]:
    """Return a sensor's cells as text.

    Parameters
    ----------
    one : SensorRow
        The sensor.
    now_utc : datetime
        Now, with a time zone.
    system : {"inch", "metric"}
        The reader's units.

    Returns
    -------
    tuple of str
        One for each of `HEADS`.
    """
    last = words.age(one.last_utc, now_utc)
    if one.presence is not None and one.presence.away:
        last += f", away since {words.clock(one.presence.since_utc)}"
    clock, zone = one.clock, words.zone()
    return (
        one.about.partition("/")[2],
        one.on.partition("/")[2],
        last,
        span(one.usual_s) if one.usual_s else NOTHING,
        battery(one),
        f"{one.signal_dbm:.0f} dBm" if one.signal_dbm is not None else NOTHING,
        text.sentence(clock_reason(clock), system, zone=zone) if clock is not None else NOTHING,
        f"{one.refused} ({100 * one.refused_share:.0f} %): {in_reader_units(one.refused_why, system)}"
        if one.refused_share
        else NOTHING,
        "; ".join(text.sentence(each, system, zone=zone) for each in one.drifts or one.beside) or NOTHING,
    )


def understood(
    one: LastMessage, system: System, temperature: TemperatureUnit, zone: tzinfo | None
) -> list[str]:
    """Return what a message was understood as: each reading in the reader's units, then why a part was not.

    Parameters
    ----------
    one : LastMessage
        The message.
    system : {"inch", "metric"}
        The reader's units.
    temperature : {"C", "F"}
        That of temperatures.
    zone : tzinfo or None
        Whose clock tells when they were taken; None for this machine's.

    Returns
    -------
    list of str
        A line each; none for a message with nothing in it.
    """
    said = [series_text.first_named(each, system) for each in one.readings[len(one.read) :]]
    for each in (one.reading for one in one.read):
        flags = event_text.flags(each, system, zone=zone, with_value=True)
        said.append(
            f"{series_text.named(str(each.series), system)}: "
            f"{event_text.value(each, system, temperature)} at "
            f"{each.taken_utc.astimezone(zone):%Y-%m-%d %H:%M:%S}{f' ({flags})' if flags else ''}"
        )
    if one.reason:
        why = in_reader_units(series_text.first_named(one.reason, system), system)
        said.append(f"in quarantine: {why}")
    return said


def battery(one: SensorRow) -> str:
    """Return what is known of a battery, with the week in which it will be empty."""
    level = [f"{one.battery_pct:.0f} %"] if one.battery_pct is not None else []
    level += [f"{one.battery_v:.2f} V"] if one.battery_v is not None else []
    if one.runs is not None:
        level.append(f"empty in the week of {words.day(one.runs.week_utc)}")
    return ", ".join(level) or NOTHING
