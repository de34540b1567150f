"""What is seen of sensors that fall silent, run down, lose their clock or stand still."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest

from baulk.ingest import operations
from baulk.ingest import shop as shops
from baulk.ingest.monitoring import health
from baulk.ingest.monitoring.finding import Trouble
from baulk.ingest.store import forwarders
from baulk.ingest.wire.message import RawMessage
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.reason import Reason

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
TEMP = Series(owner=Owner.AIR, name="shed", quantity=Quantity.TEMP)
HUMIDITY = Series(owner=Owner.AIR, name="shed", quantity=Quantity.HUMIDITY)
BATTERY = Series(owner=Owner.AIR, name="shed", quantity=Quantity.BATTERY)
VOLTAGE = Series(owner=Owner.AIR, name="shed", quantity=Quantity.BATTERY_VOLTAGE)
WEIGHT = Series(owner=Owner.TIMBER, name="FER-01", quantity=Quantity.WEIGHT)


def readings(series, values, *, last=NOW, every=timedelta(hours=1), source="mqtt", **how):
    count = len(values)
    return [
        Reading(
            series=series,
            value=value,
            taken_utc=last - every * (count - 1 - n),
            arrived_utc=last - every * (count - 1 - n) + how.get("late", timedelta(0)),
            source=source,
            flags=how.get("flags", ()),
        )
        for n, value in enumerate(values)
    ]


def moving(count, mid=20.0):
    return [mid + n % 5 for n in range(count)]


@pytest.fixture
def shop(shop_dir, oak):
    with shops.open(shop_dir) as opened:
        operations.add_timber(opened, oak)
        yield opened


def kinds(shop):
    return {(each.kind, each.about) for each in health.look(shop, NOW).findings}


def test_a_lively_sensor_gives_no_finding(shop):
    shop.store.append([*readings(TEMP, moving(200)), *readings(HUMIDITY, moving(200, 60.0))])
    assert kinds(shop) == set()


def test_an_empty_shop_gives_no_finding(shop):
    assert health.look(shop, NOW).series == ()
    assert kinds(shop) == set()


def test_a_sensor_that_is_silent_for_longer_than_it_uses_to_be_is_named_once(shop):
    late = NOW - timedelta(hours=9)
    shop.store.append(
        [*readings(TEMP, moving(200), last=late), *readings(HUMIDITY, moving(200, 60.0), last=late)]
    )
    (found,) = health.look(shop, NOW).findings
    assert (found.kind, found.about) == (Trouble.SILENT, "air/shed")
    assert found.reason == Reason(
        code="health.silent", values={"about": "air/shed", "silent_s": 9 * 3600.0, "usual_s": 3600.0}
    )


def test_one_series_of_a_sensor_that_stops_is_named_by_itself(shop):
    shop.store.append(
        [*readings(TEMP, moving(200)), *readings(HUMIDITY, moving(200), last=NOW - timedelta(hours=9))]
    )
    assert kinds(shop) == {(Trouble.SILENT, "air/shed/humidity")}


def test_a_scale_that_speaks_once_a_month_is_not_silent_after_a_week(shop):
    monthly = {"every": timedelta(days=30), "last": NOW - timedelta(days=7)}
    shop.store.append(readings(WEIGHT, [90.0, 88.0, 86.5, 85.0], **monthly))
    assert kinds(shop) == set()


def test_what_people_read_is_never_silent(shop):
    shop.store.append(readings(WEIGHT, [90.0, 88.0], last=NOW - timedelta(days=60), source="hand"))
    assert kinds(shop) == set()


@pytest.mark.parametrize(
    ("series", "values", "low"),
    [
        (BATTERY, [60.0, 40.0, 19.0], True),
        (BATTERY, [60.0, 40.0, 25.0], False),
        (VOLTAGE, [3.0, 2.9, 2.5], True),
        (VOLTAGE, [3.0, 2.95, 2.9], False),
    ],
)
def test_a_sinking_battery_is_told(shop, series, values, low):
    shop.store.append(readings(series, values))
    assert ((Trouble.BATTERY, "air/shed") in kinds(shop)) is low


def test_a_clock_ahead_of_ours_or_flagged_is_told_and_a_late_delivery_is_not(shop):
    shop.store.append(readings(TEMP, moving(50), late=timedelta(days=2)))
    assert kinds(shop) == set()
    shop.store.append(readings(HUMIDITY, moving(50), late=-timedelta(minutes=5)))
    assert kinds(shop) == {(Trouble.CLOCK, "air/shed")}


def test_a_value_that_stands_still_for_two_days_is_told_where_it_never_should(shop):
    shop.store.append(readings(HUMIDITY, [99.9] * 100))
    shop.store.append(readings(BATTERY, [88.0] * 100))
    assert kinds(shop) == {(Trouble.STUCK, "air/shed/humidity")}


def test_messages_in_quarantine_are_told(shop):
    shop.store.quarantine(
        RawMessage(topic="a/b", payload=b"?", arrived_utc=NOW, retained=False), "not understood"
    )
    assert kinds(shop) == {(Trouble.QUARANTINE, "messages")}


def test_a_verdict_that_is_behind_for_hours_is_told(shop):
    shop.store.save_evaluation("FER-01", NOW - timedelta(hours=13), b"{}")
    shop.store.append(readings(WEIGHT, [90.0]))
    assert (Trouble.BEHIND, "forecasts") in kinds(shop)


def test_our_own_clock_is_named_where_many_agree_and_no_sensor_is_blamed_for_it(shop):
    span = {"since": "2020-01-01T00:00:00+00:00", "until": None, "ahead_s": -10_800.0, "devices": 4}
    shop.store.note("host-clock", json.dumps([span]).encode())
    shop.store.append(readings(TEMP, moving(50), late=-timedelta(hours=3)))
    assert kinds(shop) == {(Trouble.CLOCK, "this machine")}


def test_a_forwarder_that_is_silent_full_or_refused_is_named(yard, now_utc):
    def state(**changes):
        told = {
            "name": "shed", "here": True, "at_utc": now_utc, "waiting": 4, "used_mb": 1, "room_mb": 100,
            "far_broker": True, "clock_kept": True,
        }  # fmt: skip
        yard.store.note(
            forwarders.KEY + "shed", forwarders.ForwarderMessage(**told | changes).model_dump_json().encode()
        )
        found = health.look(yard, now_utc).findings
        return [one.reason.values for one in found if one.kind is Trouble.FORWARDER]

    assert state() == []
    assert state(at_utc=now_utc - timedelta(hours=20), here=False) == []
    assert state(at_utc=now_utc - timedelta(days=3))[0]["silent_s"] == 3 * 86_400
    assert state(used_mb=85, days_left=6)[0]["used_pct"] == 85
    assert state(refused=2)[0]["refused"] == 2
