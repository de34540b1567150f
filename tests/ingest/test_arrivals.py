"""Timbers that a phone enters: each once, a tag that was taken gives way, undo leaves nothing behind."""

from __future__ import annotations

import io
import json
from datetime import UTC, datetime, timedelta

import pytest
from PIL import Image

from baulk.ingest import hand_readings, photos
from baulk.ingest import shop as shops
from baulk.ingest.errors import ExchangeError
from baulk.ingest.walk import arrival_batch, arrivals
from baulk.models.errors import OutOfRange
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Series

NOW = datetime(2026, 11, 27, 9, 0, tzinfo=UTC)
ROW = {
    "id": "arrival-0001",
    "tag": "T-01",
    "proposed": True,
    "species": "white oak",
    "size_mm": [203.2, 203.2],
    "pith_mm": [10.0, -5.0],
    "length_mm": 2438.4,
    "finished_mm": [152.4, 152.4],
    "use": "backbone-above-water",
    "place": "shed",
    "weight_kg": 95.0,
    "pins": {"shown": "OL", "depth_mm": 32, "face": "b"},
    "at_ms": 0,
    "sure": False,
}


def read(now=NOW, sent_ms=0, **change):
    """Return the one arrival of a batch, or why it is refused."""
    found, undone, refused = arrival_batch.from_json(
        {"sent_ms": sent_ms, "entries": [ROW | change]}, now_utc=now
    )
    return found[0] if found else undone[0] if undone else refused[0]


@pytest.fixture
def shop(shop_dir):
    with shops.open(shop_dir) as opened:
        yield opened


def take(shop, now=NOW, **change):
    return arrivals.take(shop, read(now, **change), now_utc=now)


def test_an_arrival_sent_twice_is_entered_once_with_its_first_readings(shop):
    assert (take(shop).state, take(shop, NOW + timedelta(hours=1)).state) == ("stored", "known")
    (timber,) = shop.register.list()
    assert (timber.tag, timber.arrived_utc, timber.section.boxed_heart) == ("T-01", NOW, True)
    held = {str(one.series): (one.value, one.flags) for one in shop.store.readings(Owner.TIMBER, "T-01")}
    assert held["timber/T-01/weight"] == (95.0, ())
    assert held["timber/T-01/pin-32/b/moisture"][1] == ("at-least",)


def test_what_a_power_cut_left_half_entered_is_finished_and_not_entered_again(shop, monkeypatch):
    def cut(*_given, **_named):
        raise KeyboardInterrupt

    with monkeypatch.context() as m:
        m.setattr(arrivals, "_store", cut)
        with pytest.raises(KeyboardInterrupt):
            take(shop)
    assert shop.store.readings(Owner.TIMBER, "T-01") == []
    assert take(shop, NOW + timedelta(days=2)).state == "stored"
    (timber,) = shop.register.list()
    assert timber.arrived_utc == NOW
    assert {one.taken_utc for one in shop.store.readings(Owner.TIMBER, "T-01")} == {NOW}


def test_of_two_phones_with_one_tag_the_second_is_told_another_and_a_typed_tag_is_refused(shop):
    take(shop)
    twin = take(shop, id="arrival-0002", tag="t-01")
    assert (twin.state, [each.code for each in twin.reasons]) == ("asks", ["timber.entered_before"])
    second = take(shop, id="arrival-0002", tag="t-01", weight_kg=88.0)
    assert (second.state, second.tag) == ("stored", "T-02")
    typed = take(shop, id="arrival-0003", proposed=False, weight_kg=81.0)
    assert (typed.state, len(shop.register.list())) == ("refused", 2)
    assert "T-01 is in use already" in typed.why
    assert take(shop, id="arrival-0003", proposed=False, tag="KEEL-1", weight_kg=81.0).tag == "KEEL-1"


def test_an_undo_takes_readings_along_and_may_come_before_the_arrival(shop):
    take(shop)
    assert arrivals.undo(shop, "arrival-0001", now_utc=NOW, by="Ada").tag == "T-01"
    assert shop.register.list() == []
    assert shop.store.readings(Owner.TIMBER, "T-01") == []
    assert take(shop).state == "undone"
    assert arrivals.undo(shop, "arrival-0009", now_utc=NOW).state == "undone"
    assert take(shop, id="arrival-0009").state == "undone"
    again = take(shop, id="arrival-0010", weight_kg=None, pins=None)
    assert (again.state, shop.store.readings(Owner.TIMBER, again.tag)) == ("stored", [])


def test_an_undo_is_refused_once_more_was_noted(shop):
    take(shop)
    later, weight = NOW + timedelta(days=2), Series(owner=Owner.TIMBER, name="T-01", quantity=Quantity.WEIGHT)
    hand_readings.add(shop, weight, 94.0, now_utc=later)
    told = arrivals.undo(shop, "arrival-0001", now_utc=NOW)
    assert told.state == "refused"
    assert "more was noted of T-01" in told.why
    assert shop.register.has("T-01")


@pytest.mark.parametrize(
    ("change", "state", "code"),
    [
        ({"weight_kg": 1.0}, "refused", "plausible.no_such_weight"),
        ({"size_mm": [5, 203.2], "finished_mm": [4, 100], "pins": None}, "refused", None),
        ({"length_mm": 30_000.0, "weight_kg": None}, "asks", "plausible.length"),
        ({"pins": {"shown": "3", "depth_mm": 32}}, "asks", "plausible.below_meter"),
        ({"species": "oak"}, "refused", None),
        ({"finished_mm": [300, 300]}, "refused", None),
        ({"pith_mm": None}, "refused", None),
        ({"size_mm": "8 x 8"}, "refused", None),
        ({"pins": {"shown": "28", "depth_mm": 300, "face": "a"}}, "refused", None),
    ],
)
def test_what_cannot_be_is_refused_and_what_is_unlikely_asked(shop, change, state, code):
    one = read(**change)
    told = arrivals.take(shop, one, now_utc=NOW) if isinstance(one, arrivals.Arrival) else one
    assert told.state == state
    assert [each.code for each in told.reasons] == ([code] if code else [])
    assert bool(told.why) == (code is None)
    assert shop.register.list() == []
    if state == "asks":
        assert take(shop, **change, sure=True).state == "stored"


def test_times_are_counted_back_from_the_servers_clock(shop):
    year_s = 400 * 86400
    one = read(sent_ms=-year_s * 1000 + 3600e3, at_ms=-year_s * 1000)
    assert one.timber.arrived_utc == NOW - timedelta(hours=1)
    assert read(sent_ms=0, at_ms=5e6).timber.arrived_utc == NOW  # a clock that was put back


def test_a_photograph_comes_after_its_timber_and_is_kept_once(shop):
    out = io.BytesIO()
    Image.new("RGB", (300, 200), (150, 110, 60)).save(out, "JPEG")
    assert not arrivals.photograph(shop, "arrival-0001", out.getvalue(), now_utc=NOW)
    take(shop)
    for _ in range(2):
        assert arrivals.photograph(shop, "arrival-0001", out.getvalue(), now_utc=NOW)
    assert len(photos.of(shop, "T-01")) == 1
    assert arrivals.undo(shop, "arrival-0001", now_utc=NOW).state == "undone"


def test_notes_of_arrivals_are_let_go_after_a_year(shop):
    shop.store.note("arrival/an-old-one-01", json.dumps({"state": "stored", "tag": "X", "arrived_utc": "2024-01-01T00:00:00+00:00"}).encode())  # fmt: skip # noqa: E501
    take(shop)
    assert list(shop.store.notes(arrivals.NOTE)) == ["arrival/arrival-0001"]


@pytest.mark.parametrize("body", [[], {}, {"entries": 3}, None])
def test_what_is_no_batch_is_refused(body):
    with pytest.raises(ExchangeError):
        arrival_batch.from_json(body, now_utc=NOW)
    with pytest.raises(OutOfRange):
        arrival_batch.from_json({"sent_ms": 0, "entries": [ROW] * 51}, now_utc=NOW)
