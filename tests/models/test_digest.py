"""The digest of a value changes with all that counts and with nothing else."""

from __future__ import annotations

import dataclasses
import os
import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
import judging

from baulk.models import digest
from baulk.models.calibrate import incremental
from baulk.models.meter.profile import MeterSetting
from baulk.models.timber import Event, EventKind

NOW = judging.NOW
NOW_S = NOW.timestamp()
PIECE = judging.timber()
DAYS = NOW.timestamp() - judging.DAY_S * np.arange(20, 0, -1)
READINGS = [judging.reading(PIECE, at_s, 20.0 + k, depth_mm=20.0) for k, at_s in enumerate(DAYS)]


def seen(timber=PIECE, events=(), corrections=(), readings=READINGS, upto_s=NOW_S):
    return incremental.seen(timber, events, corrections, readings, upto_s)


def other(at=3, **change):
    return [*READINGS[:at], dataclasses.replace(READINGS[at], **change), *READINGS[at + 1 :]]


def test_values_of_different_kinds_or_nesting_differ():
    values = [
        None, True, False, 1, 2.0, "1", "", (), ((),), (1, 2), ((1,), 2), {"a": 1}, {"a": (1,)}, {"b": 1},
        np.array([1.0, 2.0]), np.array([[1.0, 2.0]]), NOW, NOW.date(), EventKind.CUT, PIECE,
    ]  # fmt: skip
    assert len({digest.of(each) for each in values}) == len(values)
    assert digest.of("a", "b") != digest.of("ab")
    assert digest.of({"a": 1, "b": 2}) == digest.of({"b": 2, "a": 1})
    assert digest.of(1) == digest.of(np.float64(1.0))
    assert digest.of(date(2026, 3, 1)) == digest.of("2026-03-01")


def test_what_it_does_not_know_is_an_error_and_no_silence():
    with pytest.raises(TypeError, match="a set has no digest"):
        digest.of({1, 2})


def test_it_is_the_same_in_another_process():
    said = subprocess.run(
        [sys.executable, "-c", "from baulk.models import digest; print(digest.of({'b': 2.5, 'a': 'x'}))"],
        capture_output=True, text=True, check=True, env={**os.environ, "PYTHONHASHSEED": "3"},
    )  # fmt: skip
    assert said.stdout.strip() == digest.of({"b": 2.5, "a": "x"})


@pytest.mark.parametrize(
    "changed",
    [
        {"readings": READINGS[:-1]},
        {"readings": other(value=99.0)},
        {"readings": other(taken_utc=READINGS[3].taken_utc + timedelta(seconds=1))},
        {"readings": other(flags=("at-least",))},
        {"readings": other(source="hand")},
        {"readings": other(series=dataclasses.replace(READINGS[3].series, depth_mm=21.0))},
        {"timber": dataclasses.replace(PIECE, length_mm=2500.0)},
        {"corrections": (MeterSetting(series="*pin*"),)},
        {"events": (Event(tag=PIECE.tag, kind=EventKind.END_SEALED, at_utc=NOW - timedelta(days=9)),)},
    ],
    ids=lambda each: next(iter(each)),
)
def test_a_fit_is_not_gone_on_with_after_a_change(changed):
    assert seen(**changed) != seen()


@pytest.mark.parametrize(
    "same",
    [
        {"readings": READINGS[::-1]},
        {"readings": other(arrived_utc=NOW)},
        {"readings": other(source="import")},
        {"readings": other(flags=("clock",))},
        {"readings": [*READINGS, judging.reading(PIECE, NOW.timestamp() + 60, 30.0, depth_mm=20.0)]},
        {"corrections": []},
        {"events": (Event(tag=PIECE.tag, kind=EventKind.PHOTOGRAPHED, at_utc=NOW, detail={"file": "a"}),)},
        {
            "events": (
                Event(tag=PIECE.tag, kind=EventKind.END_SEALED, at_utc=NOW, undone_utc=datetime.now(UTC)),
            )
        },
    ],
    ids=lambda each: next(iter(each)),
)
def test_what_a_fit_does_not_look_at_leaves_it_as_it_is(same):
    assert seen(**same) == seen()
