"""A reading is taken back or put right: nothing is lost, who and why stay, and the fit follows."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from baulk.ingest import correction_notes, corrections, decode_again, hand_readings, pipeline, shop
from baulk.ingest.errors import Unlikely
from baulk.ingest.evaluation import gather
from baulk.ingest.exchange import import_readings
from baulk.ingest.store import notes
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.quantity import Owner
from baulk.models.reading import AT_LEAST, Series, from_end_mm
from baulk.models.section import Face

from .conftest import NOW, raw, timber

PIN = Series.parse("timber/FER-01/pin-45/moisture")
WEIGHT = Series.parse("timber/FER-01/weight")
LATER = NOW + timedelta(hours=1)
WHO = {"by": "ann", "note": "tag of another timber", "now_utc": LATER}


@pytest.fixture
def read(yard):
    for what, value in (("temp", 18.0), ("humidity", 70.0)):
        hand_readings.add(yard, Series.parse(f"air/shed/{what}"), value, now_utc=NOW)
    hand_readings.add(yard, PIN, 27.5, now_utc=NOW)
    hand_readings.add(yard, WEIGHT, 96.0, now_utc=NOW - timedelta(days=1))
    return yard


def values(yard):
    return {str(one.series): one.value for one in yard.store.readings(Owner.TIMBER, "FER-01")}


def evaluated(yard):
    """As if a forecast had covered all that is stored."""
    yard.store.save_evaluation("FER-01", NOW, b"{}", revision=yard.store.revision())
    yard.store.note(notes.fit_key("FER-01"), b"fit")
    assert yard.store.stale() == []


def test_a_reading_taken_back_is_kept_with_who_when_and_why_and_the_fit_follows(read):
    evaluated(read)
    done = corrections.take_back(read, corrections.choose(read, Owner.TIMBER, "FER-01"), **WHO)
    assert values(read) == {"timber/FER-01/weight": 96.0}
    assert read.store.stale() == ["FER-01"]
    assert read.store.noted(notes.fit_key("FER-01")) is None
    (kept,) = correction_notes.listed(read.store, Owner.TIMBER, "FER-01")
    assert kept == done
    assert (kept.number, kept.was.value, kept.now, kept.by, kept.note, kept.at_utc) == (
        1, 27.5, None, "ann", "tag of another timber", LATER,
    )  # fmt: skip
    assert gather.gather("FER-01", read, LATER).readings.value.tolist() == [96.0]


def test_a_correction_can_itself_be_taken_back(read):
    pin = corrections.choose(read, Owner.TIMBER, "FER-01")
    corrections.take_back(read, pin, **WHO)
    first = correction_notes.numbered(read, Owner.TIMBER, "FER-01", 1)
    undone = corrections.undo(read, first, by="bo", now_utc=LATER)
    assert values(read)["timber/FER-01/pin-45/moisture"] == 27.5
    assert (undone.counts, undone.undone_by) == (False, "bo")
    assert correction_notes.taken_away(read.store) == {}
    with pytest.raises(OutOfRange, match="taken back already"):
        corrections.undo(
            read, correction_notes.numbered(read, Owner.TIMBER, "FER-01", 1), by="", now_utc=LATER
        )
    with pytest.raises(NotFound, match="no correction called '7'"):
        correction_notes.numbered(read, Owner.TIMBER, "FER-01", 7)


def test_value_time_depth_face_and_end_are_put_right_and_what_it_was_is_kept(read):
    pin = corrections.choose(read, Owner.TIMBER, "FER-01")
    before = NOW - timedelta(hours=3)
    changes = {"value": 22.5, "taken_utc": before, "depth_mm": 60.0, "face": Face.B, "from_end_mm": 300.0}
    done = corrections.put_right(read, pin, **WHO, **changes)
    found = {str(one.series): one for one in read.store.readings(Owner.TIMBER, "FER-01")}
    right = found["timber/FER-01/pin-60/b/moisture"]
    assert (right.value, right.taken_utc, from_end_mm(right.flags)) == (22.5, before, 300.0)
    assert "corrected" in right.flags
    assert "timber/FER-01/pin-45/moisture" not in found
    assert (done.was, done.now) == (pin, right)
    corrections.undo(read, done, by="", now_utc=LATER)
    assert values(read) == {"timber/FER-01/pin-45/moisture": 27.5, "timber/FER-01/weight": 96.0}


def test_a_correction_goes_through_the_same_check(read):
    pin = corrections.choose(read, Owner.TIMBER, "FER-01")
    with pytest.raises(OutOfRange, match="178 mm there"):
        corrections.put_right(read, pin, **WHO, depth_mm=635.0, sure=True)
    with pytest.raises(Unlikely, match=r"Is 23 % meant"):
        corrections.put_right(read, pin, **WHO, value=0.23)
    with pytest.raises(OutOfRange, match="so already"):
        corrections.put_right(read, pin, **WHO, value=27.5)
    with pytest.raises(OutOfRange, match="lies between"):
        corrections.put_right(read, pin, **WHO, taken_utc=LATER + timedelta(days=2))
    weight = corrections.choose(read, Owner.TIMBER, "FER-01", "2026", "weight")
    with pytest.raises(OutOfRange, match="belong to pins"):
        corrections.put_right(read, weight, **WHO, face=Face.A)
    assert values(read) == {"timber/FER-01/pin-45/moisture": 27.5, "timber/FER-01/weight": 96.0}
    assert correction_notes.listed(read.store, Owner.TIMBER, "FER-01") == []


def test_what_stands_elsewhere_is_never_written_over(read):
    hand_readings.add(read, PIN, 29.0, now_utc=LATER, taken_utc=LATER)
    pin = corrections.choose(read, Owner.TIMBER, "FER-01", f"{NOW:%Y-%m-%d %H:%M}Z")
    with pytest.raises(OutOfRange, match="stands there"):
        corrections.put_right(read, pin, **WHO, taken_utc=LATER)
    corrections.take_back(read, pin, **WHO)
    hand_readings.add(read, PIN, 24.0, now_utc=LATER, taken_utc=NOW)
    with pytest.raises(OutOfRange, match="stands there"):
        corrections.undo(
            read, correction_notes.numbered(read, Owner.TIMBER, "FER-01", 1), by="", now_utc=LATER
        )
    with pytest.raises(OutOfRange, match="is not stored any more"):
        corrections.take_back(read, pin, **WHO)


def test_a_reading_is_named_by_its_time_in_the_shops_zone_or_by_the_end_of_its_series(read):
    def chosen(*which):
        return str(corrections.choose(read, Owner.TIMBER, "FER-01", *which).series)

    assert chosen() == "timber/FER-01/pin-45/moisture", "entered last"
    hand_readings.add(read, WEIGHT, 95.9, now_utc=LATER, taken_utc=NOW)
    with pytest.raises(OutOfRange, match=r"means several of FER-01: .*moisture 27\.5 %; .*weight 95\.9 kg"):
        chosen("2026-05-14")
    assert chosen("2026-05-14", "weight") == "timber/FER-01/weight"
    with pytest.raises(OutOfRange, match="is none of FER-01"):
        chosen("2026-05-01")


def test_a_time_is_one_of_the_shops_clock_and_never_another_reading_at_that_time_of_utc(yard_dir):
    """At 09:00 in the shop is meant what was read then, not what was read at 09:00 UTC, hours before."""
    settings = yard_dir / "baulk.toml"
    settings.write_text(settings.read_text().replace("[shop]", '[shop]\nzone = "America/New_York"', 1))
    with shop.open(yard_dir) as opened:
        opened.register.add(timber())
        for day_utc, kg in (
            (datetime(2026, 5, 10, 9, tzinfo=UTC), 96.0),
            (datetime(2026, 5, 11, 13, tzinfo=UTC), 95.0),
        ):
            hand_readings.add(opened, WEIGHT, kg, now_utc=LATER, taken_utc=day_utc)

        def chosen(which):
            return corrections.choose(opened, Owner.TIMBER, "FER-01", which, "weight").value

        assert chosen("2026-05-11 09:00") == 95.0
        with pytest.raises(OutOfRange, match="is none of FER-01"):
            chosen("2026-05-10 09:00")
        assert chosen("2026-05-10 05:00") == 96.0
        assert chosen("2026-05-10T09:00Z") == chosen("2026-05-10T09:00:00+00:00") == 96.0
        assert chosen("2026-05-10 11:00 +02:00") == 96.0


def test_of_the_hour_that_comes_twice_either_reading_can_be_said(yard_dir):
    settings = yard_dir / "baulk.toml"
    settings.write_text(settings.read_text().replace("[shop]", '[shop]\nzone = "America/New_York"', 1))
    with shop.open(yard_dir) as opened:
        opened.register.add(timber())
        for hour_utc, kg in ((5, 95.0), (6, 94.9)):  # 01:00 by summer time, then 01:00 again
            at = datetime(2025, 11, 2, hour_utc, tzinfo=UTC)
            hand_readings.add(opened, WEIGHT, kg, now_utc=LATER, taken_utc=at, sure=True)

        def chosen(which):
            return corrections.choose(opened, Owner.TIMBER, "FER-01", which, "weight").value

        with pytest.raises(
            OutOfRange, match=r"01:00:00-04:00 .* 95 kg; 2025-11-02 01:00:00-05:00 .* 94\.9 kg"
        ):
            chosen("2025-11-02 01:00")
        assert chosen("2025-11-02 01:00:00-04:00") == 95.0
        assert chosen("2025-11-02 01:00-05:00") == 94.9


def test_the_same_file_again_leaves_out_what_was_taken_back_but_not_another_value(read, tmp_path):
    path = tmp_path / "readings.csv"
    head = "tag,quantity,depth mm,taken,value,unit\n"
    path.write_text(
        f"{head}FER-01,moisture,45,2026-05-10T10:00Z,30,%\nFER-01,moisture,45,2026-05-11T10:00Z,29,%\n"
    )

    def bring():
        bringing = import_readings.of_long(path, read)
        report = bringing.look(read, NOW)
        return report, bringing.bring(read, NOW, report).stored

    assert bring()[1] == 2
    corrections.take_back(read, corrections.choose(read, Owner.TIMBER, "FER-01", "2026-05-10"), **WHO)
    report, stored = bring()
    assert (report.new, stored) == (0, 0)
    assert "somebody took them back or corrected them: 1" in report.notes[-1]
    path.write_text(f"{head}FER-01,moisture,45,2026-05-10T10:00Z,26,%\n")
    assert bring()[1] == 1


def test_messages_decoded_again_bring_nothing_back(yard):
    pipeline.handle(raw('[{"n":"pin-45/moisture","u":"/","v":0.31},{"n":"weight","u":"kg","v":96.4}]'), yard)
    pin, weight = yard.store.readings(Owner.TIMBER, "FER-01")
    corrections.take_back(yard, pin, **WHO)
    corrections.put_right(yard, weight, **WHO, value=94.6)
    report = decode_again.look(yard, now_utc=datetime.now(UTC))
    assert (report.added, report.changed, report.set_aside) == (0, 0, 0)
    assert values(yard) == {"timber/FER-01/weight": 94.6}


def test_corrections_survive_the_shop_being_closed(yard_dir, read):
    corrections.take_back(read, corrections.choose(read, Owner.TIMBER, "FER-01"), **WHO)
    with shop.open(yard_dir) as opened:
        (kept,) = correction_notes.listed(opened.store, Owner.TIMBER, "FER-01")
    assert kept.was == replace(kept.was, value=27.5)


def test_a_number_put_in_the_place_of_an_ended_scale_means_itself(yard):
    ended = hand_readings.add(yard, PIN, 30.0, now_utc=NOW, at_least=True)
    assert ended
    (first,) = yard.store.readings(Owner.TIMBER, "FER-01")
    assert first.flags == (AT_LEAST,)
    done = corrections.put_right(yard, first, value=31.0, **WHO)
    assert set(done.now.flags) & {AT_LEAST, "corrected"} == {"corrected"}
    back = corrections.put_right(yard, done.now, value=31.0, at_least=True, **WHO)  # the same number, ended
    assert set(back.now.flags) & {AT_LEAST, "corrected"} == {AT_LEAST, "corrected"}
    kept = corrections.put_right(yard, back.now, depth_mm=50.0, **WHO)
    assert AT_LEAST in kept.now.flags  # what is left out stays
    with pytest.raises(OutOfRange, match="is so already"):
        corrections.put_right(yard, kept.now, depth_mm=50.0, **WHO)
