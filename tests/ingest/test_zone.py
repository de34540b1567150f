"""An hour that a clock skips or has twice: one rule for files, messages and commands."""

from __future__ import annotations

import json
import os
import time
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from baulk.dashboard import words
from baulk.dashboard.commands import answers
from baulk.ingest import hand_readings, pipeline, shop
from baulk.ingest.errors import ConfigError, NoSuchHour
from baulk.ingest.exchange import import_readings
from baulk.ingest.wire import RawMessage
from baulk.ingest.wire.zone import placed
from baulk.models.errors import OutOfRange
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series
from baulk.models.timber import Place

LISBON = ZoneInfo("Europe/Lisbon")
TWICE, NEVER = datetime(2025, 10, 26, 1, 30), datetime(2026, 3, 29, 1, 30)  # noqa: DTZ001 - on the wall
FIRST, SECOND = datetime(2025, 10, 26, 0, 30, tzinfo=UTC), datetime(2025, 10, 26, 1, 30, tzinfo=UTC)
LATE = datetime(2026, 5, 14, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


@pytest.fixture
def of_lisbon(shop_dir):
    path = shop_dir / "baulk.toml"
    path.write_text(
        path.read_text().replace('# zone = "Europe/Lisbon"', 'zone = "Europe/Lisbon"', 1)
        + """
[[source]]
topic = "sensors/+/climate"
value = "t"
quantity = "temp"
unit = "degC"
place = "{1}"
time = "at"
time_zone = "Europe/Lisbon"
"""
    )
    with shop.open(shop_dir) as opened:
        opened.register.save_place(Place(name="shed"))
    return shop_dir


def by_file(folder, text, now):
    with shop.open(folder) as opened:
        rows = f"series,value,unit,taken\nair/shed/temp,20,degC,{text}\n"
        return import_readings.of_long(rows.encode(), opened, name="shed.csv").look(opened, now)


def by_message(folder, text, now):
    with shop.open(folder) as opened:
        payload = json.dumps({"t": 20, "at": text}).encode()
        pipeline.handle(RawMessage(topic="sensors/shed/climate", payload=payload, arrived_utc=now), opened)
        (one,) = opened.store.readings(Owner.AIR, "shed")
        return one, opened.store.quarantine_count()


@pytest.mark.parametrize("text", ["2025-10-26 01:30", "2026-03-29 01:30"])
def test_what_nobody_can_know_is_said_alike_and_a_sensors_reading_is_kept_by_its_arrival(of_lisbon, text):
    (row,) = by_file(of_lisbon, text, LATE).refused_rows
    with pytest.raises(OutOfRange) as refused:
        answers.moment(text, now_utc=LATE, zone=LISBON)
    assert str(refused.value) == row.reason
    assert text in row.reason
    assert "such as +00:00" in row.reason
    one, waiting = by_message(of_lisbon, text, LATE)
    assert (one.taken_utc, one.flags, waiting) == (LATE, ("clock",), 0)


def test_the_one_of_the_two_that_is_not_in_the_future_is_meant(of_lisbon):
    text, now = "2025-10-26 01:30", FIRST + 5 * MINUTE
    assert by_file(of_lisbon, text, now).series[0].first_utc == FIRST
    assert answers.moment(text, now_utc=now, zone=LISBON) == FIRST
    one, _ = by_message(of_lisbon, text, now)
    assert (one.taken_utc, one.flags) == (FIRST, ())


def test_other_times_are_as_the_clock_on_the_wall_shows_them():
    summer = datetime(2025, 7, 1, 12)  # noqa: DTZ001
    assert placed(summer, LISBON, LATE) == datetime(2025, 7, 1, 11, tzinfo=UTC)
    assert answers.moment("2025-07-01", now_utc=LATE, zone=LISBON) == datetime(2025, 6, 30, 23, tzinfo=UTC)
    beirut = ZoneInfo("Asia/Beirut")  # whose clocks go forward at midnight: the day begins at one
    assert answers.moment("2024-03-31", now_utc=LATE, zone=beirut) == datetime(2024, 3, 30, 22, tzinfo=UTC)


@pytest.mark.parametrize("naive", [TWICE, NEVER])
def test_this_machines_own_zone_follows_the_same_rule(monkeypatch, naive):
    monkeypatch.setitem(os.environ, "TZ", "Europe/Lisbon")
    time.tzset()
    try:
        with pytest.raises(NoSuchHour, match="in the zone of this machine"):
            placed(naive, None, LATE)
        assert placed(datetime(2025, 7, 1, 12), None, LATE).hour == 11  # noqa: DTZ001
    finally:
        monkeypatch.undo()
        time.tzset()


def test_two_values_for_one_moment_are_told_by_the_shops_clock_in_quarantine_and_import(of_lisbon):
    at = datetime(2026, 5, 12, 23, 30, tzinfo=UTC)
    temp = Series.parse("air/shed/temp")
    with shop.open(of_lisbon) as opened:
        opened.store.append(
            Reading(series=temp, value=value, taken_utc=at, arrived_utc=at) for value in (20.0, 21.0)
        )
        (row,) = opened.store.quarantined()
        told = "air/shed/temp at 2026-05-13 00:30:00 is stored as 20 °C already and came again as 21 °C"
        assert row.reason == told
        csv = b"series,taken,value,unit\nair/shed/temp,2026-05-12T23:30:00Z,22,degC\n"
        (line,) = import_readings.of_long(csv, opened).look(opened, LATE).clashes
        assert " in shed at 2026-05-13 00:30:00 is stored as 68 °F already, here it is 72 °F" in line
        with pytest.raises(OutOfRange, match="not 2031-07-01 13:00"):
            hand_readings.add(opened, temp, 20, now_utc=LATE, taken_utc=datetime(2031, 7, 1, 12, tzinfo=UTC))


def test_a_shop_has_a_zone_of_its_own(of_lisbon):
    with shop.open(of_lisbon) as opened:
        assert opened.config.zone == LISBON
        words.keep_to(opened.config.zone)
    try:
        assert words.clock(datetime(2025, 7, 1, 23, 30, tzinfo=UTC)) == "2 Jul 2025, 00:30"
    finally:
        words.keep_to(None)
    path = of_lisbon / "baulk.toml"
    path.write_text(path.read_text().replace('zone = "Europe/Lisbon"', 'zone = "Atlantis"', 1))
    with pytest.raises(ConfigError, match=r"\[shop.zone\].*'Atlantis' is not a time zone"):
        shop.open(of_lisbon)
