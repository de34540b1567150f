"""New readings taken into a stored fit: nearly the whole fit's answer in a fraction of its time."""

from __future__ import annotations

import dataclasses
import datetime as dt
import sys
import time
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
import judging

from baulk.models import species
from baulk.models.calibrate import calibration
from baulk.models.errors import OutOfRange
from baulk.models.section import Face, Kerf
from baulk.models.timber import Event, EventKind

OAK = species.get("white oak")
DAYS = 300


class Yard:
    """One timber and all that will be read of it."""

    def __init__(self, side=150.0, d_factor=1.0, seed=2):
        self.piece = judging.timber(DAYS, side=side, finished=0.7 * side)
        self.air = judging.shed(self.piece.arrived_utc, DAYS)
        at_s = self.piece.arrived_utc.timestamp() + judging.DAY_S * np.arange(2, DAYS + 1, 5)
        self.fields = judging.truth(self.piece, self.air, at_s, d_factor=d_factor)
        self.readings = [
            *judging.pins(self.piece, self.fields, seed=seed),
            *judging.weights(self.piece, self.fields, seed=seed + 7),
        ]
        self.at_s = [at + 3600 for at in at_s]

    def upto(self, at_s):
        return [each for each in self.readings if each.taken_utc.timestamp() <= at_s]

    def fit(self, at_s, readings=None, **more):
        return calibration.fit(
            *self.parts(at_s, readings), law=judging.law(self.piece), now_posix_s=at_s, **more
        )

    def update(self, previous, at_s, readings=None, **more):
        return calibration.update(
            previous, *self.parts(at_s, readings), law=judging.law(self.piece), now_posix_s=at_s, **more
        )

    def parts(self, at_s, readings):
        return self.piece, OAK, self.upto(at_s) if readings is None else readings, self.air


@pytest.fixture(scope="module")
def yard():
    return Yard()


@pytest.fixture(scope="module")
def early(yard):
    return yard.fit(yard.at_s[-7])


def quantiles(fitted):
    return np.quantile(fitted.field_now.mean_pct, (0.05, 0.5, 0.95))


@pytest.mark.parametrize(("side", "d_factor", "seed"), [(150.0, 1.0, 2), (120.0, 0.6, 3), (90.0, 1.6, 4)])
def test_six_updates_agree_with_the_whole_fit_within_a_point(side, d_factor, seed):
    yard = Yard(side, d_factor, seed)
    fitted = yard.fit(yard.at_s[-7])
    for at_s in yard.at_s[-6:]:
        fitted = yard.update(fitted, at_s)
        assert fitted.why_whole is None
    whole = yard.fit(yard.at_s[-1])
    assert fitted.updates == 6
    low, middle, high = np.abs(quantiles(fitted) - quantiles(whole))
    assert middle < 1.0  # median of the mean; the whole fit's own spread is 1 to 5 points
    assert max(low, high) < 2.2
    assert np.median(fitted.field_now.core_pct) == pytest.approx(np.median(whole.field_now.core_pct), abs=1.5)
    assert np.std(fitted.field_now.mean_pct) == pytest.approx(np.std(whole.field_now.mean_pct), rel=0.35)


def test_an_update_takes_a_third_of_the_time_of_a_whole_fit_at_most(yard, early):
    at_s, took = yard.at_s[-6], {}
    for name, work in (("update", lambda: yard.update(early, at_s)), ("fit", lambda: yard.fit(at_s))):
        took[name] = []
        for _ in range(4):
            begun = time.perf_counter()
            work()
            took[name].append(time.perf_counter() - begun)
    assert min(took["update"]) < min(took["fit"]) / 3


def test_a_state_is_read_back_and_goes_on_as_before(yard, early):
    at_s = yard.at_s[-6]
    again = calibration.resume(early.state())
    assert len(early.state()) < 200_000
    assert (again.used, again.left_out, again.notes, again.seen) == (
        early.used, early.left_out, early.notes, early.seen,
    )  # fmt: skip
    assert again.field_now.section == early.field_now.section
    kerfed = dataclasses.replace(early.field_now.section, kerf=Kerf(face=Face.C, depth_mm=40.0))
    sawn = dataclasses.replace(early, field_now=dataclasses.replace(early.field_now, section=kerfed))
    assert calibration.resume(sawn.state()).field_now.section == kerfed
    assert [one.measured_pct for one in again.readings] == [one.measured_pct for one in early.readings]
    np.testing.assert_allclose(again.field_now.mc_pct, early.field_now.mc_pct, rtol=1e-6)
    np.testing.assert_array_equal(again.theta, early.theta)
    np.testing.assert_allclose(
        yard.update(again, at_s).field_now.mean_pct, yard.update(early, at_s).field_now.mean_pct, atol=0.01
    )


@pytest.mark.parametrize("state", [b"", b"rubbish", b"x\x9c\xab\xae\x05\x00\x01u\x00\xf9"])
def test_a_damaged_state_is_refused_in_words(state):
    with pytest.raises(OutOfRange, match="fit it anew"):
        calibration.resume(state)


def test_without_a_new_reading_it_only_dries_on(yard, early):
    at_s = early.field_now.posix_s + 3 * judging.DAY_S
    later = yard.update(early, at_s, readings=yard.upto(early.field_now.posix_s))
    assert later.updates == 0
    assert later.field_now.posix_s == at_s
    assert np.all(later.field_now.mean_pct <= early.field_now.mean_pct + 0.2)
    np.testing.assert_array_equal(later.theta, early.theta)
    assert later.history_posix_s[-1] == at_s
    assert later.history_mean_pct.shape[0] == early.history_mean_pct.shape[0] + 1


def event(yard, kind, at_s, **detail):
    at_utc = dt.datetime.fromtimestamp(at_s, dt.UTC)
    return Event(tag=yard.piece.tag, kind=EventKind(kind), at_utc=at_utc, detail=detail)


def test_it_says_why_a_whole_fit_was_due_and_makes_it(yard, early):
    at_s = yard.at_s[-6]
    late = dataclasses.replace(yard.readings[40], value=yard.readings[40].value + 1)
    wild = dataclasses.replace(yard.upto(at_s)[-1], value=0.6 * yard.upto(at_s)[-1].value)
    cut = event(yard, "cut", at_s - 2 * judging.DAY_S, length_mm=1000)
    photo = event(yard, "photographed", at_s - 2 * judging.DAY_S, file="a.jpg")
    few = yard.fit(yard.at_s[1])
    for why, made in (
        ("changed", yard.update(early, at_s, [*yard.upto(at_s)[:40], late, *yard.upto(at_s)[41:]])),
        ("changed", yard.update(early, at_s, events=[cut])),
        ("unusable", yard.update(early, at_s, [*yard.upto(at_s)[:-1], wild])),
        ("few_readings", yard.update(few, at_s)),
        ("old", yard.update(yard.fit(yard.at_s[20]), at_s)),
        ("in_future", yard.update(early, yard.at_s[-9])),
        ("stepped", yard.update(dataclasses.replace(early, stepped_posix_s=yard.at_s[-20]), at_s)),
        ("many_updates", yard.update(dataclasses.replace(early, updates=10), at_s)),
        ("members", yard.update(early, at_s, members=32)),
    ):
        assert made.why_whole.code == f"whole_fit.{why}"
        assert made.updates == 0
    assert yard.update(early, at_s, events=[photo]).why_whole is None
    assert (early.whole, yard.update(early, at_s).whole) == (True, False)
    same = yard.fit(at_s, events=[cut])
    np.testing.assert_array_equal(yard.update(early, at_s, events=[cut]).theta, same.theta)


def test_a_second_reading_of_a_day_adds_nothing_and_costs_no_whole_fit(yard, early):
    at_s = yard.at_s[-6]
    once = yard.update(early, at_s)
    again = dataclasses.replace(yard.upto(at_s)[-1], taken_utc=dt.datetime.fromtimestamp(at_s + 1800, dt.UTC))
    twice = yard.update(once, at_s + 3600, [*yard.upto(at_s), again])
    assert twice.why_whole is None
    assert (twice.used, twice.updates) == (once.used, once.updates)
