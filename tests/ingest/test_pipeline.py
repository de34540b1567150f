"""From message to store: what is understood is kept, what is not goes to quarantine and can be replayed."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from baulk.ingest import checks, hand_readings, operations, pipeline, routing, shop
from baulk.ingest.wire import RawMessage
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series
from baulk.models.section import Finished, Section
from baulk.models.timber import Place, Timber

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
HOUR = timedelta(hours=1)


def oak(tag):
    return Timber(
        tag=tag,
        species="white oak",
        section=Section(width_mm=203, depth_mm=178),
        length_mm=2700,
        finished=Finished(width_mm=152, depth_mm=152),
        use_class="frame-outdoors",
        place="shed",
        arrived_utc=NOW,
    )


def sent(pack, where="timber/FER-01", arrived=NOW, *, retained=False):
    payload = pack if isinstance(pack, bytes) else json.dumps(pack).encode()
    topic = f"baulk/v1/ferry-yard/{where}"
    return RawMessage(topic=topic, payload=payload, arrived_utc=arrived, retained=retained)


def weight(kg, **more):
    return {"n": "weight", "u": "kg", "v": kg, **more}


def test_a_reading_of_a_known_timber_is_stored(yard):
    assert pipeline.handle(sent([weight(96)]), yard) == 1
    assert [one.value for one in yard.store.latest(Owner.TIMBER, "FER-01")] == [96]
    assert yard.store.quarantine_count() == 0


def test_the_same_message_again_changes_nothing(yard):
    message = sent([weight(96, t=NOW.timestamp())])
    assert [pipeline.handle(message, yard), pipeline.handle(message, yard)] == [1, 0]
    assert len(yard.store.readings(Owner.TIMBER, "FER-01")) == 1


def test_gauges_of_one_timber_keep_apart_by_their_places(yard):
    pack = [
        {"bt": NOW.timestamp(), "bu": "m", "n": "width", "v": 0.2021},
        {"n": "a/width", "v": 0.2022},
        {"n": "end-600/a/width", "v": 0.2023},
        {"n": "timber/FER-01/end-900/b/depth", "v": 0.1774},
    ]
    assert pipeline.handle(sent(pack), yard) == 4
    assert {str(one.series): round(one.value, 3) for one in yard.store.latest(Owner.TIMBER, "FER-01")} == {
        "timber/FER-01/width": 202.1,
        "timber/FER-01/a/width": 202.2,
        "timber/FER-01/end-600/a/width": 202.3,
        "timber/FER-01/end-900/b/depth": 177.4,
    }
    wrong = [
        {"bu": "m", "n": "b/width", "v": 0.2},
        {"n": "end-9000/depth", "v": 0.17},
        {"n": "width", "v": 0.028},
    ]
    assert pipeline.handle(sent(wrong), yard) == 0
    reasons = " ".join(one.reason for one in yard.store.quarantined())
    assert "along face a or c, not b" in reasons
    assert "lies beyond the piece" in reasons
    assert "a width of 28.0 mm is none of this timber" in reasons


def test_an_unknown_tag_waits_in_quarantine_until_the_timber_is_entered(yard):
    assert pipeline.handle(sent([weight(80)], "timber/FER-02"), yard) == 0
    (row,) = yard.store.quarantined()
    assert row.reason.startswith("no timber called 'FER-02'")
    assert (row.waits_for, yard.store.replayable_tags()) == ("FER-02", [])
    assert operations.add_timber(yard, oak("FER-02")) == 1
    (reading,) = yard.store.readings(Owner.TIMBER, "FER-02")
    assert (reading.value, reading.taken_utc) == (80, NOW)
    assert yard.store.quarantine_count() == 0


def test_a_tag_entered_elsewhere_is_replayed_by_hand(yard):
    for hour in range(3):
        pipeline.handle(sent([weight(80 - hour)], "timber/FER-02", NOW + hour * HOUR), yard)
    yard.register.add(oak("FER-02"))
    assert yard.store.replayable_tags() == ["FER-02"]
    assert pipeline.replay(yard).stored == 3
    assert (yard.store.quarantine_count(), yard.store.replayable_tags()) == (0, [])


def test_a_message_that_is_wrong_in_another_way_too_stays_but_its_good_part_is_stored(yard):
    pipeline.handle(sent([weight(80), {"n": "temp", "v": 1}], "timber/FER-02"), yard)
    assert operations.add_timber(yard, oak("FER-02")) == 1
    assert (yard.store.quarantine_count(), yard.store.replayable_tags()) == (1, [])


def test_a_tag_entered_by_another_program_counts_at_once(yard, yard_dir):
    assert pipeline.handle(sent([weight(96)]), yard) == 1
    with shop.open(yard_dir) as other:
        other.register.add(oak("FER-02"))
    assert pipeline.handle(sent([weight(80)], "timber/FER-02"), yard) == 1
    assert yard.store.quarantine_count() == 0


def test_a_batch_with_a_reading_twice_stores_it_once_and_the_rest_too(yard):
    first, second = (sent([weight(96 - k, t=NOW.timestamp() - k)]) for k in range(2))
    other = sent([weight(70, t=NOW.timestamp())])
    assert pipeline.handle_batch([first, first, second, other], yard) == 2
    assert [one.value for one in yard.store.readings(Owner.TIMBER, "FER-01")] == [95, 96]
    (row,) = yard.store.quarantined()
    assert "is stored as 96 kg already and came again as 70 kg" in row.reason


def test_a_place_may_send_air_once_it_is_entered(yard):
    air = sent([{"n": "temp", "u": "Cel", "v": 21}], "air/new-loft")
    assert pipeline.handle(air, yard) == 0
    assert operations.add_place(yard, Place(name="new-loft")) == 1


@pytest.mark.parametrize(
    ("where", "record", "words"),
    [
        ("air/shed", {"n": "temp", "u": "Cel", "v": 68}, "it looks like Fahrenheit (68 degF is 20.0 degC)"),
        ("air/shed", {"n": "temp", "u": "Cel", "v": 293.15}, "it looks like kelvin (20.0 degC)"),
        ("air/shed", {"n": "temp", "u": "Cel", "v": -127}, "lies outside -40 to 50 degC"),
        ("air/shed", {"n": "humidity", "u": "%RH", "v": 999.9}, "lies outside 0 to 110 %RH"),
        ("timber/FER-01", {"n": "pin-45/moisture", "u": "%", "v": 28}, "percent sent as a ratio"),
        ("timber/FER-01", {"n": "weight", "u": "kg", "v": -3}, "lies outside"),
        ("timber/FER-01", {"n": "pin-45/resistance", "u": "Ohm", "v": 0}, "lies outside"),
    ],
)
def test_a_value_that_cannot_be_is_quarantined_with_its_reason(yard, where, record, words):
    assert pipeline.handle(sent([record], where), yard) == 0
    (row,) = yard.store.quarantined()
    assert words in row.reason
    assert json.loads(row.raw.payload) == [record]


def test_kelvin_is_converted(yard):
    assert pipeline.handle(sent([{"n": "temp", "u": "K", "v": 294.25}], "air/shed"), yard) == 1
    assert yard.store.latest(Owner.AIR, "shed")[0].value == 21.1


@pytest.mark.parametrize(
    "payload", [b"", b"\xff\xfe", b"{", b"[]", b"null", b'[{"n":"weight","u":"kg","v":NaN}]']
)
def test_malformed_payloads_are_kept_with_their_bytes(yard, payload):
    assert pipeline.handle(sent(payload), yard) == 0
    (row,) = yard.store.quarantined()
    assert row.raw == sent(payload)
    assert "\n" not in row.reason


def test_a_mistake_of_our_own_keeps_the_message(yard, monkeypatch):
    monkeypatch.setattr(pipeline.senml_quick, "read", lambda *_a, **_k: 1 / 0)
    assert pipeline.handle(sent([weight(97)], arrived=NOW - HOUR), yard) == 1
    monkeypatch.setattr(routing.wire, "understand", lambda *_a, **_k: 1 / 0)
    assert pipeline.handle(sent([weight(96)]), yard) == 0
    assert "Baulk itself failed" in yard.store.quarantined()[0].reason


def test_a_retained_replay_is_not_news(yard):
    pipeline.handle(sent([weight(96)], retained=True), yard)
    assert (yard.store.series(), yard.store.quarantine_count()) == ([], 0)


@pytest.fixture(scope="module")
def one_yard(tmp_path_factory):
    folder = shop.init(tmp_path_factory.mktemp("any") / "yard", name="Ferry yard")
    with shop.open(folder) as opened:
        opened.register.add(oak("FER-01"))
        yield opened


_KEYS = ["n", "bn", "u", "bu", "v", "bv", "t", "bt", "s", "bs", "vs", "vb", "vd", "ut", "bver", "x_", "x"]
_VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=8),
    st.sampled_from(["weight", "pin-45/b/moisture", "Cel", "kg", "/", "temp"]),
)
_PACKS = st.lists(st.dictionaries(st.sampled_from(_KEYS), _VALUES, max_size=6), max_size=4)
_PAYLOADS = st.one_of(
    st.binary(max_size=200), _PACKS.map(lambda pack: json.dumps(pack).encode("utf-8", "surrogatepass"))
)


@settings(max_examples=300, deadline=None)
@given(payload=_PAYLOADS, turn=st.integers(0, 10**9))
def test_any_bytes_end_in_the_store_or_in_quarantine(one_yard, payload, turn):
    message = sent(payload, arrived=NOW + timedelta(seconds=turn))
    plan = routing.route(message, one_yard, frozenset(one_yard.register.tags()))
    assert plan.readings or plan.reason or _only_bases(payload)
    pipeline.handle(message, one_yard)
    assert pipeline.handle(message, one_yard) == 0  # once more adds nothing
    quarantined = one_yard.store.quarantined(10**6)
    if plan.reason is not None:
        assert any((row.raw, row.reason) == (message, plan.reason) for row in quarantined)
    stored = {(one.series, one.taken_utc) for one in one_yard.store.readings(Owner.TIMBER, "FER-01")}
    assert {(one.series, one.taken_utc) for one in plan.readings} <= stored


def _only_bases(payload):
    """A pack that sets base fields and says nothing."""
    return all(not set(record) - {"bn", "bt", "bu", "bv", "bs", "bver"} for record in json.loads(payload))


def flags_of(yard, *readings):
    return [one.flags for one in checks.flag(readings, yard.store)]


def taken(text, value, hours=0.0):
    when = NOW + timedelta(hours=hours)
    return Reading(series=Series.parse(text), value=value, taken_utc=when, arrived_utc=when)


PIN = "timber/FER-01/pin-45/b/moisture"


@pytest.mark.parametrize(
    ("reading", "flags"),
    [
        (taken(PIN, 34), ("above-fsp",)),
        (taken(PIN, 30), ()),
        (taken(PIN, 5), ("below-meter",)),
        (taken("air/shed/humidity", 100), ("wet-sensor",)),
        (taken("air/shed/humidity", 98), ()),
    ],
)
def test_a_check_flags_and_keeps(yard, reading, flags):
    assert flags_of(yard, reading) == [flags]
    assert yard.store.append(checks.flag([reading], yard.store)) == 1


def test_a_jump_within_a_day_is_flagged_against_the_stored_reading(yard):
    yard.store.append([taken(PIN, 24)])
    assert flags_of(yard, taken(PIN, 18, 2), taken(PIN, 17, 3)) == [("jump",), ()]
    assert flags_of(yard, taken(PIN, 18, 48)) == [()]


def test_a_timber_that_gains_weight_is_flagged(yard):
    yard.store.append([taken("timber/FER-01/weight", 90)])
    assert flags_of(yard, taken("timber/FER-01/weight", 93, 24)) == [("weight-gain",)]
    assert flags_of(yard, taken("timber/FER-01/weight", 89, 24)) == [()]


def test_a_reading_by_hand_is_as_good_as_any(yard):
    series = Series.parse(PIN)
    assert hand_readings.add(yard, series, 27.5, now_utc=NOW, taken_utc=NOW - HOUR)
    (reading,) = yard.store.latest(Owner.TIMBER, "FER-01")
    assert (reading.value, reading.source, reading.taken_utc) == (27.5, "hand", NOW - HOUR)


def test_a_reading_by_hand_that_cannot_be_is_refused(yard):
    series = Series.parse(PIN)
    with pytest.raises(OutOfRange, match="lies outside"):
        hand_readings.add(yard, series, 900, now_utc=NOW)
    with pytest.raises(OutOfRange, match="between the year 2000 and now"):
        hand_readings.add(yard, series, 20, now_utc=NOW, taken_utc=NOW + HOUR)
    with pytest.raises(NotFound, match=r"did you mean|known"):
        hand_readings.add(yard, Series.parse("timber/FER-09/weight"), 20, now_utc=NOW)
    assert yard.store.series() == []
