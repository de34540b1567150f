"""When a timber is worked out: at once where somebody waits, in its turn where only sensors speak."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from baulk.ingest import shop as shops
from baulk.ingest.evaluation.due import SENSORS_EVERY, Due
from baulk.models.reading import Reading, Series

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
TAG = "FER-01"


@pytest.fixture
def shop(shop_dir, oak):
    with shops.open(shop_dir) as opened:
        opened.register.add(oak)
        yield opened


def speak(shop, minutes, name="pin-45/b/moisture", source="mqtt"):
    at = NOW + timedelta(minutes=minutes)
    series = Series.parse(f"timber/{TAG}/{name}")
    shop.store.append([Reading(series=series, value=25.0, taken_utc=at, arrived_utc=at, source=source)])


def evaluated(shop, minutes):
    shop.store.save_evaluation(TAG, NOW + timedelta(minutes=minutes), b"{}", revision=shop.store.revision())


def test_a_sensor_is_taken_in_a_few_times_a_day_and_anything_else_at_once(shop):
    due = Due()
    assert due.look(shop, NOW) == [TAG], "it has no answer yet"
    speak(shop, 1)
    evaluated(shop, 2)
    assert due.look(shop, NOW + timedelta(minutes=3)) == []
    asked = []
    for minutes in range(10, 24 * 60, 10):
        speak(shop, minutes)
        if due.look(shop, NOW + timedelta(minutes=minutes)):
            asked.append(minutes)
            evaluated(shop, minutes)
    assert len(asked) == timedelta(hours=24) / SENSORS_EVERY - 1
    minutes = 24 * 60
    speak(shop, minutes)
    assert due.look(shop, NOW + timedelta(minutes=minutes)) == []
    speak(shop, minutes + 1, "weight", "hand")
    assert due.look(shop, NOW + timedelta(minutes=minutes + 1)) == [TAG]
    evaluated(shop, minutes + 1)
    assert due.look(shop, NOW + timedelta(minutes=minutes + 2)) == []


def test_what_is_due_soon_is_taken_along_behind_what_is_due(shop, oak):
    later, due = f"{TAG}-B", Due()
    shop.register.add(replace(oak, tag=later))
    for tag, minutes in ((TAG, 0), (later, 40)):
        shop.store.save_evaluation(
            tag, NOW + timedelta(minutes=minutes), b"{}", revision=shop.store.revision()
        )
    for tag in (TAG, later):
        at = NOW + timedelta(minutes=50)
        series = Series.parse(f"timber/{tag}/pin-45/b/moisture")
        shop.store.append([Reading(series=series, value=25.0, taken_utc=at, arrived_utc=at, source="mqtt")])
    due.look(shop, NOW + timedelta(minutes=51))
    assert due.look(shop, NOW + timedelta(hours=5, minutes=59)) == []
    assert due.look(shop, NOW + timedelta(hours=6, minutes=1)) == [TAG, later]


def test_a_sensor_that_never_spoke_before_is_news_at_once(shop):
    due = Due()
    speak(shop, 0)
    evaluated(shop, 0)
    assert due.look(shop, NOW) == []
    speak(shop, 1, "pin-20/a/moisture")
    assert due.look(shop, NOW + timedelta(minutes=1)) == [TAG]
    evaluated(shop, 1)
    speak(shop, 2, "pin-20/a/moisture")
    assert due.look(shop, NOW + timedelta(minutes=2)) == []


def test_the_first_sensor_of_a_shop_is_news_at_once(shop):
    due = Due()
    assert due.look(shop, NOW) == [TAG]
    evaluated(shop, 0)
    assert due.look(shop, NOW) == []
    speak(shop, 1)
    assert due.look(shop, NOW + timedelta(minutes=1)) == [TAG]
