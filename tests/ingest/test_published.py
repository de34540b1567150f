"""What is published fits the schema that ships; timbers are announced only where the shop wants it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest

from baulk.ingest import config as settings
from baulk.ingest import devices, operations
from baulk.ingest.mqtt import announce, message_schema, publish
from baulk.ingest.wire import topics
from baulk.models.timber import Event, EventKind

from . import documents
from .conftest import NOW, timber

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


def test_a_timber_that_left_is_no_longer_announced(judged):
    said = {}
    shop = named(judged, "discovery")
    before = dict(announce.changes(shop, said))
    operations.add_event(judged, Event(tag="FER-01", kind=EventKind.RETIRED, at_utc=NOW, noted_utc=NOW))
    assert dict(announce.changes(shop, said)) == dict.fromkeys(before, b"")


def test_tags_with_signs_that_the_convention_does_not_take_stay_apart():
    names = {announce.topic_of("d", "s", tag, "core") for tag in ("A.1", "A-1", "A_1", "A 1")}
    assert len(names) == 4
    assert all(" " not in one and "." not in one for one in names)


def test_the_broker_lets_us_announce_only_where_a_prefix_is_set(judged):
    part = judged.config.broker.model_copy(update={"user": "baulk-{part}"})
    config = judged.config.model_copy(update={"broker": part})
    assert "/config" not in devices.rules(config, ())
    config = config.model_copy(update={"announce": settings.AnnouncePart(prefix="discovery")})
    assert "topic write discovery/sensor/+/config" in devices.rules(config, ())
