"""A new sensor on the Sensors page: heard, tapped, said what it is, saved, taken back."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest

from baulk.ingest import shop as shops
from baulk.ingest.pairing import asked
from baulk.ingest.pairing.ring import Ring, written
from baulk.ingest.store import mappings
from baulk.ingest.store.raw_parts import Taken
from baulk.ingest.wire.message import RawMessage
from baulk.models.quantity import Owner, Quantity

TOPIC = "lora/pins-7/up"


def html(app):
    return "\n".join(each.proto.body for each in app.get("html"))


def undo(app):
    return next(each for each in app.button if each.label == "Undo")


def said(app):
    return " ".join(each.value for each in (*app.success, *app.markdown, *app.warning, *app.error, *app.info))


@pytest.fixture
def heard(shop_folder):
    """The listener has heard a sensor with moisture in tenths, and with its own time."""
    now = datetime.now(UTC)
    with shops.open(shop_folder) as shop:
        asked.begin(shop.store, now)
        ring = Ring()
        for minute, tenths in ((6, 312), (3, 309)):
            at = (now - timedelta(minutes=minute + 1)).isoformat(timespec="seconds")
            body = json.dumps({"obj": {"mc": tenths, "ok": True}, "at": at}).encode()
            ring.add(TOPIC, body, now - timedelta(minutes=minute), retained=False)
        shop.store.note(asked.HEARD, written(ring, now, None))
    return shop_folder


def open_page(app, **query):
    app.run()
    app.switch_page("views/health.py")
    for name, value in query.items():
        app.query_params[name] = value
    app.run()
    app.switch_page("views/health.py").run()
    assert not app.exception
    return app


def test_nothing_is_listened_to_until_somebody_asks(app, shop_folder):
    page = open_page(app)
    assert not [each for each in page.button if each.key.startswith("pair-lora")]
    page.button(key="pair-begin").click().run()
    with shops.open(shop_folder) as shop:
        assert asked.asked(shop.store, datetime.now(UTC)).topic == "#"
    assert "Nothing has come yet" in said(page)
    page.button(key="pair-end").click().run()
    with shops.open(shop_folder) as shop:
        assert asked.asked(shop.store, datetime.now(UTC)) is None


def test_a_sensor_is_met_at_its_timber_and_saved_and_undone(app, heard):
    page = open_page(app, attach="FER-03")
    page.button(key=f"pair-{TOPIC}").click().run()
    spots = page.radio(key="pair-said-spot")
    named = [label.split(":")[0] for label in spots.options]
    assert named == ["obj  \n&emsp;mc", "&emsp;ok", "at"]
    spots.set_value(0).run()
    assert not [each for each in page.button if each.key == "pair-save"]  # nothing is guessed
    page.selectbox(key="pair-said-quantity").select(Quantity.MOISTURE).run()
    page.selectbox(key="pair-said-unit-moisture").select("percent").run()
    assert page.selectbox(key="pair-said-tag").value == "FER-03"
    page.text_input(key="pair-said-depth").input("1 3/4").run()
    page.selectbox(key="pair-said-face").select("b").run()
    page.text_input(key="pair-said-end").input("12").run()
    assert "312.0 %" in html(page) or "312 %" in html(page)  # beside raw it shows that tenths were meant
    page.number_input(key="pair-said-scale-obj.mc").set_value(0.1).run()
    times = page.selectbox(key="pair-said-time")
    times.set_value(times.options[1]).run() if isinstance(times.options[1], tuple) else times.select_index(
        1
    ).run()
    assert "31.2" in html(page)
    assert "30.9" in html(page)
    page.button(key="pair-preview").click().run()
    assert "Nothing of it was kept lately." in said(page)
    with shops.open(heard) as shop:
        kept = RawMessage(topic=TOPIC, payload=b'{"obj": {"mc": 325}}', arrived_utc=datetime.now(UTC))
        shop.store.save((), (), taken=Taken(client="a", raws=[kept], now_utc=datetime.now(UTC)))
    page.button(key="pair-preview").click().run()
    assert "The last that were kept of it." in said(page)
    assert "32.5" in html(page)
    page.button(key="pair-save").click().run()
    assert not page.exception
    assert "Readings that came in with it: 2" in html(page)
    with shops.open(heard) as shop:
        (one,) = mappings.all_of(shop.store)
        assert (one.source.tag, one.source.face.value, one.source.depth_mm) == ("FER-03", "b", 44.45)
        assert (one.source.from_end_mm, one.source.time, one.source.scale) == (304.8, "at", 0.1)
        mine = [each for each in shop.store.readings(Owner.TIMBER, "FER-03") if "end-305" in each.flags]
        assert [each.value for each in mine][-2:] == [31.2, 30.9]
    undo(page).click().run()
    assert "what came in with it is gone" in html(page)
    with shops.open(heard) as shop:
        assert mappings.all_of(shop.store) == []
        left = [each for each in shop.store.readings(Owner.TIMBER, "FER-03") if "end-305" in each.flags]
        assert len(left) == len(mine) - 2


def test_a_mapping_is_deleted_with_a_way_back(app, shop_folder):
    body = {"topic": "a/b", "format": "plain", "quantity": "weight", "unit": "lb", "tag": "FER-03"}
    with shops.open(shop_folder) as shop:
        mappings.add(shop.store, mappings.read(body), now_utc=datetime.now(UTC), by="Ana")
    page = open_page(app)
    assert "weight in lb" in html(page)
    page.selectbox(key="pair-number").select_index(0).run()
    page.button(key="pair-delete").click().run()
    assert "a/b is no longer mapped" in html(page)
    undo(page).click().run()
    with shops.open(shop_folder) as shop:
        assert len(mappings.all_of(shop.store)) == 1
