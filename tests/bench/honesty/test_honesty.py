"""The goals that forecasts are held to, on timbers whose truth shares nothing with the program.

`tests/run --bench -k honesty -s` prints the tables. The program before these goals were set had, on the same
60 timbers after 3, 9 and 15 months, an interval score at 180 days of 29.9 for the mean, 64.1 for the core and
13.4 for the shell, and held 66, 52 and 79 % of the truths in its 90 % intervals.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))

from honesty import accuracy, kin, run, scores

TIMBERS = 60
AHEAD = 180
BEFORE = {"mean": 29.93, "core": 64.08, "shell": 13.40}
SHARPER = {"mean": 0.42, "core": 0.40, "shell": 0.85}
BIAS_PCT, BIAS_CORE_30_45_PCT = 0.7, 1.2
FEW = 9  # timbers of a group below which its coverage says nothing


def coverage_misses(table):
    """Where 90 % intervals do not hold what they promise."""
    ahead = table[table["horizon"] == AHEAD]
    for part, each in ahead.groupby("part"):
        if not 0.85 <= (held := each["in90"].mean()) <= 0.95:
            yield f"{part}: {held:.0%} held"
        for by in ("physics", "months", "band"):
            for name, group in each.groupby(by):
                if group["number"].nunique() >= FEW and (held := group["in90"].mean()) < 0.80:
                    yield f"{part}, {by} {name}: {held:.0%} held"


def bias_misses(table):
    for (band, part), each in table[table["horizon"] == AHEAD].groupby(["band", "part"]):
        most = BIAS_CORE_30_45_PCT if (band, part) == ("30-45", "core") else BIAS_PCT
        if each["number"].nunique() >= FEW and abs(bias := each["bias"].mean()) > most:
            yield f"{part}, band {band}: bias {bias:+.1f}"


def sharpness_misses(table):
    ahead = table[table["horizon"] == AHEAD]
    for part, each in ahead.groupby("part"):
        if (ratio := each["winkler"].mean() / BEFORE[part]) > SHARPER[part]:
            yield f"{part}: interval score {ratio:.2f} of what it was"
    mean = ahead[ahead["part"] == "mean"]
    if (error := mean["error"].median()) > 1.7:
        yield f"median error of the mean {error:.2f}"
    beside = scores.against_baselines(table, AHEAD).loc[("mean", "weighed"), "program / exponential"]
    if beside > 0.6:
        yield f"median error on weighed timbers {beside:.2f} of the exponential's"


def told(misses):
    misses = list(misses)
    print("\n".join(["", *misses]))
    assert misses == []


@pytest.fixture(scope="module")
def whole():
    moisture, movement = run.asked(range(TIMBERS))
    run.tell(moisture, movement)
    return scores.frame(moisture), scores.movement(movement)


@pytest.mark.bench
@pytest.mark.timeout(3600)
def test_intervals_hold_what_they_promise(whole):
    told(coverage_misses(whole[0]))


@pytest.mark.bench
@pytest.mark.timeout(3600)
def test_forecasts_lean_to_neither_side(whole):
    told(bias_misses(whole[0]))


@pytest.mark.bench
@pytest.mark.timeout(3600)
def test_forecasts_are_sharp_as_well(whole):
    told(sharpness_misses(whole[0]))


@pytest.mark.bench
@pytest.mark.timeout(3600)
def test_movement_told_holds_nine_times_in_ten(whole):
    free = whole[1][~whole[1]["boxed"]]  # a boxed heart checks, which the truth does not do
    assert 0.85 <= free["in90"].mean() <= 0.95


@pytest.mark.bench
@pytest.mark.timeout(7200)
def test_a_yes_to_squaring_holds():
    rows = run.squared(range(TIMBERS))
    run.tell_squared(rows)
    found = scores.squaring(rows)
    # these two goals were set for service alone; the tables tell the year of building as well
    assert found["first yes holds in service alone, share"] >= 0.88
    assert 0.82 <= found["dates kept in service alone, share"] <= 0.96
    chances = [row["probability"] for row in rows]
    bins = scores.reliability(chances, [row["holds"] for row in rows], edges=(0, 0.2, 0.5, 0.8, 1.0001))
    enough = bins[bins["n"] >= 25]
    assert np.all(np.abs(enough["mean told"] - enough["held"]) <= 0.08)


YARDS = 24  # of ten timbers that were read and one that was not


@pytest.mark.bench
@pytest.mark.timeout(7200)
@pytest.mark.parametrize("shared", [True, False])
def test_ten_of_a_lot_serve_the_one_that_nobody_reads(shared):
    rows = [kin.asked(number, 10, 1, shared=shared) for number in range(YARDS)]
    kin.tell(rows)
    assert kin.figures(rows, "yard")["covers"] >= 0.85
    assert kin.figures(rows, "yard")["score"] < kin.figures(rows, "alone")["score"]
    if shared:
        assert kin.narrower(rows)[0] >= 0.30
    else:  # they share their physics, meter and shed all the same
        assert kin.narrower(rows)[0] < 0.10


LOTS = 60  # of two timbers: an honest program holds less than 80 % of them once in 175 runs


@pytest.mark.bench
@pytest.mark.timeout(3600)
def test_the_second_of_a_lot_read_by_hand_and_weighed_is_held():
    rows = [row for number in range(LOTS) for row in accuracy.lot(number, ("of a lot: hand, scale, air 3",))]
    told = list(accuracy.table(rows))
    print(told)
    assert [each["part"] for each in told] == ["mean", "core"]
    assert all(each["timbers"] == LOTS and each["covered_pct"] >= 80 for each in told)


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_a_few_timbers_show_no_gross_failure():
    # ten timbers say little: only what an honest program shows less than once in a hundred runs is a failure
    # one process, for each would compile the truths' own solvers; how the truth moves is asked by nobody here
    moisture, _ = run.asked(range(20, 30), histories=(9,), moved=False, workers=1)
    ahead = scores.frame(moisture)
    ahead = ahead[ahead["horizon"] == AHEAD]
    assert ahead["number"].nunique() == 10
    assert ahead["in90"].mean() >= 0.6
    mean = ahead[ahead["part"] == "mean"]
    assert abs(mean["bias"].median()) <= 3.0
    assert mean["error"].median() < (mean["year an inch"] - mean["truth"]).abs().median() / 4
