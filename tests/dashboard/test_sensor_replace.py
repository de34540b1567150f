"""A sensor replaced by another on the Sensors page."""

from __future__ import annotations

import json
from datetime import timedelta

from baulk.ingest import operations, pipeline
from baulk.ingest import shop as shops
from baulk.ingest.wire import topics
from baulk.ingest.wire.message import RawMessage


def test_a_sensor_is_replaced_with_a_way_back(app, shop_folder, invented):
    pack = json.dumps([{"n": "wood-temp", "u": "Cel", "v": 18}]).encode()
    with shops.open(shop_folder) as shop:
        operations.attach_sensor(
            shop, "S7", "FER-03", now_utc=invented.NOW, at_utc=invented.NOW - timedelta(days=9), depth_mm=45.0
        )
        topic = topics.device("S9", shop.config.slug)  # it has spoken, and is on nothing yet
        pipeline.handle(RawMessage(topic=topic, payload=pack, arrived_utc=invented.NOW), shop)

    def on(sensor):
        with shops.open(shop_folder) as shop:
            found = shop.register.attachments().find(sensor, invented.NOW + timedelta(days=1))
        return found and (found.tag, found.depth_mm)

    def said():
        return "\n".join(each.proto.body for each in app.get("html"))

    app.run()
    app.switch_page("views/health.py").run()
    app.selectbox(key="replace-old").set_value("S7").run()
    app.button(key="replace-S7-save-0").click().run()
    assert any("Choose the new sensor" in each.value for each in app.error)
    app.selectbox(key="replace-S7-new-0").set_value("S9")
    app.button(key="replace-S7-save-0").click().run()
    assert not app.exception
    assert "S9 goes on in place of S7 on FER-03 since" in said()
    assert (on("S7"), on("S9")) == (None, ("FER-03", 45.0))
    next(each for each in app.button if each.label == "Undo").click().run()
    assert not app.exception
    assert "S7 goes on as before" in said()
    assert (on("S7"), on("S9")) == (("FER-03", 45.0), None)
