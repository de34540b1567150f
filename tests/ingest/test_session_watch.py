"""A session that the broker lost is told where messages came by it, and only there."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import timedelta

import pytest

from baulk.ingest.monitoring import health
from baulk.ingest.mqtt.session_watch import SessionWatch
from baulk.ingest.store import notes


@dataclass
class Session:
    """What the watch sees of a session."""

    met: int = 1
    kept: bool = False
    connected: bool = True
    trusted_until_s: float | None = None


class Clock:
    def __init__(self, now):
        self.now = now

    def __call__(self):
        return self.now

    def on(self, **how):
        self.now += timedelta(**how)


@pytest.fixture
def clock(now_utc):
    return Clock(now_utc)


@pytest.fixture
def come(yard, clock):
    """A listener comes and finds its session kept or not; takes a message if asked; returns what it says."""

    def once(*, kept, message=False):
        watch, session = SessionWatch(yard, "ours", clock), Session(kept=kept)
        said = [watch.look(session)]
        clock.on(seconds=1)
        said.append(watch.took(session) if message else watch.look(session))
        clock.on(hours=1)
        return [each for each in said if each]

    return once


def told(yard, clock):
    return [each for each in health.look(yard, clock()).findings if each.kind is health.Trouble.SESSION]


def test_of_a_session_by_which_nothing_came_nothing_is_lost(yard, clock, come):
    for _ in range(3):  # a broker that is set up, and has another session each time
        assert come(kept=False) == []
    assert come(kept=True) == []
    assert come(kept=False) == []
    assert told(yard, clock) == []


def test_of_one_by_which_a_message_came_it_is_said_once(yard, clock, come):
    assert come(kept=False, message=True) == []
    assert come(kept=True) == [], "it was kept, and what came by it is still known"
    (said,) = come(kept=False)
    assert said.startswith("the broker no longer knew our session")
    assert come(kept=False) == [], "nothing has come by the one that took its place"
    assert len(told(yard, clock)) == 1


def test_a_message_is_noted_at_once_for_the_listener_may_be_ended_and_then_no_more(yard, clock, monkeypatch):
    watch, session = SessionWatch(yard, "ours", clock), Session()
    watch.look(session)
    assert not notes.sessions(yard.store)["ours"].heard
    watch.took(session)
    assert notes.sessions(yard.store)["ours"].heard
    monkeypatch.setattr(notes, "keep_session", None)
    watch.took(session)


def test_what_an_older_version_noted_may_have_lost_something(yard, clock, come):
    come(kept=False)
    ((key, note),) = yard.store.notes(notes.SESSION).items()
    body = json.loads(note)
    del body["heard"]
    yard.store.note(key, json.dumps(body).encode())
    assert len(come(kept=False)) == 1
