"""`baulk reading decode-again`: look first, then do, then take it back."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

from baulk.ingest import pipeline, shop
from baulk.ingest.wire import RawMessage
from baulk.models.quantity import Owner
from baulk.models.timber import Place

MAPPED = """
[[source]]
topic = "sensors/+/climate"
format = "plain"
quantity = "temp"
unit = "{unit}"
place = "{{1}}"
"""


def values(folder):
    with shop.open(folder) as opened:
        return [round(one.value, 1) for one in opened.store.readings(Owner.AIR, "shed")]


def test_a_wrong_unit_is_shown_put_right_and_taken_back(shop_dir, baulk):
    path = shop_dir / "baulk.toml"
    plain = path.read_text()
    path.write_text(plain + MAPPED.format(unit="degC"))
    arrived = datetime.now(UTC) - timedelta(hours=3)
    with shop.open(shop_dir) as opened:
        opened.register.save_place(Place(name="shed"))
        for k in range(3):
            raw = RawMessage(
                topic="sensors/shed/climate",
                payload=b"%d" % (41 + k),
                arrived_utc=arrived + timedelta(minutes=k),
            )
            pipeline.handle(raw, opened)
    path.write_text(plain + MAPPED.format(unit="degF"))
    asked = ("--shop", str(shop_dir), "reading", "decode-again")
    looked = baulk(*asked)
    assert "readings added: 0, changed: 3, set aside: 0" in looked.stdout
    assert "--yes does it" in looked.stdout
    assert values(shop_dir) == [41, 42, 43]
    assert json.loads(baulk(*asked, "--topic", "sensors/loft/climate", "--json").stdout)["messages"] == 0
    assert json.loads(baulk(*asked, "--yes", "--json").stdout)["changed"] == 3
    assert values(shop_dir) == [5, 5.6, 6.1]
    assert "set aside: 0" in baulk(*asked).stdout
    assert "3 readings went, 3 are as they were" in baulk(*asked, "--undo").stdout
    assert values(shop_dir) == [41, 42, 43]
