"""A walk: the order of the yard, what is likely, lines as people write them, each entry stored once."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from baulk.ingest import correction_notes, corrections
from baulk.ingest import shop as shops
from baulk.ingest.errors import ExchangeError
from baulk.ingest.evaluation.document import Interval
from baulk.ingest.store import notes
from baulk.ingest.walk import entries, lines, plausible, yard
from baulk.ingest.walk.entries import Entry, State
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import AT_LEAST, Reading, Series
from baulk.models.section import Face, Finished, Section
from baulk.models.timber import Timber

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
WALK = "walk-of-monday"


@pytest.fixture
def shop(yard_dir):
    with shops.open(yard_dir) as opened:
        opened.register.add(timber())
        yield opened


def timber():
    return Timber(
        tag="FER-01",
        species="white oak",
        section=Section(width_mm=203.2, depth_mm=177.8),
        length_mm=2743.2,
        finished=Finished(width_mm=152.4, depth_mm=152.4),
        use_class="frame-outdoors",
        place="shed",
        arrived_utc=NOW - timedelta(days=30),
    )


def pins(number, value=21.0, **more):
    given = {"tag": "FER-01", "quantity": Quantity.MOISTURE, "value": value, "depth_mm": 32.0}
    return Entry(id=f"entry-{number:04}", **(given | more))


def weight(number, kg, **more):
    return Entry(id=f"entry-{number:04}", tag="FER-01", quantity=Quantity.WEIGHT, value=kg, **more)


def states(found):
    return [each.state for each in found]


def stored(shop):
    return shop.store.readings(Owner.TIMBER, "FER-01")


def weighed(shop, kg, days_ago):
    at = NOW - timedelta(days=days_ago)
    series = Series(owner=Owner.TIMBER, name="FER-01", quantity=Quantity.WEIGHT)
    shop.store.append([Reading(series=series, value=kg, taken_utc=at, arrived_utc=at)])


def test_what_is_sent_twice_is_stored_once(shop):
    batch = [pins(1), pins(2, 22.5, face=Face.B), weight(3, 96.0)]
    first = entries.take(shop, WALK, batch, now_utc=NOW)
    assert states(first) == [State.STORED] * 3
    again = entries.take(shop, WALK, batch, now_utc=NOW + timedelta(hours=5))
    assert states(again) == [State.KNOWN] * 3
    assert [each.reading.taken_utc for each in again] == [each.reading.taken_utc for each in first]
    assert len(stored(shop)) == 3


def test_what_was_cut_short_between_note_and_store_is_stored_with_its_first_time(shop, monkeypatch):
    def cut(*_args, **_named):
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(entries.hand_readings, "add", cut)
        with pytest.raises(KeyboardInterrupt):
            entries.take(shop, WALK, [pins(1, ago_s=60)], now_utc=NOW)
    (again,) = entries.take(shop, WALK, [pins(1, ago_s=7260)], now_utc=NOW + timedelta(hours=3))
    assert again.state is State.STORED
    assert stored(shop)[0].taken_utc == NOW - timedelta(seconds=60)


def test_a_phone_whose_clock_is_a_year_off_is_put_right_by_what_it_says_of_now(shop):
    body = {
        "walk": WALK,
        "sent_ms": 1_000_000_000_000,
        "entries": [
            {"id": "entry-0001", "tag": "FER-01", "kind": "pins", "shown": "21", "depth_mm": 32,
             "face": "b", "at_ms": 1_000_000_000_000 - 90_000},
            {"id": "entry-0002", "tag": "FER-01", "kind": "weight", "kg": 96.0,
             "at_ms": 1_000_000_000_000 + 50_000},  # its clock went back meanwhile
        ],
    }  # fmt: skip
    walk, given, refused = entries.from_json(body)
    assert refused == ()
    found = entries.take(shop, walk, given, now_utc=NOW)
    assert [each.reading.taken_utc for each in found] == [NOW - timedelta(seconds=90), NOW]


def test_one_bad_entry_holds_up_no_other_and_what_is_no_batch_is_refused(shop):
    good = {"id": "entry-0001", "tag": "fer-01", "kind": "pins", "shown": "OL", "depth_mm": 32, "at_ms": 0}
    rows = [
        good,
        {**good, "id": "entry-0002", "shown": "wet"},
        {**good, "id": "no"},
        {**good, "id": "entry-0004", "tag": "FER-99"},
        {**good, "id": "entry-0005", "depth_mm": 635},
        {**good, "id": "entry-0006", "depth_mm": None},
        {**good, "id": "entry-0007", "shown": "500"},
        17,
    ]
    walk, given, refused = entries.from_json({"walk": WALK, "sent_ms": 0, "entries": rows})
    assert [each.id for each in refused] == ["entry-0002", "no", ""]
    found = entries.take(shop, walk, given, now_utc=NOW)
    assert states(found) == [State.STORED, *[State.REFUSED] * 3, State.ASKS]
    assert "FER-01" in found[1].why
    assert "635 mm lies outside" in found[2].why
    assert AT_LEAST in stored(shop)[0].flags
    for body in (None, [], {"entries": 5}):
        with pytest.raises(ExchangeError, match="not as a walk sends it"):
            entries.from_json(body)
    with pytest.raises(OutOfRange, match="named by 8 to 64"):
        entries.take(shop, "../x", [], now_utc=NOW)


def test_an_unlikely_weight_is_asked_about_and_an_impossible_one_refused_however_sure(shop):
    weighed(shop, 100.0, 7)
    (asked,) = entries.take(shop, WALK, [weight(1, 128.0)], now_utc=NOW)
    assert (asked.state, asked.reason.code) == (State.ASKS, "plausible.heavier")
    assert len(stored(shop)) == 1
    (sure,) = entries.take(shop, WALK, [weight(1, 128.0, sure=True)], now_utc=NOW)
    assert sure.state is State.STORED
    (never,) = entries.take(shop, WALK, [weight(2, 1e9, sure=True)], now_utc=NOW)
    assert never.state is State.REFUSED
    assert len(stored(shop)) == 2


def test_the_end_of_a_scale_is_asked_about_only_where_the_wood_should_be_far_drier(shop):
    dry = Interval(median=14.0, low=12.0, high=16.0)
    series = Series(owner=Owner.TIMBER, name="FER-01", quantity=Quantity.MOISTURE, depth_mm=32)
    over = Reading(series=series, value=30.0, taken_utc=NOW, arrived_utc=NOW, flags=(AT_LEAST,))
    known = plausible.About(timber=timber(), answer=object(), latest=())
    asked = []
    for high in (16.0, 26.0, 45.0):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(
                plausible, "expected_pct", lambda *_, high=high: dry.model_copy(update={"high": high})
            )
            asked.append(plausible.doubt(over, known))
    assert [each and each.code for each in asked] == ["plausible.too_wet", None, None]
    assert plausible.doubt(over, plausible.About(timber=timber(), answer=None, latest=())) is None


def test_undo_takes_back_what_was_stored_and_what_has_not_come_yet(shop):
    entries.take(shop, WALK, [pins(1), pins(2, 23.0, face=Face.C)], now_utc=NOW)
    undo = [pins(1, undo=True), pins(9, undo=True)]
    later = NOW + timedelta(minutes=5)
    assert states(entries.take(shop, WALK, undo, now_utc=later, by="Ada")) == [State.UNDONE] * 2
    assert [each.value for each in stored(shop)] == [23.0]
    # the first message was lost and comes now, after its undoing
    assert states(entries.take(shop, WALK, [pins(9), pins(1)], now_utc=later)) == [State.UNDONE] * 2
    assert [each.value for each in stored(shop)] == [23.0]
    assert b'"by": "Ada"' in shop.store.noted(entries.NOTE + WALK)


def test_what_a_walk_takes_back_is_a_correction_like_any_other(shop):
    entries.take(shop, WALK, [pins(1), pins(2, 23.0, face=Face.C)], now_utc=NOW)
    shop.store.note(notes.fit_key("FER-01"), b"fit")
    later = NOW + timedelta(minutes=5)
    entries.take(shop, WALK, [pins(1, undo=True)], now_utc=later, by="Ada")
    (kept,) = correction_notes.listed(shop.store, Owner.TIMBER, "FER-01")
    assert (kept.was.value, kept.now, kept.by, kept.at_utc) == (21.0, None, "Ada", later)
    assert kept.note
    assert shop.store.noted(notes.fit_key("FER-01")) is None
    corrections.undo(shop, kept, by="Bo", now_utc=later)
    assert sorted(each.value for each in stored(shop)) == [21.0, 23.0]


def test_a_walk_takes_back_what_was_put_right_since_and_leaves_what_was_taken_back(shop):
    entries.take(shop, WALK, [pins(1), pins(2, 23.0, face=Face.C)], now_utc=NOW)
    first, second = sorted(stored(shop), key=lambda one: one.value)
    who = {"by": "Bo", "note": ""}
    corrections.put_right(shop, first, value=20.5, **who, now_utc=NOW + timedelta(minutes=1))
    corrections.take_back(shop, second, **who, now_utc=NOW + timedelta(minutes=2))
    undo = [pins(1, undo=True), pins(2, undo=True)]
    later = NOW + timedelta(minutes=5)
    assert states(entries.take(shop, WALK, undo, now_utc=later, by="Ada")) == [State.UNDONE] * 2
    assert stored(shop) == []
    kept = correction_notes.listed(shop.store, Owner.TIMBER, "FER-01")
    assert [(each.was.value, each.by) for each in kept] == [(21.0, "Bo"), (23.0, "Bo"), (20.5, "Ada")]


def test_two_phones_walk_at_once_and_notes_of_long_ago_are_let_go(shop):
    old = NOW - entries.KEPT - timedelta(days=1)
    entries.take(shop, "walk-of-old", [pins(1)], now_utc=old)
    for walk in ("phone-of-ada", "phone-of-ben"):
        (found,) = entries.take(shop, walk, [pins(1, face=Face(walk[-3]))], now_utc=NOW)
        assert found.state is State.STORED
    assert sorted(shop.store.notes(entries.NOTE)) == ["walk/phone-of-ada", "walk/phone-of-ben"]


def test_timbers_come_place_after_place_and_nine_before_ten():
    tags = ["FER-10", "fer-9", "FER-2", "B-1", "10"]
    assert sorted(tags, key=yard.natural) == ["10", "B-1", "FER-2", "fer-9", "FER-10"]


def test_the_likely_range_ends_where_the_check_asks(shop):
    weighed(shop, 100.0, 7)
    (stop,) = yard.stops(yard.held(shop), NOW)
    known = yard.about(shop, "FER-01")
    series = Series(owner=Owner.TIMBER, name="FER-01", quantity=Quantity.WEIGHT)

    def asked(kg):
        reading = Reading(series=series, value=kg, taken_utc=NOW, arrived_utc=NOW)
        return plausible.doubt(reading, known) is not None

    low, high = stop.likely_kg
    assert (asked(low), asked(low - 0.2), asked(high), asked(high + 0.2)) == (False, True, False, True)
    here = stop.expected[0]
    assert here.median_pct is None  # no forecast yet
    assert here.least_pct == pytest.approx(5.0, abs=0.1)  # below it no meter with pins reads
    assert stop.depth_mm == pytest.approx(0.1328 * 177.8, abs=0.1)  # where the mean is read


def test_the_offered_depth_and_face_are_those_of_last_time(shop):
    entries.take(shop, WALK, [pins(1, face=Face.D, depth_mm=45.0)], now_utc=NOW)
    (stop,) = yard.stops(yard.held(shop), NOW)
    assert (stop.depth_mm, stop.face) == (45.0, Face.D)
    assert (stop.expected[0].depth_mm, stop.expected[0].face) == (45.0, Face.D)
    with pytest.raises(NotFound):
        yard.stop(shop, "FER-7", NOW)


def test_who_waits_longest_goes_by_the_newest_reading_of_the_kind_by_hand_or_not(shop):
    entries.take(shop, WALK, [pins(1)], now_utc=NOW - timedelta(days=20))
    sensor = Series(owner=Owner.TIMBER, name="FER-01", quantity=Quantity.MOISTURE, depth_mm=60.0)
    at = NOW - timedelta(days=1)
    shop.store.append([Reading(series=sensor, value=24.0, taken_utc=at, arrived_utc=at, source="device")])
    (stop,) = yard.stops(yard.held(shop), NOW)
    assert (stop.pins.source, stop.pins_utc, stop.weight_utc) == ("hand", at, None)


@pytest.mark.parametrize(
    ("text", "system", "expected"),
    [
        ("WO-1 28.5 at 1 1/4", "inch", ("WO-1", "moisture", 28.5, False, 31.75, None)),
        ("WO-1 28,5% at 30 mm face b", "inch", ("WO-1", "moisture", 28.5, False, 30.0, "b")),
        ("wo-1, OL at 30 on D", "metric", ("wo-1", "moisture", 30.0, True, 30.0, "d")),
        ("WO-1 >30 at 1-1/2 in c  # wet", "metric", ("WO-1", "moisture", 30.0, True, 38.1, "c")),
        ("WO-1 231 lb", "metric", ("WO-1", "weight", 104.78, False, None, None)),
        ("WO-1 96kg", "inch", ("WO-1", "weight", 96.0, False, None, None)),
        ("WO-1 28.5", "inch", ("WO-1", "moisture", 28.5, False, None, None)),
    ],
)  # fmt: skip
def test_a_line_is_read_as_a_person_means_it(text, system, expected):
    found = lines.read(text, system)
    told = (found.tag, found.quantity.value, found.value, found.at_least, found.depth_mm, found.face)
    assert told[:2] == expected[:2]
    assert told[2] == pytest.approx(expected[2], abs=0.01)
    assert told[3:] == expected[3:]


def test_an_empty_line_is_none_and_what_is_not_understood_is_said_with_an_example():
    assert lines.read("  # nothing\n", "inch") is None
    for text in ("WO-1", "WO-1 wet", "WO-1 28.5 at deep", "WO-1 231 lb at 1 in", "?? 3"):
        with pytest.raises(OutOfRange):
            lines.read(text, "inch")
