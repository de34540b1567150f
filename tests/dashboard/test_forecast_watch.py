"""The watch over forecasts when what works out for it is ended: said, tried again, given up, nothing lost."""

from __future__ import annotations

import pytest

from baulk.dashboard.commands import forecast_turns, forecast_watch
from baulk.ingest import shop as shops
from baulk.ingest.evaluation import batch, executors
from baulk.ingest.evaluation.batch import ENDED_TWICE
from baulk.ingest.evaluation.compute import not_worked_out
from baulk.ingest.evaluation.document_read import failure_of
from baulk.ingest.worker_process import JobContext, WorkerDied, WorkerStopTimeout
from baulk.models.section import Finished, Section
from baulk.models.timber import Timber

TAGS = ("FER-01", "FER-02", "FER-03")
ENDED = "the worker process was killed or ran out of memory (SIGKILL)"


@pytest.fixture
def yard(shop_dir, now_utc):
    with shops.open(shop_dir) as opened:
        for tag in TAGS:
            opened.register.add(
                Timber(
                    tag=tag, species="white oak", section=Section(width_mm=203, depth_mm=190), length_mm=3000,
                    finished=Finished(width_mm=152, depth_mm=152), use_class="backbone-above-water",
                    place="shed", arrived_utc=now_utc,
                )
            )  # fmt: skip
        yield opened


@pytest.fixture
def tried(monkeypatch):
    """Tags that were tried, in order; the answers are made up."""
    tags = []

    class Instead(executors.InProcess):
        def submit(self, inputs):
            done = executors.Future()
            done.set_result(not_worked_out(inputs.timber.tag, inputs.now_utc, "made up"))
            return done

    def gathered(tag, _shop, now, **_how):
        tags.append(tag)
        return not_worked_out(tag, now, "made up")

    monkeypatch.setattr(batch, "_team", lambda *_: Instead())
    monkeypatch.setattr(batch, "in_words", lambda tag, now, _work: gathered(tag, None, now))
    monkeypatch.setattr(forecast_watch.notify.Messenger, "turn", lambda *_: [])
    monkeypatch.setattr(forecast_turns.nightly, "due", lambda *_: False)
    return tags


class Mortal:
    """Works in this process, and is ended over a timber a number of times."""

    def __init__(self, inside, tag, times):
        self.inside, self.tag, self.times = inside, tag, times

    def run(self, work, *given, told=lambda _: None, stopped=lambda: False, **_how):
        if self.tag is None and self.times:
            self.times -= 1
            raise WorkerDied(ENDED)

        def heard(what):
            told(what)
            if self.times and isinstance(what, forecast_turns.Begun) and what.tag == self.tag:
                self.times -= 1
                raise WorkerDied(ENDED)

        return self.inside.run(work, *given, told=heard, stopped=stopped)

    def close(self):
        pass


class Stop:
    def __init__(self, rounds):
        self.rounds = rounds

    def wait(self, _seconds):
        self.rounds -= 1
        return self.rounds < 0

    def is_set(self):
        return False


def why(yard, tag):
    return failure_of(yard.store.evaluation(tag)[1]).failed


def test_a_timber_over_which_it_ended_once_is_tried_once_more(yard, tried, capsys, in_this_process):
    forecast_watch.watch(yard, Stop(3), Mortal(in_this_process, "FER-02", 1))
    assert [why(yard, tag) for tag in TAGS] == ["made up"] * 3
    assert tried.count("FER-02") == 1, "the first time it ended before that"
    said = capsys.readouterr().out
    assert said.count(f"{ENDED} over FER-02, which is tried once more") == 1


def test_one_over_which_it_ends_each_time_is_given_up_and_stops_no_other(
    yard, tried, capsys, in_this_process
):
    worker = Mortal(in_this_process, "FER-02", 99)
    forecast_watch.watch(yard, Stop(8), worker)
    assert [why(yard, tag) for tag in TAGS] == ["made up", ENDED_TWICE, "made up"]
    assert worker.times == 97, "it was tried twice, in eight rounds"
    assert yard.store.stale() == []
    assert "FER-02 again; it is left until it has news, or until tomorrow" in capsys.readouterr().out


def test_when_it_ends_over_no_timber_there_is_a_pause_and_then_all_is_done(
    yard, tried, capsys, in_this_process, monkeypatch
):
    monkeypatch.setattr(forecast_watch, "PAUSES_S", (0.0, 3600.0))
    worker = Mortal(in_this_process, None, 1)
    forecast_watch.watch(yard, Stop(3), worker)
    assert [why(yard, tag) for tag in TAGS] == ["made up"] * 3
    assert f"{ENDED}; tried again in" in capsys.readouterr().out
    tried.clear()
    worker.times = 99
    forecast_watch.watch(yard, Stop(6), worker)
    assert worker.times == 97, "the second pause is long"
    assert tried == []


def test_stopped_it_keeps_what_is_done_and_does_not_say_that_all_was_looked_over(
    yard, tried, in_this_process, monkeypatch
):
    looked = []
    monkeypatch.setattr(forecast_turns.standing, "looked_over", looked.append)

    class Asked(Stop):
        def is_set(self):
            return len(tried) >= 1

    forecast_watch.watch(yard, Asked(2), in_this_process)
    assert tried == ["FER-01"]
    assert looked == []
    assert [each.tag for each in yard.store.evaluations()] == ["FER-01"]


def test_one_that_had_to_be_ended_when_told_to_stop_is_said_and_no_timber_is_given_up(
    yard, tried, capsys, in_this_process
):
    said = "the worker process did not stop within 20 s and was killed"
    stop = Stop(3)

    class Deaf(Mortal):
        def run(self, work, *given, told=lambda _: None, stopped=lambda: False, **_how):
            try:
                return super().run(work, *given, told=told, stopped=stopped)
            except WorkerDied:
                stop.is_set = lambda: True
                stop.rounds = 0
                raise WorkerStopTimeout(said) from None

    for _ in range(3):
        stop.rounds = 1
        forecast_watch.watch(yard, stop, Deaf(in_this_process, "FER-02", 1))
        del stop.is_set
    assert capsys.readouterr().out.count(f"{said}; FER-02 is worked out again at the next start") == 3
    assert "FER-02" in yard.store.stale()
    assert yard.store.evaluation("FER-02") is None
    forecast_watch.watch(yard, Stop(1), in_this_process)
    assert [why(yard, tag) for tag in TAGS] == ["made up"] * 3


def test_told_to_stop_nothing_more_is_begun(yard, tried, in_this_process, monkeypatch):
    stop, begun = Stop(3), []

    class Last(Mortal):
        def run(self, work, *given, told=lambda _: None, stopped=lambda: False, **_how):
            begun.append(work)
            made = self.inside.run(work, *given, told=told, stopped=stopped)
            stop.is_set = lambda: True
            return made

    monkeypatch.setattr(forecast_turns.nightly, "due", lambda *_: True)
    stop.rounds = 1
    forecast_watch.watch(yard, stop, Last(in_this_process, None, 0))
    assert begun == [forecast_turns.work_out]


def test_systemd_hears_that_it_lives_while_one_piece_of_work_goes_on(yard, tried, monkeypatch):
    heard = []
    monkeypatch.setattr(forecast_watch.service_manager, "alive", lambda: heard.append(0))

    class Long:
        def run(self, _work, *_given, stopped, **_how):
            heard.clear()
            for _ in range(5):
                assert not stopped()
            return []

        def close(self):
            pass

    forecast_watch.watch(yard, Stop(1), Long())
    assert len(heard) == 5


def test_told_to_stop_the_night_begins_no_backup(yard, now_utc, monkeypatch):
    made = []
    monkeypatch.setattr(forecast_turns.nightly, "back_up", lambda *_: made.append(0))
    monkeypatch.setattr(forecast_turns.nightly, "plan_airs", lambda *_: 0)
    settings = forecast_turns.JobSettings(config=yard.config, woods=yard.woods)
    for stopped, backups in ((True, 0), (False, 1)):
        line = JobContext(tell=lambda _: None, stopped=lambda stopped=stopped: stopped)
        forecast_turns.night(line, settings, now_utc)
        assert len(made) == backups


def test_a_night_that_makes_way_for_timbers_leaves_its_backup_for_later(yard, now_utc, monkeypatch):
    made = []
    monkeypatch.setattr(forecast_turns.nightly, "back_up", lambda *_: made.append(0))
    monkeypatch.setattr(forecast_turns.nightly, "plan_airs", lambda *_: 0)
    settings = forecast_turns.JobSettings(config=yard.config, woods=yard.woods)
    job = JobContext(tell=lambda _: None, stopped=lambda: False)
    yard.store.note(forecast_turns.nightly.AIRS_LEFT_KEY, b'["loft"]')
    forecast_turns.night(job, settings, now_utc)
    assert not made
    yard.store.forget(forecast_turns.nightly.AIRS_LEFT_KEY)
    forecast_turns.night(job, settings, now_utc)
    assert len(made) == 1
