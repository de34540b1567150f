"""The process that works out what a person asks: it comes when that is foreseen, and ends with the server."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor

import pytest
import streamlit as st

from baulk.dashboard import asgi
from baulk.dashboard.sections import folds, humidity_plan
from baulk.dashboard.server import page_worker
from baulk.ingest.planning import worker_jobs
from baulk.ingest.worker_process import WorkerDied


@pytest.fixture
def came(monkeypatch):
    found = []
    monkeypatch.setattr(page_worker._WORKER, "warm_up", lambda work, *_: found.append(work))
    return found


def at_timber(app, **more):
    app.switch_page("views/timber.py")
    for name, value in {"tag": "FER-01", **more}.items():
        app.query_params[name] = value
    app.run()
    assert not app.exception


@pytest.mark.parametrize("view", ["yard", "timber", "air", "plans", "readings", "health"])
def test_a_page_that_is_opened_starts_nothing(app, came, view):
    app.run()
    app.switch_page(f"views/{view}.py").run()
    assert not app.exception
    app.run()
    assert came == []
    assert page_worker._WORKER.pid is None


def test_it_comes_once_each_time_that_what_if_is_opened(app, came):
    app.run()
    at_timber(app, open="why")
    assert came == []
    at_timber(app, open="why.if")
    assert came == [worker_jobs.ready]
    app.run()
    app.run()
    assert len(came) == 1, "drawn again by itself, for hours if nobody closes it"
    at_timber(app, open="why")
    at_timber(app, open="if")
    assert len(came) == 2


@pytest.mark.parametrize("is_open", [True, False])
def test_a_tap_on_a_fold_is_told_when_it_opens_it(monkeypatch, is_open):
    monkeypatch.setattr(st, "session_state", {"fold-if": is_open})
    monkeypatch.setattr(folds.address, "get", lambda *_: "")
    monkeypatch.setattr(folds.address, "set", lambda **_: None)
    found = []
    folds._note("if", "fold-if", lambda: found.append(0))
    assert len(found) == is_open


@pytest.mark.parametrize("is_open", [True, False])
def test_it_comes_when_the_form_for_a_humidity_is_opened(came, monkeypatch, is_open):
    monkeypatch.setattr(st, "session_state", {humidity_plan.TRY: is_open})
    humidity_plan.foreseen()
    assert came == [worker_jobs.ready] * is_open


def test_it_comes_when_the_plan_of_parts_is_opened(app, came):
    app.run()
    app.switch_page("views/plans.py").run()
    app.segmented_control(key="plan_way").set_value("parts").run()
    assert not app.exception
    assert came == [worker_jobs.ready]


def test_who_asked_a_process_that_was_killed_is_told_to_press_again(monkeypatch):
    def killed(*_given, **_how):
        raise WorkerDied("the worker process was killed or ran out of memory (SIGKILL)")

    monkeypatch.setattr(page_worker._WORKER, "run", killed)
    with pytest.raises(WorkerDied, match=r"\(SIGKILL\); press the button again"):
        page_worker.run(worker_jobs.ready)


def test_it_ends_with_the_server(monkeypatch):
    ended = []
    monkeypatch.setattr(page_worker._WORKER, "close", lambda: ended.append(0))

    async def lives():
        async with asgi._beside(asgi.app):
            assert ended == []

    with ThreadPoolExecutor(1) as thread:  # the browser tests leave a loop that runs in this one
        thread.submit(lambda: asyncio.run(lives())).result()
    assert ended == [0]


def test_what_comes_has_loaded_what_the_model_takes():
    """It can't tell whether an answer loads still more, which would be seen as time alone."""
    run = (
        "import json, sys; from baulk.ingest.planning import worker_jobs; worker_jobs.ready(None);"
        "from baulk.models.drying import kernel; names = sorted(sys.modules);"
        "print(json.dumps([names, len(kernel.march.signatures), len(kernel.layers.signatures)]))"
    )
    done = subprocess.run(
        [sys.executable, "-c", run], capture_output=True, text=True, check=True, timeout=240
    )
    names, marches, layers = json.loads(done.stdout)
    assert {"numba", "skfem", "scipy.interpolate", "scipy.sparse.linalg"} <= set(names)
    assert (marches, layers) == (1, 1)
