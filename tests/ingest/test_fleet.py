"""The whole yard: every answer is kept, only what changed is worked out, and no death stops the rest."""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import subprocess
import sys
import time
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
import documents
import six_timbers
from six_timbers import DAY, NOW, TAGS

from baulk.ingest import shop
from baulk.ingest.evaluation import batch, executors, fingerprint, gather
from baulk.ingest.evaluation.document_read import parse
from baulk.ingest.store import notes
from baulk.ingest.store.notes import Swapped
from baulk.models.drying import parallel
from baulk.models.quantity import Owner
from baulk.models.reason import Reason
from baulk.models.timber import Event, EventKind


@pytest.fixture
def yard_dir(tmp_path):
    return shop.init(tmp_path / "yard", name="Ferry yard", units="metric")


@pytest.fixture
def yard(yard_dir):
    with shop.open(yard_dir) as opened:
        yield opened


def kept(opened):
    return {each.tag: each.payload for each in opened.store.evaluations()}


def versions(opened):
    return {json.loads(payload)["model_version"] for payload in kept(opened).values()}


class Instead(executors.InProcess):
    """Answers at once without working anything out."""

    def __init__(self):
        self.asked = []

    def submit(self, inputs):
        self.asked.append(inputs.timber.tag)
        found = parse(documents.stored(inputs.timber.tag, inputs.now_utc))
        done = executors.Future()
        done.set_result(gather.Evaluation(document=found))
        return done


def asked(opened, now=NOW, tags=TAGS, **how):
    instead = Instead()
    batch.run(opened, tags, now, team=instead, **how)
    return instead.asked


def test_two_processes_give_the_same_answers_to_the_byte_as_this_one(yard):
    six_timbers.fill(yard, TAGS[:3])
    assert batch.run(yard, TAGS[:3], NOW, workers=1).done == list(TAGS[:3])
    alone, fits = kept(yard), yard.store.notes("fit/")
    assert sorted(batch.run(yard, TAGS[:3], NOW, workers=2, again=True).done) == list(TAGS[:3])
    assert kept(yard) == alone
    assert yard.store.notes("fit/") == fits
    assert len(set(fits.values())) == 3
    assert len(set(alone.values())) == 3


def test_only_what_changed_is_worked_out_again(yard_dir):
    with shop.open(yard_dir) as yard:
        six_timbers.fill(yard)
        assert asked(yard) == list(TAGS)
        assert asked(yard) == []
        assert asked(yard, NOW + timedelta(hours=6)) == []
        yard.store.append([six_timbers.pin("FER-03", 20.0, NOW)])
        yard.register.edit("FER-05", now_utc=NOW, length_mm=2500)
        assert asked(yard) == ["FER-03", "FER-05"]
        assert asked(yard, again=True) == list(TAGS)
    path = yard_dir / "baulk.toml"
    path.write_text(path.read_text().replace("probability = 0.9 ", "probability = 0.8 "))
    with shop.open(yard_dir) as yard:
        assert asked(yard) == list(TAGS)
        assert asked(yard) == []


def test_where_nothing_has_changed_no_reading_is_read(yard, monkeypatch):
    six_timbers.fill(yard)
    asked(yard)
    gathered = []

    def watched(tag, *rest, **how):
        gathered.append(tag)
        return gather.gather(tag, *rest, **how)

    monkeypatch.setattr(batch, "gather", watched)
    assert asked(yard) == []
    assert asked(yard, whole=False) == []
    assert gathered == []
    first = yard.store.readings(Owner.TIMBER, "FER-02")[0]
    yard.store.reattribute([first], [])
    assert asked(yard) == gathered == ["FER-02"]
    bow = Event(tag="FER-01", kind=EventKind.MEASURED, at_utc=NOW - DAY, detail={"bow_mm": 9.0})
    yard.register.add_event(bow)
    assert asked(yard) == list(TAGS), "a bow that was measured tells of all timbers of its wood"
    gathered.clear()
    swapped = Swapped(tags=("FER-03", "FER-04"), reason=Reason(code="swaps.found", values={}), found_utc=NOW)
    notes.keep_swaps(yard.store, [swapped])
    asked(yard)
    assert gathered == ["FER-03", "FER-04"]
    gathered.clear()
    yard.store.note("looked-over/FER-06", b"another mark")
    assert asked(yard) == []
    assert gathered == ["FER-06"], "its mark was lost, its answer was not"
    assert asked(yard) == []
    assert gathered == ["FER-06"]


def test_an_answer_is_worked_out_anew_once_air_of_another_day_has_come_or_a_week_has_gone(yard):
    six_timbers.fill(yard, TAGS[:1])
    asked(yard, tags=TAGS[:1])
    series = [each.series for each in six_timbers.air(days=1)[:2]]
    morning = NOW.replace(hour=0) + DAY
    yard.store.append([six_timbers.reading(one, 60.0, NOW + timedelta(hours=1)) for one in series])
    assert asked(yard, NOW + timedelta(hours=2), TAGS[:1]) == []
    assert asked(yard, morning + timedelta(hours=1), TAGS[:1]) == ["FER-01"]
    assert asked(yard, morning + 6 * DAY, TAGS[:1]) == []
    assert asked(yard, morning + 8 * DAY, TAGS[:1]) == ["FER-01"]


def test_news_that_change_nothing_do_not_keep_a_timber_stale(yard):
    six_timbers.fill(yard, TAGS[:2])
    asked(yard)
    before = kept(yard)
    shadow = six_timbers.pin("FER-01", 20.0, NOW)
    yard.register.edit("FER-01", now_utc=NOW, length_mm=2500)
    yard.register.edit("FER-01", now_utc=NOW, length_mm=2400)
    assert shadow.series.name in yard.store.stale()
    assert asked(yard, tags=yard.store.stale()) == []
    assert yard.store.stale() == []
    assert kept(yard) == before


def test_the_fingerprint_is_the_same_in_every_process(yard):
    six_timbers.fill(yard, TAGS[:1])
    inputs = gather.gather("FER-01", yard, NOW)
    words = (
        "import sys; from datetime import datetime; from baulk.ingest import shop;"
        "from baulk.ingest.evaluation import fingerprint, gather;"
        "opened = shop.open(sys.argv[1]);"
        "print(fingerprint.model_version());"
        "print(gather.gather('FER-01', opened, datetime.fromisoformat(sys.argv[2])).fingerprint())"
    )
    said = subprocess.run(
        [sys.executable, "-P", "-c", words, yard.config.shop_dir, NOW.isoformat()],
        env={**os.environ, "PYTHONHASHSEED": "7"},
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    version, found = said.stdout.split()
    assert version == fingerprint.model_version(), "somebody changed a file of the program meanwhile"
    assert found == inputs.fingerprint()


def test_a_timber_that_cannot_be_worked_out_keeps_a_sentence_and_the_rest_goes_on(yard):
    six_timbers.fill(yard, TAGS[:1])
    yard.register.add(six_timbers.timber("FER-90", place="attic"))
    yard.register.add(six_timbers.timber("FER-91", species="plastic"))
    made = batch.run(yard, ["FER-90", "FER-91", "FER-01"], NOW, workers=1)
    assert made.done == ["FER-01"]
    assert "not known at all" in made.failed["FER-90"]
    assert "plastic" in made.failed["FER-91"]
    assert json.loads(kept(yard)["FER-90"])["failed"] == made.failed["FER-90"]
    yard.store.append(six_timbers.air("attic"))
    assert batch.run(yard, ["FER-90", "FER-91", "FER-01"], NOW, workers=1).unchanged == ["FER-01"]


@pytest.mark.slow
def test_a_worker_that_is_killed_costs_nothing(yard):
    six_timbers.fill(yard, TAGS[:4])
    killed = []

    def kill(_made):
        if not killed:
            victim = multiprocessing.active_children()[0].pid
            os.kill(victim, signal.SIGKILL)
            killed.append(victim)

    made = batch.run(yard, TAGS[:4], NOW, workers=2, done=kill)
    assert killed
    assert sorted(made.done) == list(TAGS[:4])
    assert made.failed == {}
    assert multiprocessing.active_children() == []


class Deadly(executors.LocalProcesses):
    """Its process dies over one timber, each time."""

    def submit(self, inputs):
        if inputs.timber.tag == "FER-02":
            return self._pool.submit(os._exit, 1)
        return super().submit(inputs)


@pytest.mark.slow
def test_a_timber_that_kills_its_worker_twice_is_given_up_in_a_sentence(yard):
    six_timbers.fill(yard, TAGS[:3])
    deadly = Deadly(2)
    try:
        made = batch.run(yard, TAGS[:3], NOW, team=deadly)
    finally:
        deadly.close()
    assert sorted(made.done) == ["FER-01", "FER-03"]
    assert "killed twice" in made.failed["FER-02"]
    assert batch.run(yard, TAGS[:3], NOW, workers=1).done == ["FER-02"]  # not taken for an answer


def command(yard_dir, *words):
    return subprocess.Popen(
        [sys.executable, "-P", "-m", "baulk.dashboard.commands", "forecast", "--shop", yard_dir, *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def children(pid):
    return [int(each) for each in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def gone(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="looks for children in /proc")
def test_after_a_kill_of_the_whole_command_only_the_rest_is_worked_out_and_nobody_is_left_behind(yard_dir):
    with shop.open(yard_dir) as yard:
        six_timbers.fill(yard, TAGS[:4])
    with command(yard_dir, "--all", "--workers", "2") as running:
        first = running.stderr.readline()
        workers = children(running.pid)
        running.kill()
    assert first.startswith("1 of 4  FER-0")
    with shop.open(yard_dir) as yard:
        saved = set(kept(yard))
        before = versions(yard)
        assert 1 <= len(saved) < 4
    end = time.monotonic() + 10
    while not all(gone(pid) for pid in workers):
        assert time.monotonic() < end, "a worker outlived the command"
        time.sleep(0.05)
    with command(yard_dir, "--all", "--json") as running:
        said = json.loads(running.communicate(timeout=60)[0])
    assert running.returncode == 0
    with shop.open(yard_dir) as yard:
        assert versions(yard) == before, "somebody changed a file of the program meanwhile"
    assert set(said["unchanged"]) == saved
    assert {*said["done"], *saved} == set(TAGS[:4])
    assert set(said) == {"done", "unchanged", "failed", "stopped", "seconds"}


@pytest.mark.slow
def test_ctrl_c_ends_it_in_a_sentence_and_keeps_what_was_done(yard_dir):
    with shop.open(yard_dir) as yard:
        six_timbers.fill(yard)
    with command(yard_dir, "--all", "--workers", "2") as running:
        running.stderr.readline()
        os.killpg(running.pid, signal.SIGINT)  # as a terminal does: everyone in it
        out, err = running.communicate(timeout=30)
    with shop.open(yard_dir) as yard:
        done = len(kept(yard))
    assert 1 <= done < 6
    assert f"{done} of 6 timbers evaluated" in out
    assert f"baulk: stopped with {6 - done} still to do" in err
    assert "Traceback" not in err
    assert running.returncode == 1


def test_as_of_an_earlier_day_nothing_later_counts_and_the_present_answer_stays(yard):
    six_timbers.fill(yard, TAGS[:1])
    then = NOW - 30 * DAY
    before = gather.gather("FER-01", yard, then)
    assert before.readings.taken_s.max() <= then.timestamp()
    assert before.here.own.posix_s[-1] <= then.timestamp()
    yard.store.append([six_timbers.pin("FER-01", 11.0, NOW - DAY), *six_timbers.air(days=1, rh_pct=30.0)[2:]])
    yard.register.move("FER-01", "loft", now_utc=NOW, at_utc=NOW - 2 * DAY)
    assert gather.gather("FER-01", yard, then).fingerprint() == before.fingerprint()
    batch.run(yard, TAGS[:1], NOW, workers=1)
    present = kept(yard)
    made = batch.run(yard, TAGS[:1], then, workers=1, past=True)
    assert made.done == ["FER-01"]
    assert kept(yard) == present
    assert then in [each.made_utc for each in yard.store.past_evaluations("FER-01")]
    assert batch.run(yard, TAGS[:1], then, workers=1, past=True).unchanged == ["FER-01"]
    early = batch.run(yard, TAGS[:1], NOW - 200 * DAY, workers=1, past=True)
    assert early.failed["FER-01"].endswith("there is nothing to say of 2025-08-13")


def test_a_timber_that_was_moved_has_lain_in_the_air_of_each_place_for_its_time_there(yard):
    six_timbers.fill(yard, TAGS[:1])
    yard.store.append(six_timbers.air("loft", temp_c=25.0, rh_pct=40.0))
    yard.register.move("FER-01", "loft", now_utc=NOW, at_utc=NOW - 60 * DAY)
    yard.register.move("FER-01", "yard", now_utc=NOW, at_utc=NOW - 10 * DAY)
    yard.register.move("FER-01", "shed", now_utc=NOW, at_utc=NOW - 5 * DAY)
    inputs = gather.gather("FER-01", yard, NOW)
    assert [stay.place for stay in inputs.stays] == ["shed", "loft", "yard", "shed"]
    assert [event.kind for event in inputs.events].count(EventKind.MOVED) == 3
    past = inputs.air_past()
    assert np.all(np.diff(past.posix_s) > 0)
    days = (NOW.timestamp() - past.posix_s) / 86_400
    assert past.temp_c[(days < 60) & (days > 10)].min() >= 25
    assert past.temp_c[(days > 60) | (days < 5)].max() < 17
    yard.register.undo(inputs.events[-2].number, by="", now_utc=NOW)
    assert [stay.place for stay in gather.gather("FER-01", yard, NOW).stays] == ["shed", "loft", "shed"]


def test_one_of_several_processes_works_on_one_thread_all_the_way(yard, monkeypatch):
    six_timbers.fill(yard, TAGS[:1])
    inputs = gather.gather(TAGS[0], yard, NOW)
    pools = []

    class Counted(parallel.ThreadPoolExecutor):
        def __init__(self, *given):
            pools.append(given)
            super().__init__(*given)

    monkeypatch.setattr(parallel.os, "sched_getaffinity", lambda _: set(range(4)), raising=False)
    monkeypatch.setattr(parallel, "ThreadPoolExecutor", Counted)
    alone = executors.on_one_core(inputs)
    assert pools == []
    assert alone.to_json() == executors.InProcess().submit(inputs).result().to_json()
    assert len(pools) > 4  # fit, forecast, rough-out and build each share their members out
