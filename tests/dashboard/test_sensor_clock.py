"""What was learned of devices' clocks, as the command, the doctor and the Health page show it."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.ingest import device_clock, operations, pipeline
from baulk.ingest import shop as shops
from baulk.ingest.device_clock import DeviceWatch
from baulk.ingest.wire import RawMessage
from baulk.models.timber import Place

STEP = timedelta(minutes=20)


def teach(folder, places, end):
    """Let air sensors send for ten hours; each is so many hours behind."""
    with shops.open(folder) as opened:
        for place in places:
            operations.add_place(opened, Place(name=place))
        slug, watch = opened.config.slug, DeviceWatch(opened.store, "one", lambda: True)
        for place, hours in places.items():
            for k in range(30):
                true = end - (30 - k) * STEP
                said = true.timestamp() - 3600 * hours
                raw = RawMessage(
                    topic=f"baulk/v1/{slug}/air/{place}",
                    payload=json.dumps([{"n": "temp", "u": "Cel", "v": k / 8, "t": said}]).encode(),
                    arrived_utc=true + timedelta(seconds=1, microseconds=321),
                )
                raw = replace(raw, device_behind_s=watch.corrected.get(raw.topic, 0.0))
                heard = {}
                pipeline.handle_batch([raw], opened, heard=heard)
                watch.look({topic: (one, each.readings) for topic, (one, each) in heard.items()})
        return slug


@pytest.fixture
def taught(shop_dir):
    teach(shop_dir, {"loft": 0, "barn": 1}, datetime.now(UTC).replace(microsecond=0))
    return shop_dir


@pytest.fixture
def baulk(taught):
    app = commands.build(["sensor", "doctor", "reading"])

    def run(*words, fails=None):
        done = CliRunner().invoke(app, list(words), env={"BAULK_SHOP": str(taught), "COLUMNS": "200"})
        if fails:
            assert fails in str(done.exception)
        else:
            assert done.exit_code == 0, done.output
        return done.stdout

    return run


def test_the_command_shows_each_clock_and_takes_a_persons_word(baulk):
    found = {one["about"]: one for one in json.loads(baulk("sensor", "clock", "--json"))}
    assert found["air/barn"]["behind_s"] == pytest.approx(3601, abs=1)
    assert (found["air/barn"]["is_corrected"], found["air/loft"]["is_corrected"]) == (True, False)
    shown = baulk("sensor", "clock")
    assert "1 h 0 min behind" in shown
    assert "wrong; put right" in shown
    assert "nothing wrong" in shown
    (one,) = json.loads(baulk("sensor", "clock", "barn", "--as-sent", "--json"))
    assert (one["choice"], one["is_wrong"], one["is_corrected"]) == ("as-sent", False, False)
    looked = json.loads(baulk("reading", "decode-again", "--json"))
    assert looked["changed"] == 11  # of thirty, those that came after nineteen had made it sure
    (one,) = json.loads(baulk("sensor", "clock", "barn", "--learned", "--json"))
    assert (one["choice"], one["is_wrong"]) == (None, True)


def test_a_device_that_is_not_there_or_not_meant_is_said_in_a_sentence(baulk):
    baulk("sensor", "clock", "ban", fails="barn")
    baulk("sensor", "clock", "--as-sent", fails="say which device")
    baulk("sensor", "clock", "barn", "--as-sent", "--correct", fails="exclude each other")


def test_the_doctor_lists_the_clocks(baulk):
    told = json.loads(baulk("doctor", "--json"))
    assert [one["about"] for one in told["clocks"]] == ["air/barn", "air/loft"]
    assert "clocks of devices" in baulk("doctor")


def test_the_health_page_names_a_clock_that_is_behind(app, shop_folder, invented):
    teach(shop_folder, {"loft": 0, "barn": 4}, invented.NOW)
    with shops.open(shop_folder) as opened:
        (wrong, right) = device_clock.learned(opened.store)
    assert (wrong.about, right.about) == ("air/barn", "air/loft")
    app.run()
    app.switch_page("views/health.py").run()
    assert not app.exception
    html = "\n".join(each.proto.body for each in app.get("html"))
    assert "air sensor in barn is 4 h 0 min behind since" in html
    assert "its readings are moved by that" in html
    assert 'data-label="Clock"><span>4 h 0 min behind since' in html
    assert "at most 1 s behind" in html
