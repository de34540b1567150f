"""Scale and pins that contradict each other, from stored readings to every place that tells a verdict."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime, timedelta

import numpy as np
import pypdfium2
import pytest

from baulk.dashboard import words
from baulk.dashboard.printing import record, record_data
from baulk.dashboard.queries import yard_groups, yard_plan, yard_rows
from baulk.ingest import operations
from baulk.ingest import shop as shops
from baulk.ingest.evaluation import gather as evaluation_gather
from baulk.ingest.mqtt import publish
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.section import Face
from baulk.models.timber import Place

TAG = "CON-01"
DAYS = 200


def say(series, value, when):
    return Reading(series=series, value=float(value), taken_utc=when, arrived_utc=when)


def readings(arrived):
    """Seven weights of wood that hardly dries beside seven readings of dry pins, and the air."""
    weight = Series(owner=Owner.TIMBER, name=TAG, quantity=Quantity.WEIGHT)
    pin = Series(owner=Owner.TIMBER, name=TAG, quantity=Quantity.MOISTURE, depth_mm=45, face=Face.B)
    rng = np.random.default_rng(3)
    for i, day in enumerate(np.linspace(4, DAYS - 4, 7)):
        when = arrived + timedelta(days=float(day))
        yield say(weight, 90 * (1.75 - 0.03 * i) * (1 + rng.normal(0, 0.002)), when)
        yield say(pin, 14 + rng.normal(0, 0.6), when)
    for hour in range(0, DAYS * 24, 12):
        when = arrived + timedelta(hours=hour)
        for quantity, value in ((Quantity.TEMP, 12.0), (Quantity.HUMIDITY, 68.0)):
            yield say(Series(owner=Owner.AIR, name="attic", quantity=quantity), value, when)


@pytest.fixture(scope="module")
def evaluated(filled, invented, tmp_path_factory):
    """A shop with one timber whose scale says 57 % and whose pins say 14 %, evaluated once; for copying."""
    now = datetime.now(UTC).replace(microsecond=0)
    arrived = now - timedelta(days=DAYS)
    folder = shutil.copytree(filled(), tmp_path_factory.mktemp("evaluated") / "shop")
    with shops.open(folder) as shop:
        operations.add_timber(
            shop,
            invented.piece(TAG, place="attic", arrived_utc=arrived, green_mc_pct=75.0),
            new_place=True,
        )
        shop.store.append(list(readings(arrived)))
        evaluation_gather.evaluate(TAG, shop, now)
    return folder, now


@pytest.fixture
def shop_folder(evaluated, tmp_path):
    return shutil.copytree(evaluated[0], tmp_path / "shop")


@pytest.fixture
def apart(shop_folder, evaluated, monkeypatch):
    monkeypatch.setenv("BAULK_SHOP", str(shop_folder))
    return shop_folder, evaluated[1]


def test_the_stored_verdict_and_the_retained_message_carry_it_first(apart):
    folder, _ = apart
    with shops.open(folder) as shop:
        found = json.loads(shop.store.evaluation(TAG)[1])
        (sent,) = [json.loads(one.payload) for one in publish.messages(shop) if one.tag == TAG]
    judged = found["verdict"]
    told = judged["contradiction"]
    assert judged["step"] == "leave"
    assert judged["reasons"][0] == told["words"]
    assert told["pins_mean_now_pct"]["high"] < told["scale_mean_now_pct"]["low"]
    now = found["mean_now_pct"]
    assert now["low"] < told["pins_mean_now_pct"]["high"]
    assert now["high"] > told["scale_mean_now_pct"]["low"]
    assert sent["contradiction"] == told
    assert sent["reasons"][0] == told["words"]
    assert "oven" in judged["next_reading"]
    assert found["calibration"]["suspected"] == []
    assert judged["dates"] == sent["dates"] == {"rough out": None, "square": None}


def test_the_yard_and_the_plan_show_a_sign_and_a_word_of_their_own(apart):
    folder, now = apart
    with shops.open(folder) as shop:
        shop.register.save_place(Place(name="attic", kind="room", x_m=0, y_m=0, width_m=5, depth_m=5))
    found = yard_rows.rows(now)
    (row,) = [each for each in found if each.timber.tag == TAG]
    assert row.told is words.CONTRADICTION
    assert row.square_utc is None
    assert row.told.shape not in {each.shape for each in words.STEPS.values()}
    assert row.attention[0] == "scale and pins contradict each other"
    assert found[0].rank == row.rank
    assert yard_groups.of(row) == yard_groups.TROUBLE
    assert yard_groups.about(row) == "scale and pins contradict each other"
    boxes = {box["name"]: box for box in yard_plan.drawn(yard_plan.places(), found)}
    assert boxes["attic"]["timbers"] == [{"tag": TAG, "shape": "!", "said": "Trouble"}]


def test_the_timber_page_says_it_first(apart, app):
    app.run()
    app.switch_page("views/timber.py")
    app.query_params["tag"], app.query_params["open"] = TAG, "why"
    app.run()
    assert not app.exception
    told = "\n".join(each.proto.body for each in app.get("html"))
    assert "≠" in told
    assert "Contradiction" in told
    assert "not within two years" not in told
    first = told.split('<ul class="b-reasons">')[1]
    assert first.startswith("<li>Scale and pins contradict each other")


def test_the_printed_record_and_the_command_line_say_it(apart, baulk):
    folder, now = apart
    with shops.open(folder) as shop:
        pdf = record.pdf(record_data.record(shop, TAG, now))
    document = pypdfium2.PdfDocument(pdf)
    text = " ".join(" ".join(page.get_textpage().get_text_range() for page in document).split())
    document.close()
    assert "Contradiction" in text
    assert "Scale and pins contradict each other" in text
    said = baulk(f"--shop={folder}", "verdict", TAG).stdout
    assert f"{TAG}: contradiction, leave" in said
    lines = " ".join(said.split(f"{TAG}: contradiction, leave")[1].split())
    assert lines.startswith("- Scale and pins contradict each other")
    assert "dry it in the oven" in lines
