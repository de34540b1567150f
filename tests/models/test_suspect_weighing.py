"""A drift and other wood are weighed against a sound series in a timber whose model is a straight line.

The line stands in for the drying model, so that what the numbers of the timber can explain is known exactly.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from baulk.models.calibrate import suspect_sensors
from baulk.models.calibrate.parameters import BIAS, FSP, PARAMETERS, D
from baulk.models.calibrate.screening import Observation
from baulk.models.reason import Reason

MEMBERS = 64
MONTHS = np.arange(0.0, 15.0, 0.75)
SERIES = ("a-20", "a-45", "d-20", "d-45")
DRY, WET = 15.0, 40.0


def prior():
    found = np.random.default_rng(5).standard_normal((len(PARAMETERS), MEMBERS))
    found[FSP] = 29 + 2 * found[FSP]
    return found


def line(months, theta, level):
    """What the members say: a level, one bias for all pins, and how fast the wood dries."""
    return level + 1.5 * theta[BIAS] + 0.1 * months * theta[D]


def record(level=DRY, wrong=None, series=SERIES, seed=2):
    """Readings of every series, of which `wrong` (names, change by months) show something else."""
    rng = np.random.default_rng(seed)
    found = []
    for months in MONTHS:
        for name in series:
            shown = level + rng.normal(0, 1.0)
            if wrong is not None and name in wrong[0]:
                shown += wrong[1](months)
            found.append(
                Observation(
                    posix_s=months * suspect_sensors.MONTH_S,
                    series=name,
                    measured_pct=shown,
                    sd_pct=2.0,
                    depth_mm=float(name.split("-")[1]),
                )
            )
    return found


def asked(data, level=DRY, *, pulled=None):
    """What is found after a fit that has drawn the members together, and its middle by `pulled`."""
    begun = prior()
    middle = begun.mean(axis=1, keepdims=True)
    theta = middle + 0.4 * (begun - middle)
    for row, by in (pulled or {}).items():
        theta[row] += by
    predicted = np.array([line(each.posix_s / suspect_sensors.MONTH_S, theta, level) for each in data])
    return suspect_sensors.suspect(data, predicted, theta, begun)


def half_a_point(months):
    return 0.5 * months


def test_a_drift_is_named_with_its_rate():
    found = asked(record(wrong=({"d-45"}, half_a_point)))
    assert (found.series, found.kind) == ("d-45", "drift")
    assert found.points == pytest.approx(0.5, abs=0.1)
    assert asked(record()) is None


@pytest.mark.parametrize("pulled", [{BIAS: 1.0}, {D: 2.0}, {BIAS: -0.7, D: 1.5}])
def test_a_fit_that_has_followed_the_drift_hides_nothing_of_it(pulled):
    data = record(wrong=({"d-45"}, half_a_point))
    here, there = asked(data), asked(data, pulled=pulled)
    assert there.series == here.series
    assert there.surer == pytest.approx(here.surer, rel=0.01)
    assert there.points == pytest.approx(here.points, rel=0.01)


def test_what_all_series_do_alike_is_the_timber_and_no_fault():
    def slower(months):
        return 0.25 * months

    assert asked(record(wrong=({"d-45"}, slower))).series == "d-45"
    assert asked(record(wrong=(SERIES, slower))) is None


def test_other_wood_is_named_with_how_far_it_is_off():
    def other(months):
        return 9 - 0.3 * months

    found = asked(record(wrong=({"a-20"}, other)))
    assert (found.series, found.kind) == ("a-20", "other wood")
    assert found.points == pytest.approx(5, abs=1.5)


def test_above_saturation_nothing_is_said_whatever_the_pins_do(monkeypatch):
    def quickly(months):
        return 1.5 * months

    data = record(level=WET, wrong=({"d-45"}, quickly))
    assert asked(data, WET) is None
    monkeypatch.setattr(suspect_sensors, "LEAST_TELLING", 0)
    assert asked(data, WET).series == "d-45"


def test_of_two_that_part_both_are_named_as_the_one_or_the_other():
    """Neither has a third beside it; the bias may be either's."""

    def up(months):
        return 0.25 * months

    data = record(wrong=({"a-45"}, up), series=("a-20", "a-45"))
    both = [
        each
        if each.series == "a-45"
        else Observation(
            posix_s=each.posix_s, series=each.series, sd_pct=2.0, depth_mm=20.0,
            measured_pct=each.measured_pct - up(each.posix_s / suspect_sensors.MONTH_S),
        )
        for each in data
    ]  # fmt: skip
    found = asked(both)
    assert set(found.every) == {"a-20", "a-45"}
    assert found.reason.code == "calibration.one_of_two"
    assert {found.reason.values["series"], found.reason.values["instead"]} == {"a-20", "a-45"}


def test_where_three_explain_it_alike_none_is_named(monkeypatch):
    data = record(wrong=({"d-45"}, half_a_point))
    assert asked(data).every == ("d-45",)
    monkeypatch.setattr(suspect_sensors, "BEATS", 1000.0)
    assert asked(data) is None


def test_too_few_months_readings_or_members_name_nothing():
    data = record(wrong=({"d-45"}, half_a_point))
    assert asked(data[:20]) is None
    few = [each for i, each in enumerate(data) if each.series != "d-45" or i // len(SERIES) % 4 == 0]
    assert sum(each.series == "d-45" for each in few) < suspect_sensors.LEAST_READINGS
    assert asked(few) is None
    begun = prior()[:, :20]
    predicted = np.array([line(0.0, begun, DRY) for _ in data])
    assert suspect_sensors.suspect(data, predicted, begun, begun) is None


def test_readings_that_were_set_aside_are_not_looked_at():
    data = record(wrong=({"d-45"}, half_a_point))
    aside = [
        Observation(
            posix_s=each.posix_s, series=each.series, measured_pct=each.measured_pct, sd_pct=2.0,
            depth_mm=each.depth_mm, aside=Reason(code="calibration.drifts"),
        )
        if each.series == "d-45"
        else each
        for each in data
    ]  # fmt: skip
    assert asked(aside) is None


def test_how_much_surer_is_the_ratio_of_two_t_densities():
    """Against scipy's multivariate t with and without the departure in its shape."""
    rng = np.random.default_rng(3)
    root = rng.standard_normal((12, 12))
    covariance = root @ root.T + np.eye(12)
    off, mine = rng.standard_normal(12) * 2, np.array([2, 5, 7, 11])
    precision = np.linalg.inv(covariance)
    whole = suspect_sensors._Whole(
        precision=precision,
        pulled=precision @ off,
        misfit=float(off @ precision @ off),
        months=np.arange(12.0),
    )
    added = np.exp(-np.abs(mine[:, None] - mine) / 4.0) * 9
    wider = covariance.copy()
    wider[np.ix_(mine, mine)] += added
    df = suspect_sensors.FREEDOM
    ratio = stats.multivariate_t(shape=wider, df=df).logpdf(off) - stats.multivariate_t(
        shape=covariance, df=df
    ).logpdf(off)
    surer, departs = whole._departing(mine, added)
    assert surer == pytest.approx(ratio, abs=1e-9)
    assert departs == pytest.approx(added @ np.linalg.solve(wider, off)[mine], abs=1e-9)
