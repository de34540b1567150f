"""A new sensor: heard on any topic, tried, saved with what was kept of it, taken back; its history."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from test_store import folder_of, influx  # noqa: F401 - a fixture

from baulk.ingest import broker_files, operations, pipeline, wire
from baulk.ingest import shop as shops
from baulk.ingest.errors import MappingError
from baulk.ingest.mqtt import connection, pairing_watch
from baulk.ingest.pairing import asked, mapping, replaced, spots
from baulk.ingest.pairing.ring import KEPT, LONGEST, MOST_TOPICS, ROOM, Ring
from baulk.ingest.settings_watch import Watched
from baulk.ingest.store import STORES, mappings, raw_parts
from baulk.ingest.store.raw_parts import Taken
from baulk.ingest.wire import packed
from baulk.ingest.wire.source import Source
from baulk.models.errors import NotFound
from baulk.models.quantity import Owner

from .conftest import NOW, raw, timber, until

SCALE = {"topic": "scale/1", "value": "g", "quantity": "weight", "unit": "g", "tag": "FER-01"}


def source(**changes):
    return Source.model_validate({**SCALE, **changes})


# --- the ring is bounded


def test_a_ring_keeps_the_last_messages_of_each_topic():
    ring = Ring()
    for index in range(KEPT + 3):
        ring.add("a", b"%d" % index, NOW, retained=False)
    ring.add("b", b"x" * (LONGEST + 1), NOW, retained=True)
    *mine, long = ring.messages()
    assert [one.payload for one in mine] == [b"3", b"4", b"5", b"6", b"7"]
    assert (len(long.payload), long.cut, long.retained) == (LONGEST, True, True)


def test_a_flood_fills_no_memory_and_says_so():
    ring = Ring()
    for index in range(MOST_TOPICS * 3):
        ring.add(f"t/{index}", b"x", NOW, retained=False)
    assert (len(list(ring.messages())), ring.left_out) == (MOST_TOPICS, MOST_TOPICS * 2)
    ring = Ring()
    for index in range(10_000):
        ring.add(f"t/{index % 50}", b"x" * LONGEST, NOW, retained=False)
        assert sum(len(one.payload) for one in ring.messages()) <= ROOM + LONGEST
    assert ring.is_flooded  # 80 MB


# --- asked for, and over by itself


def test_pairing_ends_by_itself_and_is_not_held_open_by_a_clock_set_back(yard):
    asked.begin(yard.store, NOW, by="Ana")
    last = NOW + timedelta(minutes=10)
    assert asked.asked(yard.store, last - timedelta(seconds=1)).by == "Ana"
    assert asked.asked(yard.store, last) is None
    assert asked.asked(yard.store, NOW - timedelta(days=1)) is None
    with pytest.raises(MappingError, match="not a topic filter"):
        asked.begin(yard.store, NOW, topic="a/#/b")


# --- spots of a message


def test_the_spots_of_nested_json_find_their_values_again():
    body = {
        "at": 1_778_749_200, "odd key": {"t": "21,5 °C"}, "open": True, "list": [1, 2, 3],
        "frame": "010a0b0c", "inner": '{"h": 61, "when": "2026-05-14T09:00:00Z"}',
    }  # fmt: skip
    payload = json.dumps(body).encode()
    found = {one.label: one for one in spots.spots(payload, NOW)}
    assert found["at"].times == ("unix_s",)
    assert found["inner: when"].times == ("iso",)
    assert found["open"].kind is spots.Kind.YES_NO
    assert found["frame as hex"].payload == bytes.fromhex("010a0b0c")
    for label, more, value in (
        ('"odd key".t', {"decimal": "comma", "ends_in": "°C"}, 21.5),
        ("list, all 3", {"apart_s": 60}, 1),
        ("list[2]", {}, 3),
        ("inner: h", {}, 61),
        ("frame as hex", {"bytes": {"at": 2, "number": "u8"}}, 11),
    ):
        mapped = {
            "topic": "a",
            "quantity": "temp",
            "unit": "degC",
            "place": "x",
            **found[label].finds,
            **more,
        }
        message = wire.RawMessage(topic="a", payload=payload, arrived_utc=NOW)
        decoded = wire.understand(message, slug="y", sources=(Source.model_validate(mapped),))
        assert decoded.readings[0].value == value, label


def test_spots_stand_in_a_tree_each_branch_named_once():
    inner = {"raw": "0a0b0c", "obj": {"t": 21.5, "h": [60, 61]}, "x.y": 4}
    payload = json.dumps({"at": 1, "up": inner, "end": json.dumps({"a": 2})}).encode()
    assert spots.tree(spots.spots(payload, NOW)) == [
        [(0, "at")],
        [(0, "up"), (1, "raw")],
        [(1, "in raw"), (2, "as hex")],
        [(2, "as base64")],
        [(1, "obj"), (2, "t")],
        [(2, "h"), (3, "all 2")],
        [(3, "[0]")],
        [(3, "[1]")],
        [(1, "x.y")],
        [(0, "end")],
        [(0, "in end"), (1, "a")],
    ]
    assert spots.tree(spots.spots(b"21.5", NOW)) == [[(0, "the payload")]]
    assert spots.tree(spots.spots(b"3;4", NOW)) == [[(0, "column 0")], [(0, "column 1")]]


@pytest.mark.parametrize(
    ("payload", "labels"),
    [
        (b"21.5", ["the payload"]),
        (b"21,5", ["the payload"]),
        (b"2026-05-14;21,5;61", ["column 0", "column 1", "column 2"]),
        (b"\x00\xff\x80", ["the payload"]),
        (b"open", ["the payload", "the payload as base64"]),
        (b"", ["the payload"]),
        (b"[" * 5000, ["the payload"]),
    ],
)
def test_the_spots_of_what_is_not_json(payload, labels):
    assert [one.label for one in spots.spots(payload, NOW)] == labels


def test_a_message_of_thousands_of_values_gives_a_bounded_tree():
    body = {f"k{index}": {"a": index} for index in range(5000)}
    assert len(spots.spots(json.dumps(body).encode(), NOW)) == spots.MOST


# --- a mapping is kept with its history


def test_a_mapping_is_kept_undone_and_redone_and_holds_for_whoever_opens_the_shop(yard, yard_dir):
    made = mappings.add(yard.store, source(), now_utc=NOW, by="Ana", note="the hanging scale")
    with pytest.raises(MappingError, match="mapping 1 says the same"):
        mappings.add(yard.store, source(), now_utc=NOW)
    with shops.open(yard_dir) as other:
        (kept,) = other.config.source
        assert (kept.number, kept.tag) == (1, "FER-01")
        assert pipeline.handle(raw(b'{"g": 96000}', "scale/1"), other) == 1
    mappings.undo(yard.store, made.number, now_utc=NOW + timedelta(hours=1), by="Rui")
    with pytest.raises(NotFound, match="mapping in force"):
        mappings.undo(yard.store, made.number, now_utc=NOW)
    (gone,) = mappings.all_of(yard.store, undone=True)
    assert (gone.by, gone.undone_by, gone.note) == ("Ana", "Rui", "the hanging scale")
    with shops.open(yard_dir) as other:
        assert other.config.source == ()
    mappings.redo(yard.store, made.number)
    assert mappings.all_of(yard.store) == [made]


def test_a_mapping_comes_in_once_with_its_history(yard):
    one = mappings.Mapping(number=7, source=source(), made_utc=NOW, by="Ana", undone_utc=NOW, undone_by="Rui")
    body = json.loads(json.dumps(mappings.to_json(one)))
    brought = mappings.bring_in(yard.store, mappings.from_json(body))
    assert replace(brought, number=7) == one
    assert mappings.bring_in(yard.store, mappings.from_json(body)) is None
    with pytest.raises(MappingError, match="is not known; known: "):
        mappings.from_json({**body, "source": {**body["source"], "colour": "red"}})


def test_a_shop_that_stays_open_goes_on_with_a_new_mapping(yard):
    with Watched(yard) as watched:
        mappings.add(yard.store, source(), now_utc=NOW)
        assert watched.look() == (False, "")
        assert [one.topic for one in watched.shop.config.source] == ["scale/1"]
        mappings.undo(yard.store, 1, now_utc=NOW)
        watched.look()
        assert watched.shop.config.source == ()
    assert yard.register.tags() == ("FER-01",)  # the caller's shop is still open


def test_accounts_at_the_broker_let_only_the_second_ear_hear_everything(yard):
    named = yard.config.model_copy(
        update={"broker": yard.config.broker.model_copy(update={"user": "baulk-{part}"})}
    )
    lines = broker_files.rules(named, ())
    assert lines.split("user baulk-pair\n")[1].split("\n\n")[0].strip() == "topic read #"
    assert lines.count("topic read #") == 1


# --- tried, saved, taken back


def test_a_trial_says_what_each_message_would_be(yard):
    raws = [
        raw(b'{"g": 96000}', "scale/1", retained=True),
        raw(b'{"g": "?"}', "scale/1"),
        raw(b"{}", "scale/1"),
    ]
    good, bad, empty = mapping.trial(yard, source(), raws)
    assert (good.readings[0].value, good.problem) == (96.0, None)
    assert "not a number" in bad.problem
    assert "nothing at 'g'" in empty.problem
    assert list(yard.store.readings(Owner.TIMBER, "FER-01")) == []
    nobody = mapping.trial(yard, source(tag="FER-99"), raws[:1])[0]
    assert "no timber called 'FER-99'" in nobody.problem


def test_what_was_kept_of_a_sensor_is_decoded_again_and_all_of_it_taken_back(yard):
    topic = "baulk/v1/ferry-yard/scale/1"  # under the shop's own level, so that it came and was kept
    for minute, grams in ((0, 96_000), (10, 95_900)):
        body = json.dumps({"g": grams}).encode()
        pipeline.handle(raw(body, topic, arrived=NOW + timedelta(minutes=minute)), yard)
    assert yard.store.quarantine_count() == 2
    asked_for = source(topic=topic)
    later = NOW + timedelta(hours=1)
    assert [one.payload for one in mapping.preview(yard, topic)] == [b'{"g": 96000}', b'{"g": 95900}']
    assert mapping.preview(yard, source().topic) == []  # nobody listened there
    heard = [raw(b'{"g": 95800}', topic, arrived=NOW + timedelta(minutes=20))]
    saved = mapping.save(yard, asked_for, now_utc=later, by="Ana", heard=heard)
    weights = [one.value for one in yard.store.readings(Owner.TIMBER, "FER-01")]
    assert sorted(weights) == [95.8, 95.9, 96.0]
    assert (saved.again.released, yard.store.quarantine_count()) == (2, 0)
    mapping.take_back(yard, saved, now_utc=later, by="Ana")
    assert list(yard.store.readings(Owner.TIMBER, "FER-01")) == []
    assert yard.store.quarantine_count() == 2


def test_a_preview_reads_the_last_messages_of_a_sensor_and_only_the_newest_part_of_the_log(yard, monkeypatch):
    topic = "baulk/v1/ferry-yard/scale/1"
    for minute in range(40):
        at = NOW + timedelta(minutes=minute)
        own = [raw(b'{"g": %d}' % minute, topic, arrived=at)] if minute < 20 else []
        raws = [*own, raw(b"1", "baulk/v1/ferry-yard/other", arrived=at)]
        yard.store.save((), (), taken=Taken(client="a", raws=raws, now_utc=at))
    found = mapping.preview(yard, topic)
    assert [one.payload for one in found] == [b'{"g": %d}' % minute for minute in range(15, 20)]
    monkeypatch.setattr(mapping, "LOOKED_AT", 22)  # the 20 newest are another's, and two of its own
    assert len(mapping.preview(yard, topic)) == 1
    unpacked = []
    real = packed.unpack
    monkeypatch.setattr(raw_parts.packed, "unpack", lambda body: unpacked.append(body) or real(body))
    assert mapping.preview(yard, "nobody/#") == []
    assert len(unpacked) == 21


# --- a real broker


@pytest.mark.broker
def test_a_sensor_is_met_mapped_and_read_without_a_restart(broker_yard_dir, listen, sensor):
    listening = listen(broker_yard_dir)
    assert listening.ready.wait(60)

    def send(grams, *, retain=False):
        sensor.publish("shed/scale", json.dumps({"g": grams}), qos=1, retain=retain).wait_for_publish(5)

    with shops.open(broker_yard_dir) as shop:
        send(96_300)  # nobody hears it
        now = datetime.now(UTC)
        asked.begin(shop.store, now, by="Ana")
        assert until(lambda: asked.heard(shop.store).at_utc is not None)
        sensor.publish("baulk/v1/ferry-yard/air/shed", "[]", qos=1).wait_for_publish(5)  # our own: not shown

        def heard():
            send(96_200)
            return asked.heard(shop.store).of("shed/#")

        assert until(lambda: len(heard()) >= 2)
        found = asked.heard(shop.store)
        assert {one.topic for one in found.messages} == {"shed/scale"}
        saved = mapping.save(
            shop, source(topic="shed/scale"), now_utc=datetime.now(UTC), heard=found.of("shed/scale")
        )
        assert saved.readings
        count = len(list(shop.store.readings(Owner.TIMBER, "FER-01")))
        assert count == len({one.taken_utc for one in saved.readings})
        asked.end(shop.store)
        assert until(lambda: "the mappings of sensors have changed" in " ".join(listening.said))

        def comes():
            send(96_100)
            return 96.1 in {one.value for one in shop.store.readings(Owner.TIMBER, "FER-01")}

        assert until(comes)
        assert asked.heard(shop.store).at_utc is None  # forgotten, and the second ear is closed
        mappings.undo(shop.store, 1, now_utc=datetime.now(UTC))


@pytest.mark.broker
def test_of_two_listeners_one_meets_the_sensor_and_the_other_goes_on_when_it_is_gone(
    broker_yard_dir, listen, sensor, monkeypatch
):
    monkeypatch.setattr(pairing_watch, "_TURN", timedelta(seconds=2))
    path = broker_yard_dir / "baulk.toml"
    path.write_text(path.read_text().replace("[broker]", '[broker]\nshare = "yard"'))
    listening = {number: listen(broker_yard_dir, number=number) for number in (1, 2)}
    assert all(one.ready.wait(60) for one in listening.values())

    with shops.open(broker_yard_dir) as shop:
        asked.begin(shop.store, datetime.now(UTC))

        def comes(topic):
            sensor.publish(topic, "open", qos=1).wait_for_publish(5)
            return asked.heard(shop.store).of(topic)

        assert until(lambda: comes("shed/door"), 30)
        first = asked.ear(shop.store)[0]  # number 1, unless this machine is too busy to let it speak in time
        listening[first].end()
        assert until(lambda: comes("shed/scale") and asked.ear(shop.store)[0] == 3 - first, 30)
        assert asked.heard(shop.store).of("shed/door")  # what the other has heard stays


@pytest.mark.parametrize(("number", "known", "silent_s", "mine"), [
    (1, None, 0, True), (2, None, 2, False), (2, None, 3, True), (2, 1, 5, False), (2, 1, 6, True),
    (1, 2, 2, False), (1, 2, 3, True), (2, 2, 0, True),
])  # fmt: skip
def test_listeners_take_turns_without_meeting_each_other(yard, number, known, silent_s, mine):
    begun = asked.begin(yard.store, NOW)
    if known is not None:
        asked.keep_ear(yard.store, known, NOW)
    now = NOW + timedelta(seconds=silent_s)
    watch = pairing_watch.PairingWatch(yard, connection.V5, lambda: now, number=number)
    assert watch._is_my_turn(begun) is mine


# --- one sensor in the place of another


def test_a_new_sensor_that_moves_goes_on_where_the_old_one_was(yard):
    pins = {"topic": "pins/+", "value": "mc", "quantity": "moisture", "unit": "percent", "sensor": "{1}"}
    mappings.add(yard.store, mappings.read(pins), now_utc=NOW)
    shop = shops.read_mappings(yard)
    day = timedelta(days=1)
    put_on = {"now_utc": NOW, "at_utc": NOW - 5 * day, "depth_mm": 45.0, "from_end_mm": 300.0}
    operations.attach_sensor(shop, "S7", "FER-01", **put_on)
    pipeline.handle(raw(b'{"mc": 41}', "pins/S7", arrived=NOW - 3 * day), shop)
    pipeline.handle(raw(b'{"mc": 40}', "pins/S9", arrived=NOW - day), shop)  # waits: it is on nothing yet
    done = replaced.replace(shop, "S7", "S9", now_utc=NOW, at_utc=NOW - 2 * day, by="Ana")
    assert done.tag == "FER-01"
    found = list(shop.store.readings(Owner.TIMBER, "FER-01"))
    assert [(one.value, "end-300" in one.flags) for one in found] == [(41, True), (40, True)]
    assert len({one.series for one in found}) == 1  # one series goes on
    assert shop.register.attachments().find("S7", NOW) is None


def test_a_new_topic_takes_over_the_mappings_of_the_old_one(yard):
    mappings.add(yard.store, source(), now_utc=NOW, note="the hanging scale")
    (made,) = replaced.replace(yard, "scale/1", "scale/2", now_utc=NOW, at_utc=NOW).mappings
    assert (made.source, made.note) == (source(topic="scale/2"), "the hanging scale")
    assert mappings.all_of(yard.store) == [made]
    with pytest.raises(NotFound, match="scale/1"):
        replaced.replace(yard, "scale/1", "scale/3", now_utc=NOW, at_utc=NOW)
    with pytest.raises(MappingError, match="can't replace itself"):
        replaced.replace(yard, "scale/2", "scale/2", now_utc=NOW, at_utc=NOW)


OWN = "baulk/v1/ferry-yard/scale/"  # under the shop's own level, so that what came there was kept


@pytest.fixture(params=sorted(STORES))
def any_store(request, tmp_path):
    with shops.open(folder_of(request.param, request, tmp_path)) as opened:
        opened.register.add(timber())
        yield opened


def weights(shop):
    return sorted(one.value for one in shop.store.readings(Owner.TIMBER, "FER-01"))


def came(shop, which, grams, hour):
    pipeline.handle(raw(b'{"g": %d}' % grams, f"{OWN}{which}", arrived=NOW + timedelta(hours=hour)), shop)


def test_what_was_kept_of_a_new_topic_joins_the_series_of_the_old_one(any_store):
    mappings.add(any_store.store, source(topic=f"{OWN}1"), now_utc=NOW)
    shop = shops.read_mappings(any_store)
    came(shop, "2", 500, 0)  # on the bench, while the old one still weighs the timber
    came(shop, "1", 96_000, 1)
    came(shop, "2", 95_900, 2)
    came(shop, "2", 95_800, 3)
    assert (weights(shop), shop.store.quarantine_count()) == ([96.0], 3)
    later = NOW + timedelta(hours=4)
    done = replaced.replace(shop, f"{OWN}1", f"{OWN}2", now_utc=later)
    assert (weights(shop), shop.store.quarantine_count()) == ([95.8, 95.9, 96.0], 1)
    assert done.came.count == 2
    replaced.take_back(shop, done, now_utc=later)
    assert (weights(shop), shop.store.quarantine_count()) == ([96.0], 3)
    assert [one.source.topic for one in mappings.all_of(shop.store)] == [f"{OWN}1"]


def test_what_an_old_topic_sent_after_it_was_replaced_waits_and_comes_back(any_store):
    mappings.add(any_store.store, source(topic=f"{OWN}1"), now_utc=NOW)
    shop = shops.read_mappings(any_store)
    for which, grams, hour in (("1", 96_000, 1), ("2", 95_900, 3), ("1", 91_000, 4), ("2", 95_800, 5)):
        came(shop, which, grams, hour)  # the old one went on, on the bench
    now, at = NOW + timedelta(hours=6), NOW + timedelta(hours=2)
    done = replaced.replace(shop, f"{OWN}1", f"{OWN}2", now_utc=now, at_utc=at)
    assert (weights(shop), shop.store.quarantine_count()) == ([95.8, 95.9, 96.0], 1)
    replaced.take_back(shop, done, now_utc=now)
    assert (weights(shop), shop.store.quarantine_count()) == ([91.0, 96.0], 2)


def test_what_was_heard_of_a_new_topic_comes_in_and_goes_out_with_the_replacement(yard, monkeypatch):
    mappings.add(yard.store, source(), now_utc=NOW)
    heard = asked.Heard(messages=(raw(b'{"g": 95700}', "scale/2"), raw(b"{}", "scale/3")))
    monkeypatch.setattr(asked, "heard", lambda _store: heard)
    done = replaced.replace(yard, "scale/1", "scale/2", now_utc=NOW)
    assert weights(yard) == [95.7]
    replaced.take_back(yard, done, now_utc=NOW)
    assert weights(yard) == []


def test_a_sensor_put_in_the_place_of_another_can_be_taken_back(yard):
    day = timedelta(days=1)
    operations.attach_sensor(
        yard, "S7", "FER-01", now_utc=NOW, at_utc=NOW - 5 * day, depth_mm=45.0, from_end_mm=300.0
    )
    pack = json.dumps([{"n": "wood-temp", "u": "Cel", "v": 18}]).encode()
    pipeline.handle(raw(pack, "baulk/v1/ferry-yard/sensor/S9", arrived=NOW - day), yard)
    assert replaced.can_be_replaced(yard, NOW) == ["S7"]
    assert replaced.can_replace(yard, "S7", NOW) == ["S9"]  # it has spoken and is on nothing
    done = replaced.replace(yard, "S7", "S9", now_utc=NOW, at_utc=NOW - 2 * day)
    assert replaced.can_be_replaced(yard, NOW) == ["S9"]
    assert len(yard.store.readings(Owner.TIMBER, "FER-01")) == 1
    replaced.take_back(yard, done, now_utc=NOW, by="Ana")
    assert yard.register.attachments().find("S7", NOW).depth_mm == 45.0
    assert yard.register.attachments().find("S9", NOW) is None
    assert len(yard.store.readings(Owner.TIMBER, "FER-01")) == 0  # it waits again
    operations.attach_sensor(yard, "S9", "FER-01", now_utc=NOW, at_utc=NOW - 3 * day, depth_mm=20.0)
    with pytest.raises(MappingError, match="S9 is on FER-01; take it off there first"):
        replaced.replace(yard, "S7", "S9", now_utc=NOW, at_utc=NOW - 2 * day)
    assert yard.register.attachments().find("S7", NOW) is not None  # nothing half done


def test_mappings_come_back_with_a_replacement_that_is_taken_back(yard):
    mappings.add(yard.store, source(), now_utc=NOW)
    before = mappings.all_of(yard.store)
    assert replaced.can_be_replaced(yard, NOW) == ["scale/1"]
    done = replaced.replace(yard, "scale/1", "scale/2", now_utc=NOW, at_utc=NOW)
    replaced.take_back(yard, done, now_utc=NOW)
    assert mappings.all_of(yard.store) == before
