"""What rule and gauge say by MQTT: entered once, asked about where it is unlikely, and never lost."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta

import jsonschema
import pytest

from baulk.ingest import decode_again, operations, pipeline
from baulk.ingest.mqtt import message_schema
from baulk.ingest.store.rejected import Cause, Which
from baulk.models.timber import BEFORE, BY_MESSAGE, DETAILS, EventKind

from .conftest import NOW, raw, timber

AT = "2026-05-14T09:30:00Z"
TOPIC = "baulk/v1/ferry-yard/timber/{}/event"
SCHEMA = message_schema.json_schema()["event"]
# one of each kind, with every detail that it can carry
WHOLE = {
    EventKind.MEASURED: {
        "width_mm": 201.5, "face": "a", "from_end_mm": 600, "bow_mm": 6, "crook_mm": 4, "twist_mm": 3,
        "length_mm": 2700, "cup_mm": 2, "out_of_square_mm": 1.5, "check_mm": 20, "wane_mm": 8,
        "depth_mm": 176,
        "wane_ab_mm": 20, "wane_ab_down_mm": 10,
        "wane_bc_mm": 21, "wane_bc_down_mm": 11,
        "wane_cd_mm": 22, "wane_cd_down_mm": 12,
        "wane_da_mm": 23, "wane_da_down_mm": 13,
    },
    EventKind.CHECKED: {
        "face": "b", "opening": "shake", "name": "long one", "length_mm": 610, "width_mm": 3.2,
        "depth_mm": 51, "from_end_mm": 300, "since": "2026-05-01", "from_d_mm": 60, "from_a_mm": 70,
    },
    EventKind.DEFECT: {
        "what": "knot", "from_d_mm": 40, "from_a_mm": 30, "width_mm": 25, "depth_mm": 35, "name": "upper",
        "from_end_mm": 300,
    },
    EventKind.KERFED: {"face": "c", "depth_mm": 70, "width_mm": 4.5},
    EventKind.COATED: {"faces": "ac", "coat": "wax"},
    EventKind.END_SEALED: {},
    EventKind.FITTED: {}, EventKind.PRIMED: {}, EventKind.BEDDED: {}, EventKind.LAUNCHED: {},
}  # fmt: skip


def told(kind, detail, tag="FER-01", *, at=AT, arrived=NOW, **more):
    body = {"kind": str(kind), "at_utc": at, "detail": detail, **more}
    return raw(json.dumps(body), TOPIC.format(tag), arrived=arrived)


def of(shop, kind, tag="FER-01"):
    return shop.register.events(tag, kind=EventKind(kind))


def waiting(shop):
    return [(row.cause, row.reason) for row in shop.store.quarantined()]


def test_a_message_of_each_kind_is_covered():
    assert WHOLE.keys() == BY_MESSAGE
    for kind, detail in WHOLE.items():
        assert detail.keys() == {name.removesuffix("?") for name in DETAILS[kind]}


@pytest.mark.parametrize("kind", sorted(WHOLE))
def test_everything_that_a_kind_can_say_comes_by_message_and_fits_the_schema(yard, kind):
    detail = dict(WHOLE[kind])
    if kind is EventKind.MEASURED:  # a width lies along a, a depth along b
        del detail["depth_mm"]
    for before in BEFORE.get(kind, ()):  # a stage that comes first
        pipeline.handle(told(before, {}), yard)
    message = told(kind, detail, by="Ann", note="cold day")
    jsonschema.validate(json.loads(message.payload), SCHEMA, jsonschema.Draft202012Validator)
    assert pipeline.handle(message, yard) == 0
    (event,) = of(yard, kind)
    assert event.detail == detail
    assert (event.by, event.note, event.at_utc, event.noted_utc) == ("Ann", "cold day", NOW, NOW)
    assert not waiting(yard)


@pytest.mark.parametrize(
    "detail",
    [
        {"faces": "b", "coat": "wrap"},
        {"faces": "", "coat": "wrap"},
    ],
)
def test_a_wrap_goes_on_and_off(yard, detail):
    pipeline.handle(told("coated", detail), yard)
    assert of(yard, "coated")[0].detail == detail


def test_sent_twice_it_is_entered_once_also_when_it_was_taken_back(yard):
    message = told("measured", {"bow_mm": 6, "from_end_mm": 900}, by="Ann")
    pipeline.handle_batch([message, message], yard)
    pipeline.handle(replace(message, arrived_utc=NOW + timedelta(hours=2), again=True), yard)
    (event,) = of(yard, "measured")
    operations.undo(yard, event.number, by="Bo", now_utc=NOW)
    pipeline.handle(replace(message, retained=True), yard)
    assert not of(yard, "measured")
    assert not waiting(yard)
    pipeline.handle(told("measured", {"bow_mm": 6, "length_mm": 1500}), yard)  # over another length
    assert len(of(yard, "measured")) == 1


def test_the_same_ten_minutes_later_waits_for_a_person(yard):
    for minutes in (0, 10):
        at = NOW + timedelta(minutes=minutes)
        pipeline.handle(told("kerfed", {"face": "a", "depth_mm": 60}, at=at.isoformat(), arrived=at), yard)
    assert len(of(yard, "kerfed")) == 1
    ((cause, why),) = waiting(yard)
    assert cause is Cause.UNLIKELY
    assert "Was it entered twice?" in why
    assert pipeline.replay(yard).left == 1  # a retry without a word is no word
    assert pipeline.replay(yard, Which(cause=Cause.UNLIKELY), confirmed_by="Ida").events == 1
    assert len(of(yard, "kerfed")) == 2
    assert not waiting(yard)


def test_what_can_hardly_be_meant_waits_with_its_limit_and_outlives_the_cleaning(yard):
    pipeline.handle(told("checked", {"face": "a", "width_mm": 40}, by="Ann", note="by torch"), yard)
    ((cause, why),) = waiting(yard)
    assert cause is Cause.UNLIKELY
    assert "40 mm" in why
    yard.store.trim_quarantine(0, NOW + timedelta(days=400), NOW)
    assert pipeline.replay(yard, confirmed_by="Ida").settled == 1
    (event,) = of(yard, "checked")
    assert (event.detail["width_mm"], event.by, event.note) == (40, "Ann", "by torch; taken as right by Ida")


def test_what_is_likely_says_nothing_of_who_tried_it_again(yard):
    pipeline.handle(told("checked", {"face": "a", "width_mm": 2}, tag="FER-02"), yard)
    yard.register.add(timber("FER-02"))
    assert pipeline.replay(yard, confirmed_by="Ida").events == 1
    (event,) = of(yard, "checked", "FER-02")
    assert event.note == ""


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ({"kind": "retired", "at_utc": AT, "detail": {}}, "none of kind 'retired'"),
        ({"kind": "kerfed", "at_utc": AT, "detail": {"face": "a", "depth_mm": 900}}, "kerf"),
        ({"kind": "kerfed", "at_utc": AT, "detail": {"depth_mm": 30}}, "needs face"),
        ({"kind": "measured", "at_utc": "2026-05-14 09:30", "detail": {"bow_mm": 3}}, "with its zone"),
        ({"kind": "measured", "detail": {"bow_mm": 3}}, "with its zone"),
        ({"kind": "measured", "at_utc": AT, "detail": {"bow_mm": "3"}}, "not a number"),
        ({"kind": "measured", "at_utc": AT, "detail": {"bow": 3}}, "one line of text"),
        ({"kind": "measured", "at_utc": AT, "detail": {"sag_mm": 3}}, "does not know sag_mm"),
        ({"kind": "measured", "at_utc": AT, "detail": [3]}, "names and values"),
        ({"kind": "measured", "at_utc": AT, "detail": {"bow_mm": 3}, "who": "A"}, "no 'who'"),
        ({"kind": "measured", "at_utc": AT, "detail": {"bow_mm": 3}, "by": 4}, "plain text"),
        ({"kind": "measured", "at_utc": "2027-05-14T09:30:00Z", "detail": {"bow_mm": 3}}, "future"),
        ({"kind": "measured", "at_utc": "2020-05-14T09:30:00Z", "detail": {"bow_mm": 3}}, "before FER-01"),
        ([1], "JSON object"),
    ],
)
def test_what_cannot_be_is_kept_with_its_sentence(yard, body, says):
    pipeline.handle(raw(json.dumps(body), TOPIC.format("FER-01")), yard)
    ((cause, why),) = waiting(yard)
    assert cause in {Cause.NOT_UNDERSTOOD, Cause.IMPOSSIBLE}
    assert says in why
    assert [each.kind for each in yard.register.events("FER-01")] == [EventKind.ARRIVED]


def test_an_event_waits_for_its_timber(yard):
    pipeline.handle(told("end-sealed", {}, "FER-02"), yard)
    assert yard.store.quarantined()[0].waits_for == "FER-02"
    operations.add_timber(yard, timber("FER-02"), sure=True, new_place=True)
    assert len(of(yard, "end-sealed", "FER-02")) == 1
    assert not waiting(yard)


def test_decoding_again_neither_enters_nor_loses_an_event(yard):
    pipeline.handle(told("measured", {"cup_mm": 1}), yard)
    pipeline.handle(told("checked", {"face": "a", "width_mm": 40}), yard)
    found = decode_again.put_right(yard, NOW + timedelta(days=1))
    assert not found.anything
    assert [len(of(yard, "measured")), len(of(yard, "checked")), len(waiting(yard))] == [1, 0, 1]
