"""Each sensor as one row."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest

from baulk.ingest import operations, pipeline
from baulk.ingest import shop as shops
from baulk.ingest.monitoring import health, notices, sensor_rows
from baulk.ingest.store import mappings, presence
from baulk.ingest.wire.message import Told
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.reason import Reason
from baulk.models.timber import Place

from .conftest import NOW, raw


def feed(shop, quantity, values, *, every, owner=Owner.AIR, name="loft", flags=()):
    series = Series(owner=owner, name=name, quantity=quantity)
    count = len(values)
    shop.store.append([
        Reading(
            series=series, value=value, taken_utc=NOW - every * (count - 1 - k),
            arrived_utc=NOW - every * (count - 1 - k), source="mqtt", flags=flags,
        )
        for k, value in enumerate(values)
    ])  # fmt: skip


@pytest.fixture
def loft(yard):
    operations.add_place(yard, Place(name="loft"))
    body = {"topic": "radio/7/up", "value": "t", "quantity": "temp", "unit": "degC", "place": "loft"}
    mappings.add(yard.store, mappings.read(body), now_utc=NOW)
    return shops.read_mappings(yard)


def test_a_sensor_is_one_row_with_all_that_is_known_of_it(loft):
    feed(loft, Quantity.TEMP, [20 + k % 5 for k in range(96)], every=timedelta(minutes=20))
    feed(loft, Quantity.BATTERY, [70 - 0.5 * k for k in range(41)], every=timedelta(days=1))
    feed(loft, Quantity.SIGNAL, [-90, -101], every=timedelta(hours=1))
    for days in (0, 1, 2, 3, 40):  # the last of them long ago
        pipeline.handle(raw(b'{"t": "?"}', "radio/7/up", arrived=NOW - timedelta(days=days)), loft)
    presence.keep(loft.store, Told(owner=Owner.AIR, name="loft", away=True), NOW)
    (row,) = sensor_rows.rows(loft, health.look(loft, NOW), NOW)
    assert (row.about, row.on) == ("air/loft", "air/loft")
    assert (row.usual_s, row.battery_pct, row.signal_dbm) == (1200.0, 50.0, -101)
    runs_out = NOW + timedelta(days=100)  # 50 % at half a percent a day
    assert abs(row.runs.empty_utc - runs_out) < timedelta(hours=1)
    assert (row.refused, row.refused_share) == (4, 0.04)
    assert "not a number" in row.refused_why
    assert row.presence.away


def test_what_a_sensor_with_a_name_feeds_is_its_row(loft):
    wood = {"owner": Owner.TIMBER, "name": "FER-01"}
    feed(loft, Quantity.WOOD_TEMP, [18.0, 18.5, 19.0], every=timedelta(hours=1), flags=("sensor-S7",), **wood)
    feed(loft, Quantity.WEIGHT, [96.0, 95.9, 95.8], every=timedelta(days=1), **wood)
    scale, pins = sorted(sensor_rows.rows(loft, health.look(loft, NOW), NOW), key=lambda one: -one.usual_s)
    assert (pins.about, pins.on, pins.series) == ("sensor/S7", "timber/FER-01", ("timber/FER-01/wood-temp",))
    assert (scale.about, scale.refused_share) == ("timber/FER-01", None)
    pack = json.dumps([{"n": "wood-temp", "u": "Cel", "vs": "?"}]).encode()
    pipeline.handle(raw(pack, "baulk/v1/ferry-yard/sensor/S7"), loft)
    found = {one.about: one.refused for one in sensor_rows.rows(loft, health.look(loft, NOW), NOW)}
    assert found == {"sensor/S7": 1, "timber/FER-01": 0}


def test_scale_and_pins_that_contradict_each_other_say_so_in_the_rows_of_both(loft, monkeypatch):
    wood = {"owner": Owner.TIMBER, "name": "FER-01"}
    feed(loft, Quantity.WEIGHT, [96.0, 95.8], every=timedelta(days=1), **wood, flags=("sensor-scale-1",))
    feed(loft, Quantity.WOOD_TEMP, [12.0, 12.5], every=timedelta(days=1), **wood, flags=("sensor-t-1",))
    reason = Reason(code="notice.contradiction", values={"tag": "FER-01"})
    told = notices.Notice(kind="contradiction", about="FER-01", reason=reason, since_utc=NOW)
    monkeypatch.setattr(notices, "open_ones", lambda _shop: [told])
    drifts = {row.about: row.drifts for row in sensor_rows.rows(loft, health.look(loft, NOW), NOW)}
    assert drifts == {"sensor/scale-1": (reason,), "sensor/t-1": ()}
