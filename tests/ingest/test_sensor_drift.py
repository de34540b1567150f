"""What a thermometer or a lone air sensor is held against stands in its row; what has moved is told."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from baulk.ingest import operations, weather_ahead
from baulk.ingest.monitoring import health, notices, sensor_drift, sensor_rows
from baulk.ingest.weather_ahead import Issue
from baulk.models.air import AirSeries
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.timber import Place

from .conftest import NOW, timber

AIR = Series(owner=Owner.AIR, name="shed", quantity=Quantity.TEMP)
HUMID = Series(owner=Owner.AIR, name="shed", quantity=Quantity.HUMIDITY)
ONE = Series(owner=Owner.TIMBER, name="FER-01", quantity=Quantity.WOOD_TEMP)
OTHER = Series(owner=Owner.TIMBER, name="FER-02", quantity=Quantity.WOOD_TEMP)
DAYS = 56


@pytest.fixture
def shed(yard):
    operations.add_place(yard, Place(name="shed"))
    operations.add_place(yard, Place(name="loft"))
    yard.register.add(timber("FER-02"))
    return yard


def usual(day):
    return 12.0 + 0.1 * day + day % 4  # days ago: it has been cooling


def feed(shop, series, *, moved=0.0, of=usual):
    """Give a reading a day, of the last fortnight moved by so much."""
    times = [(day, NOW - timedelta(days=day, hours=1)) for day in range(DAYS)]
    shop.store.append([
        Reading(series=series, value=of(day) + (moved if day < 14 else 0.0), taken_utc=at, arrived_utc=at)
        for day, at in times
    ])  # fmt: skip


def codes(shop, name):
    """Return what the row of a sensor says: what has moved, and what it is held against."""
    notices.look(shop, NOW)
    for row in sensor_rows.rows(shop, health.look(shop, NOW), NOW):
        if row.on == name:
            return [one.code for one in row.drifts], [(one.code, one.values["what"]) for one in row.beside]
    raise AssertionError(name)


def test_a_lone_sensor_says_that_nothing_stands_beside_it(shed):
    feed(shed, AIR, moved=9.0)
    feed(shed, HUMID, of=lambda day: 60.0 + day % 5)
    alone = [("sensor.alone", "humidity"), ("sensor.alone", "temperature")]
    drifts, beside = codes(shed, "air/shed")
    assert (drifts, sorted(beside)) == ([], alone)


def test_of_three_thermometers_in_a_place_the_one_that_moved_is_told(shed):
    for series in (AIR, ONE):
        feed(shed, series)
    feed(shed, OTHER, moved=-3.0)
    told = [one for one in notices.look(shed, NOW) if one.kind == "drifting temperature"]
    assert [(one.about, one.reason.values["warmer_k"]) for one in told] == [(str(OTHER), -3.0)]
    assert codes(shed, "timber/FER-02")[0] == ["notice.temp_departed"]
    assert codes(shed, "timber/FER-01") == ([], [("sensor.beside", "temperature")])
    operations.edit_timber(shed, "FER-02", tag="FER-20", now_utc=NOW)
    assert codes(shed, "timber/FER-20")[0] == ["notice.temp_departed"]


def test_of_two_that_part_both_rows_say_so(shed):
    feed(shed, AIR)
    feed(shed, ONE, moved=3.0)
    assert codes(shed, "air/shed")[0] == ["sensor.temp_apart"]
    assert codes(shed, "timber/FER-01")[0] == ["sensor.temp_apart"]
    assert notices.look(shed, NOW) == []  # nobody can say which; the rows do
    found = sensor_drift.kept(shed)
    assert (found.moved[str(AIR)].values["other"], found.moved[str(AIR)].values["warmer_k"]) == (
        str(ONE),
        -3.0,
    )


def test_a_timber_that_came_from_elsewhere_is_held_against_nothing(shed):
    for series in (AIR, ONE):
        feed(shed, series)
    feed(shed, OTHER, moved=-3.0)
    shed.register.move("FER-02", "loft", now_utc=NOW, at_utc=NOW - timedelta(days=14))
    shed.register.move("FER-02", "shed", now_utc=NOW, at_utc=NOW - timedelta(hours=2))
    assert notices.look(shed, NOW) == []


def test_the_weather_that_a_shop_is_given_stands_beside_a_lone_sensor(shed):
    for day in range(DAYS):  # an issue a day, each of three days
        issued = NOW - timedelta(days=day, hours=6)
        at_s = issued.timestamp() + 6 * 3600.0 * np.arange(12)
        temp_c = np.array(
            [usual(day) if k < 4 else -40.0 for k in range(12)]
        )  # what is far ahead does not count
        air = AirSeries(posix_s=at_s, temp_c=temp_c, rh_pct=np.full(12, 70.0))
        weather_ahead.keep(shed, Issue(issued_utc=issued, air=air))
    feed(shed, AIR, moved=-6.0)
    feed(shed, HUMID, of=lambda day: 70.0 + day % 2)
    assert set(codes(shed, "air/shed")[0]) == {"sensor.temp_from_weather", "sensor.vapour_apart"}
    assert {code for code, _ in codes(shed, "air/shed")[1]} == {"sensor.beside_weather"}


def test_of_two_places_the_vapour_that_parts_is_said_in_both_rows(shed):
    for place, moved in (("shed", 0.0), ("loft", -15.0)):
        feed(shed, replace(AIR, name=place), of=lambda _day: 18.0)
        feed(shed, replace(HUMID, name=place), of=lambda day: 60.0 + day % 5, moved=moved)
    assert codes(shed, "air/loft")[0] == codes(shed, "air/shed")[0] == ["sensor.vapour_apart"]


def test_eight_weeks_are_read_again_after_six_hours_only(shed, monkeypatch):
    feed(shed, AIR)
    sensor_drift.look(shed, NOW)
    count = []
    real = sensor_drift._worked_out
    monkeypatch.setattr(sensor_drift, "_worked_out", lambda *a: count.append(1) or real(*a))
    sensor_drift.look(shed, NOW + timedelta(hours=5))
    assert count == []
    sensor_drift.look(shed, NOW + timedelta(hours=7))
    sensor_drift.look(shed, NOW - timedelta(days=1))  # a clock that was set back
    assert len(count) == 2
