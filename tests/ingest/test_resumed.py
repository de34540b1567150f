"""New readings are taken into the fit that is kept, and the whole fit is made where that is not sound."""

from __future__ import annotations

import copy
import dataclasses
import json
import shutil
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from baulk.ingest import operations

sys.path.insert(0, str(Path(__file__).parent))
import ferry_pair
from ferry_pair import DAY, NOW, judging

from baulk.dashboard.commands import forecast_turns, forecast_watch
from baulk.ingest import shop
from baulk.ingest.evaluation import batch, compute, fit_store, gather
from baulk.ingest.store import notes
from baulk.models.timber import Event, EventKind

TAG = "FER-07"


PIECE, READINGS = ferry_pair.young()
LAST = max(each.taken_utc for each in READINGS)
BEFORE, NEWS = LAST - 2 * DAY, LAST + timedelta(hours=5)


def fill(opened, *records):
    """A timber with all its readings but the last, and others."""
    opened.store.append(ferry_pair.air())
    for piece, readings in ((PIECE, READINGS), *records):
        opened.register.add(piece)
        opened.store.append(each for each in readings if each.taken_utc < LAST)


def news(hours=0):
    """The last readings, once more so much later."""
    more = timedelta(hours=hours)
    return [
        dataclasses.replace(each, taken_utc=LAST + more, arrived_utc=LAST + more)
        for each in READINGS
        if each.taken_utc == LAST
    ]


def air(value, when):
    """A pair of air readings."""
    first = ferry_pair.air(days=1)
    return [
        judging.Reading(series=one, value=value, taken_utc=when, arrived_utc=when)
        for one in dict.fromkeys(each.series for each in first)
    ]


@pytest.fixture
def yard_dir(tmp_path):
    return shop.init(tmp_path / "yard", name="Ferry yard", units="metric")


@pytest.fixture
def yard(yard_dir):
    with shop.open(yard_dir) as opened:
        fill(opened)
        yield opened


@pytest.fixture
def fitted(yard):
    """A yard whose one timber was fitted from its arrival; a pin was read since."""
    batch.run(yard, [TAG], BEFORE, workers=1)
    yard.store.append(news())
    return yard


@pytest.fixture
def noted(yard):
    """The same without a verdict: only what is kept of the fit."""
    inputs = gather.gather(TAG, yard, BEFORE)
    yard.store.note(notes.fit_key(TAG), fit_store.to_keep(inputs, None, compute.fitted_to(inputs)))
    yard.store.append(news())
    return yard


def found(opened):
    return json.loads(opened.store.evaluation(TAG)[1])


def way(opened, now=NEWS, **how):
    """How the timber was fitted in one more round; None where the stored answer was left."""
    made = batch.run(opened, [TAG], now, workers=1, **how)
    assert made.failed == {}
    return found(opened)["calibration"]["fitted"] if made.done else None


def state(opened):
    return opened.store.noted(notes.fit_key(TAG))


def test_a_new_reading_is_taken_in_and_the_next_whole_round_fits_the_timber_anew(fitted):
    assert found(fitted)["calibration"]["fitted"] == "whole"
    assert way(fitted, whole=False) == "updated"
    updated = found(fitted)
    assert way(fitted, whole=False) is None  # nothing new
    assert way(fitted, whole=True) == "whole"
    whole = found(fitted)
    assert way(fitted, whole=True) is None
    assert updated["mean_now_pct"]["median"] == pytest.approx(whole["mean_now_pct"]["median"], abs=1.0)
    assert updated["core_now_pct"]["median"] == pytest.approx(whole["core_now_pct"]["median"], abs=1.5)


def test_a_whole_round_gives_the_same_bytes_whatever_was_taken_in_before(fitted):
    way(fitted, whole=False)
    assert way(fitted, whole=True) == "whole"
    after = fitted.store.evaluation(TAG)[1]
    fitted.store.forget(notes.fit_key(TAG))
    assert way(fitted, again=True) == "whole"
    assert fitted.store.evaluation(TAG)[1] == after


def test_the_fingerprint_does_not_know_what_was_fitted_before(noted):
    bare = gather.gather(TAG, noted, NEWS)
    resumed = gather.gather(TAG, noted, NEWS, resume=True)
    assert bare.fit is None
    assert resumed.fit == state(noted)
    assert bare.fingerprint() == resumed.fingerprint()


def test_stale_timbers_and_a_single_one_can_be_gone_on_with(fitted):
    assert gather.evaluate(TAG, fitted, NEWS).updated is False
    fitted.store.append(news(24))
    assert gather.evaluate(TAG, fitted, NEWS + DAY, resume=True).updated
    fitted.store.append(news(48))
    assert gather.run_stale(fitted, NEWS + 2 * DAY) == (TAG,)
    assert found(fitted)["calibration"]["fitted"] == "updated"


def test_letting_it_dry_on_writes_no_new_fit(fitted):
    way(fitted, whole=False)
    before = state(fitted)
    fitted.store.append(air(60.0, NEWS + timedelta(hours=1)))
    assert way(fitted, NEWS + DAY, whole=False) == "updated"
    assert state(fitted) == before


def test_another_tag_goes_on_with_the_same_fit_and_the_same_numbers(fitted, yard_dir, tmp_path):
    shutil.copytree(yard_dir, tmp_path / "same")
    (made,) = operations.edit_timber(fitted, TAG, tag="FER-70", now_utc=NEWS)
    batch.run(fitted, ["FER-70"], NEWS, workers=1, whole=False)
    renamed = json.loads(fitted.store.evaluation("FER-70")[1])
    assert renamed["calibration"]["fitted"] == "updated"
    with shop.open(tmp_path / "same") as same:
        batch.run(same, [TAG], NEWS, workers=1, whole=False)
        before = found(same)
    for document in (before, renamed):
        document.pop("tag")
    assert TAG not in json.dumps(renamed)
    assert renamed == json.loads(json.dumps(before).replace(TAG, "FER-70"))
    kept = fitted.store.noted(notes.fit_key("FER-70"))
    operations.undo(fitted, made.number, by="", now_utc=NEWS)
    assert state(fitted) == kept


def of_other_air(opened):
    opened.store.append(air(61.5, BEFORE - 50 * DAY + timedelta(hours=1)))


def of_a_cut(opened):
    opened.register.add_event(
        Event(tag=TAG, kind=EventKind.CUT, at_utc=BEFORE, noted_utc=NOW, detail={"length_mm": 2000})
    )


def of_an_edit(opened):
    opened.register.edit(TAG, now_utc=NOW, length_mm=2500)


def of_a_move(opened):
    opened.store.append(
        [
            dataclasses.replace(
                each, series=dataclasses.replace(each.series, name="loft"), value=each.value + 9
            )
            for each in ferry_pair.air()
        ]
    )
    opened.register.move(TAG, "loft", now_utc=NOW, at_utc=BEFORE - 5 * DAY)


def of_an_earlier_reading(opened):
    opened.store.append(news(-24 * 40))


def of_damage(opened):
    opened.store.note(notes.fit_key(TAG), state(opened)[:-20])


def of_nothing_kept(opened):
    opened.store.forget(notes.fit_key(TAG))


@pytest.mark.parametrize(
    "because",
    [of_other_air, of_a_cut, of_an_edit, of_a_move, of_an_earlier_reading, of_damage, of_nothing_kept],
)
def test_the_whole_fit_is_made_because(because, noted):
    because(noted)
    inputs = gather.gather(TAG, noted, NEWS, resume=True)
    assert compute.fitted_to(inputs, fit_store.taken_up(inputs)).whole


def test_the_whole_fit_is_made_for_other_settings_another_wood_or_another_program(noted, monkeypatch):
    inputs = gather.gather(TAG, noted, NEWS, resume=True)
    before = fit_store.taken_up(inputs)
    assert not compute.fitted_to(inputs, before).whole
    wish = dataclasses.replace(inputs.wish, probability=0.8)
    wood = dataclasses.replace(inputs.wood, fsp_pct=inputs.wood.fsp_pct + 1)
    for other in ({"wish": wish}, {"wood": wood}):
        assert fit_store.taken_up(dataclasses.replace(inputs, **other)) is None
    monkeypatch.setattr("baulk.ingest.evaluation.fingerprint.model_version", lambda: "0.0.0+other")
    assert fit_store.taken_up(inputs) is None


def test_an_earlier_day_is_fitted_whole_and_leaves_what_is_kept(fitted):
    way(fitted, whole=False)
    before = state(fitted)
    then = BEFORE - 20 * DAY
    batch.run(fitted, [TAG], then, workers=1, past=True, whole=False)
    (past,) = [each for each in fitted.store.past_evaluations(TAG) if each.made_utc == then]
    assert json.loads(past.payload)["calibration"]["fitted"] == "whole"
    assert state(fitted) == before


def test_the_fit_of_a_timber_that_is_gone_is_forgotten(noted):
    assert state(noted) is not None
    operations.add_event(
        noted, Event(tag=TAG, kind=EventKind.RETIRED, at_utc=BEFORE, noted_utc=NOW, detail={})
    )
    assert state(noted) is None


def test_what_travels_to_another_process_gives_the_same_to_the_byte(noted):
    inputs = gather.gather(TAG, noted, NEWS, resume=True)
    here, there = (compute.answer(each) for each in (inputs, copy.deepcopy(inputs)))
    assert here.updated
    assert here.fit is not None
    back = copy.deepcopy(there)
    assert (back.to_json(), back.fit) == (here.to_json(), here.fit)


class Stop:
    """Ends a watch after some rounds."""

    def __init__(self, rounds):
        self.rounds = rounds

    def wait(self, _seconds):
        self.rounds -= 1
        return self.rounds < 0

    def is_set(self):
        return False


def test_the_watch_fits_whole_in_its_first_round_of_each_day(fitted, monkeypatch, in_this_process):
    rounds = []
    moments = iter([NOW, NOW, NOW + timedelta(minutes=1), NOW + DAY, NOW + DAY + timedelta(minutes=1)])

    class Clock(datetime):
        @classmethod
        def now(cls, tz=None):
            return next(moments, NOW + DAY + timedelta(minutes=2)).astimezone(tz or UTC)

    def run(_shop, tags, now, *, whole, **_how):
        rounds.append((list(tags), whole))
        return forecast_turns.batch.Round()

    monkeypatch.setattr(forecast_watch, "datetime", Clock)
    monkeypatch.setattr(forecast_turns.batch, "run", run)
    monkeypatch.setattr(forecast_turns.nightly, "thin", lambda *_: 0)
    monkeypatch.setattr(forecast_watch.notify.Messenger, "turn", lambda *_: [])
    forecast_watch.watch(fitted, Stop(5), in_this_process, workers=1)
    assert rounds[0] == ([TAG], True)
    assert rounds[-1][0] == [TAG]
    assert [whole for _, whole in rounds].count(True) == 2
    assert any(whole is False for _, whole in rounds)
