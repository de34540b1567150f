"""What is published fits the schema that ships; timbers are announced only where the shop wants it."""

from __future__ import annotations

import json
import re
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import jinja2
import jsonschema
import paho.mqtt.client as mqtt
import pytest

from baulk.ingest import broker_files, operations
from baulk.ingest import config as settings
from baulk.ingest import shop as shops
from baulk.ingest.mqtt import announce, message_schema, publish, publish_plan
from baulk.ingest.store import air_answers
from baulk.ingest.store.air_answers import AirAnswer, Sent
from baulk.ingest.wire import topics
from baulk.models.timber import Event, EventKind

from . import documents
from .conftest import NOW, timber, until

SCHEMA = Path(message_schema.__file__).with_name(message_schema.FILE)


@pytest.fixture
def schema():
    return json.loads(SCHEMA.read_text(encoding="utf-8"))


@pytest.fixture
def judged(yard):
    yard.store.save_evaluation("FER-01", NOW, documents.stored("FER-01", NOW))
    return yard


def named(shop, prefix):
    part = settings.AnnouncePart(prefix=prefix)
    return replace(shop, config=shop.config.model_copy(update={"announce": part}))


def test_the_schema_in_the_package_is_that_of_the_messages(schema):
    assert schema == message_schema.json_schema()


def test_a_verdict_with_its_moisture_fits_the_schema(judged, schema):
    judged.register.add(timber("BAD-01"))
    judged.store.save_evaluation("BAD-01", NOW, b"{}")
    found = {one.tag: json.loads(one.payload) for one in publish.messages(judged)}
    for body in (found["FER-01"], found["BAD-01"]):
        jsonschema.validate(body, schema["verdict"], jsonschema.Draft202012Validator)
    stored = json.loads(documents.stored("FER-01", NOW))
    assert found["FER-01"]["core_now_pct"] == stored["core_now_pct"]
    assert found["FER-01"]["mean_now_pct"] == stored["mean_now_pct"]
    assert found["FER-01"]["dates"] == stored["verdict"]["dates"]
    del found["FER-01"]["step"]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(found["FER-01"], schema["verdict"], jsonschema.Draft202012Validator)


def test_nothing_is_announced_unless_a_prefix_is_set(judged):
    assert list(announce.changes(judged, {})) == []
    with pytest.raises(ValueError, match="pattern"):
        settings.AnnouncePart(prefix="a/+/b")


def test_announced_timbers_point_at_their_verdicts_and_can_be_taken_away(judged):
    said = {}
    shop = named(judged, "discovery")
    found = dict(announce.changes(shop, said))
    core = json.loads(found["discovery/sensor/baulk-ferry-yard-FER-01-core/config"])
    assert core["state_topic"] == topics.verdict("FER-01", "ferry-yard")
    assert core["unit_of_measurement"] == "%"
    assert len({json.loads(one)["unique_id"] for one in found.values()}) == len(found) == 4
    # what a template of the convention names stands in the message
    (told,) = [json.loads(one.payload) for one in publish.messages(judged) if one.tag == "FER-01"]
    for payload in found.values():
        path = json.loads(payload)["value_template"].strip("{} ").removeprefix("value_json.").split(".")
        value = told
        for name in path:
            value = value[name]
    assert list(announce.changes(shop, said)) == []  # said once
    # a new listener says it again; without the prefix it takes all of it away, also what it has not said
    assert dict(announce.changes(shop, {})) == found
    assert dict(announce.changes(judged, {})) == dict.fromkeys(found, b"")
    assert list(announce.changes(judged, {})) == []


# The open discovery convention as its general documentation has it (read in copies of its two pages):
# PREFIX/COMPONENT/[NODE/]OBJECT/config, names of these signs alone, a retained JSON object; templates see
# the payload of the state's topic as `value_json`; an empty payload takes an entity away.
TOPIC = re.compile(r"discovery/(?:sensor|binary_sensor)/(?:[a-zA-Z0-9_-]+/)?[a-zA-Z0-9_-]+/config")
KEYS = {
    "availability", "availability_mode", "device", "device_class", "expire_after", "name", "state_class",
    "state_topic", "unique_id", "unit_of_measurement", "value_template",
}  # fmt: skip


def entities(retained):
    """Read announcements as a program that follows the convention does: identity, name, what is shown."""
    found = {}
    for topic, payload in retained.items():
        if not TOPIC.fullmatch(topic) or not payload:
            continue
        body = json.loads(payload)
        assert body.keys() <= KEYS
        assert body["device"]["identifiers"]
        assert body["unique_id"] not in found
        here = [
            retained.get(one["topic"], b"").decode() == one["payload_available"]
            for one in body["availability"]
        ]
        is_there = any(here) if body["availability_mode"] == "any" else all(here)
        state = json.loads(retained[body["state_topic"]])
        shown = jinja2.Environment(undefined=jinja2.StrictUndefined, autoescape=True)
        value = shown.from_string(body["value_template"]).render(value_json=state)
        found[body["unique_id"]] = (body["device"]["name"], body["name"], value if is_there else None)
    return found


def test_a_reader_of_the_convention_sees_core_mean_verdict_and_date_by_itself(judged):
    shop, said = named(judged, "discovery"), {}
    retained = dict(announce.changes(shop, said))
    retained |= {topics.verdict(one.tag, "ferry-yard"): one.payload for one in publish.messages(shop)}
    retained[topics.status(1, "ferry-yard")] = b"online"
    message = json.loads(retained[topics.verdict("FER-01", "ferry-yard")])
    seen = {name: value for _, name, value in entities(retained).values()}
    assert seen.keys() == {"Core", "Mean", "Verdict", "Square from"}
    assert float(seen["Core"]) == message["core_now_pct"]["median"]
    assert float(seen["Mean"]) == message["mean_now_pct"]["median"]
    assert seen["Verdict"] == message["step"]
    assert {device for device, _, _ in entities(retained).values()} == {"Ferry yard FER-01"}
    retained[topics.status(1, "ferry-yard")] = b"offline"
    assert {value for *_, value in entities(retained).values()} == {None}
    retained |= dict(announce.changes(judged, said))  # no longer wanted
    assert entities(retained) == {}


def test_any_of_several_listeners_is_enough_to_be_available(judged, yard_dir):
    one = json.loads(next(iter(announce.wanted(named(judged, "discovery")).values())))
    assert [each["topic"] for each in one["availability"]] == [topics.status("1", "ferry-yard")]
    path = yard_dir / "baulk.toml"
    path.write_text(path.read_text().replace("[broker]", '[broker]\nshare = "yard"'))
    shared = replace(judged, config=settings.load(yard_dir))
    several = json.loads(next(iter(announce.wanted(named(shared, "discovery")).values())))
    assert topics.status("7", "ferry-yard") in [each["topic"] for each in several["availability"]]
    assert several["availability_mode"] == "any"
    assert "availability_topic" not in several  # the convention takes one or the other


def test_a_timber_that_left_is_no_longer_announced(judged):
    said = {}
    shop = named(judged, "discovery")
    before = dict(announce.changes(shop, said))
    operations.add_event(judged, Event(tag="FER-01", kind=EventKind.RETIRED, at_utc=NOW, noted_utc=NOW))
    assert dict(announce.changes(shop, said)) == dict.fromkeys(before, b"")


# --- the air plan


ANSWER = AirAnswer(
    place="shed", made_utc=NOW, set_pct=62.0, low_pct=55.0, high_pct=71.0, low_by="checking", high_by="mould",
    held_c=None,
)  # fmt: skip
PLAN = topics.plan("shed", "ferry-yard")


def test_the_nights_plan_goes_out_once_lapses_and_is_replaced_by_the_next(yard, schema):
    said = {}
    assert list(publish_plan.changes(yard, said, NOW)) == []
    air_answers.keep(yard.store, "shed", ANSWER)
    (one,) = publish_plan.changes(yard, said, NOW + timedelta(hours=1))
    assert (one.topic, one.lapses_s) == (PLAN, 47 * 3600)
    body = json.loads(one.payload)
    jsonschema.validate(body, schema["plan"], jsonschema.Draft202012Validator)
    assert (body["set_pct"], body["low_pct"], body["high_pct"]) == (62.0, 55.0, 71.0)
    assert "expires after 47 hours" in body["caution"]
    assert list(publish_plan.changes(yard, said, NOW + timedelta(hours=2))) == []  # said once
    assert len(list(publish_plan.changes(yard, {}, NOW + timedelta(hours=2)))) == 1  # a new connection: again
    later = NOW + timedelta(hours=24)
    air_answers.keep(yard.store, "shed", replace(ANSWER, made_utc=later, set_pct=None))
    (one,) = publish_plan.changes(yard, said, later)
    body = json.loads(one.payload)
    jsonschema.validate(body, schema["plan"], jsonschema.Draft202012Validator)
    assert body["hold"] is False
    assert "set_pct" not in body  # nothing that a machine could take for a humidity to hold


def test_a_plan_that_nobody_renews_is_taken_away_and_nothing_else(yard):
    said = {}
    air_answers.keep(yard.store, "shed", ANSWER)
    assert len(list(publish_plan.changes(yard, said, NOW))) == 1
    late = NOW + publish_plan.STANDS
    (gone,) = publish_plan.changes(yard, said, late)
    assert (gone.topic, gone.payload, gone.lapses_s) == (PLAN, b"", None)
    assert list(publish_plan.changes(yard, said, late)) == []
    # a plan from beyond today is no plan of today's: the clock was set back
    assert list(publish_plan.changes(yard, {}, NOW - timedelta(days=1))) == []
    # a room that can't be planned any more loses its message at once
    air_answers.keep(yard.store, "shed", replace(ANSWER, made_utc=late))
    assert len(list(publish_plan.changes(yard, said, late))) == 1
    air_answers.keep(yard.store, "shed", None)
    assert [one.payload for one in publish_plan.changes(yard, said, late)] == [b""]


def test_what_a_person_sent_stands_until_it_lapses(yard):
    said = {}
    air_answers.keep(yard.store, "shed", ANSWER)
    mine = Sent(made_utc=NOW, until_utc=NOW + timedelta(hours=24), by_hand=True)
    air_answers.keep_sent(yard.store, {"shed": mine})
    assert list(publish_plan.changes(yard, said, NOW + timedelta(hours=23))) == []
    assert len(list(publish_plan.changes(yard, said, NOW + timedelta(hours=24)))) == 1


@pytest.mark.broker
def test_the_listener_sends_the_plan_by_itself_with_an_expiry(broker_yard_dir, listen, mosquitto):
    got = []
    reader = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    reader.on_message = lambda _c, _u, message: got.append(message)
    path = broker_yard_dir / "baulk.toml"
    path.write_text(path.read_text() + '\n[announce]\nprefix = "discovery"\n')
    listening = listen(broker_yard_dir)
    assert listening.ready.wait(60)
    now = datetime.now(UTC)
    with shops.open(broker_yard_dir) as shop:
        time.sleep(1.2)  # the listener has looked once and found the revision that stays
        air_answers.keep(shop.store, "shed", replace(ANSWER, made_utc=now))
        assert until(lambda: "shed" in air_answers.sent(shop.store))
    reader.connect("127.0.0.1", mosquitto.port)
    reader.loop_start()
    reader.subscribe([(PLAN, 1), ("discovery/#", 1)])
    assert until(lambda: len(got) >= 3)
    reader.disconnect()
    reader.loop_stop()
    by_topic = {one.topic: one for one in got}
    assert by_topic[PLAN].retain
    assert 47 * 3600 < by_topic[PLAN].properties.MessageExpiryInterval <= 48 * 3600
    told = json.loads(by_topic[PLAN].payload)
    low = json.loads(by_topic["discovery/sensor/baulk-ferry-yard-shed-humidity-low/config"].payload)
    assert (low["state_topic"], low["value_template"]) == (PLAN, "{{ value_json.low_pct }}")
    assert told["low_pct"] == 55.0


@pytest.mark.broker
def test_a_broker_that_lost_its_memory_is_told_everything_again(broker_yard_dir, listen, mosquitto, tmp_path):
    with shops.open(broker_yard_dir) as shop:
        shop.store.save_evaluation("FER-01", NOW, documents.stored("FER-01", NOW))
        air_answers.keep(shop.store, "shed", replace(ANSWER, made_utc=datetime.now(UTC)))
    listening = listen(broker_yard_dir)
    assert listening.ready.wait(60)

    def standing():
        got = set()
        reader = mosquitto.client("reader")
        reader.on_message = lambda _c, _u, message: got.add(message.topic)
        reader.subscribe("baulk/#")
        until(lambda: {PLAN, topics.verdict("FER-01", "ferry-yard")} <= got, 2)
        reader.disconnect()
        reader.loop_stop()
        return {PLAN, topics.verdict("FER-01", "ferry-yard")} <= got

    assert until(standing)
    mosquitto.process.kill()
    mosquitto.process.wait(10)
    for each in (tmp_path / "broker").iterdir():
        each.unlink()
    mosquitto.start()
    assert until(standing)


def test_a_room_is_announced_with_the_window_of_its_plan_where_the_shop_wants_it(yard, schema):
    air_answers.keep(yard.store, "shed", ANSWER)
    assert list(announce.changes(yard, {})) == []
    found = dict(announce.changes(named(yard, "discovery"), {}))
    assert {json.loads(one)["name"] for one in found.values()} == {"Humidity from", "Humidity to"}
    (out,) = publish_plan.changes(yard, {}, NOW)
    for payload in found.values():
        body = json.loads(payload)
        assert body["state_topic"] == out.topic
        assert body["value_template"].strip("{} ").removeprefix("value_json.") in json.loads(out.payload)
    assert dict(announce.changes(yard, {})) == dict.fromkeys(found, b"")


def test_tags_with_signs_that_the_convention_does_not_take_stay_apart():
    names = {announce.topic_of("d", "s", tag, "core") for tag in ("A.1", "A-1", "A_1", "A 1")}
    assert len(names) == 4
    assert all(" " not in one and "." not in one for one in names)


def test_the_broker_lets_us_announce_only_where_a_prefix_is_set(judged):
    part = judged.config.broker.model_copy(update={"user": "baulk-{part}"})
    config = judged.config.model_copy(update={"broker": part})
    assert "/config" not in broker_files.rules(config, ())
    assert f"user baulk-listener\ntopic write {topics.verdict('+', 'ferry-yard')}" in broker_files.rules(
        config, ()
    )
    assert broker_files.rules(config, ()).count(f"topic write {topics.plan('+', 'ferry-yard')}") == 2
    config = config.model_copy(update={"announce": settings.AnnouncePart(prefix="discovery")})
    assert "topic write discovery/sensor/+/config" in broker_files.rules(config, ())
    home = broker_files.Device(name="home", enrolled_utc=NOW, display=True)
    read = "topic read discovery/sensor/+/config"
    assert read in broker_files.rules(config, [home]).split("user home\n")[1]
    assert read not in broker_files.rules(config, [replace(home, display=False)])
