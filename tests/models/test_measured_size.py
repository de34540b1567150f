"""A measured size tells how much a piece shrinks: against a hand calculation, and through a whole fit."""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
import judging

from baulk.models import end_grain, openings, species, text
from baulk.models.calibrate import calibration, measured_size, parameters
from baulk.models.quantity import Quantity
from baulk.models.reading import Series
from baulk.models.section import Face, Section
from baulk.models.timber import Event, EventKind

DAY_S = judging.DAY_S
DAYS = 700
SIDE = 120.0
PIECE = judging.timber(days=DAYS, side=SIDE, section=Section(width_mm=SIDE, depth_mm=SIDE, pith_y_mm=-3000.0))
OAK = species.get("white oak")
AIR = judging.shed(PIECE.arrived_utc, DAYS)
BEGIN = PIECE.arrived_utc.timestamp()
AT = BEGIN + DAY_S * np.array([90.0, 250.0, 400.0, 550.0, 690.0])
FIELDS = judging.truth(PIECE, AIR, AT, d_factor=2.5)
READINGS = [*judging.pins(PIECE, FIELDS, bias=0.0, sd=0.3), *judging.weights(PIECE, FIELDS)]


def truly(field, factor, total_pct):
    """Width of a piece with flat rings, evenly of its mean (the handbook's straight line, eq. 4-9)."""
    done = np.maximum(0.0, 1 - field.mc_pct[0] / OAK.shrinkage_onset_pct)
    mean = float((done * field.area_mm2).sum() / field.area_mm2.sum())
    return SIDE * (1 - factor * total_pct / 100 * mean)


def measured(factor, *, off_mm=(0.0,) * 5):
    """Sizes by rule of a timber that shrinks by a factor on its species; its rings lie along the width."""
    return tuple(
        Event(
            tag=PIECE.tag, kind=EventKind.MEASURED, at_utc=datetime.fromtimestamp(at, UTC),
            detail={"width_mm": truly(each, factor, OAK.shrinkage_tangential_pct) + off,
                    "depth_mm": truly(each, factor, OAK.shrinkage_radial_pct)},
        )
        for at, each, off in zip(AT, FIELDS, off_mm, strict=True)
    )  # fmt: skip


def fit(events=(), readings=READINGS):
    return calibration.fit(
        PIECE, OAK, readings, AIR, law=judging.law(PIECE), now_posix_s=judging.NOW.timestamp(), events=events
    )


def factors(fitted):
    return np.exp(fitted.theta[parameters.SHRINKAGE])


@pytest.fixture(scope="module")
def plain():
    return fit()


def test_without_a_size_the_factor_is_the_spread_of_pieces(plain):
    assert np.std(np.log(factors(plain))) == pytest.approx(0.15, rel=0.05)
    assert plain.sizes == ()


@pytest.mark.parametrize("true", [0.75, 1.0, 1.3])
def test_sizes_by_rule_draw_the_factor_to_the_truth_and_narrow_it(true):
    found = factors(fit(measured(true)))
    assert np.std(np.log(found)) < 0.75 * 0.15  # what is left is how wet it is
    assert abs(np.log(np.median(found) / true)) < 2 * np.std(np.log(found)) + 0.03


def test_one_size_of_known_moisture_is_the_hand_calculation():
    """Of one size the factor is normal about a normal (Gelman and others, Bayesian Data Analysis, 2.5)."""
    whole_mm, sd_mm = -8.0, 0.8
    low, middle, high = (
        measured_size._drawn(np.array([-9.6]), np.array([whole_mm]), np.array([[sd_mm**2]]), quantile)
        for quantile in (0.05, 0.5, 0.95)
    )
    # in the factor itself: prior 1 with 0.15, measured 1.2 with 0.1; its logarithm skews the prior a little
    weight = 0.15**-2 + 0.1**-2
    expected = (0.15**-2 + 1.2 * 0.1**-2) / weight
    assert np.exp(middle) == pytest.approx(expected, abs=0.015)
    assert (np.exp(high) - np.exp(low)) / 3.29 == pytest.approx(weight**-0.5, abs=0.01)


def test_a_size_that_nobody_foresaw_is_told_and_hardly_counts():
    """The rule was read an inch short once: the others decide."""
    events = measured(1.0, off_mm=(0.0, 0.0, 0.0, 0.0, -25.4))
    fitted = fit(events)
    assert abs(np.log(np.median(factors(fitted)))) < 0.1
    (unlike,) = [each for each in fitted.notes if each.code == "calibration.size_unlike"]
    assert (unlike.values["what"], unlike.values["face"]) == ("width", "")
    said = text.sentence(unlike, "metric")
    assert "is smaller than the" in said
    newest = [each for each in fitted.sizes if each.what == "width"][-1]
    assert newest.unlike
    assert newest.low_mm < newest.foreseen_mm < newest.high_mm


def test_a_gauge_tells_more_than_a_rule_and_the_fit_keeps_what_it_was_told():
    series = [
        judging.reading(PIECE, at, truly(each, 1.3, OAK.shrinkage_tangential_pct), quantity=Quantity.WIDTH)
        for at, each in zip(AT, FIELDS, strict=True)
    ]
    fitted = fit(readings=[*READINGS, *series])
    assert np.median(factors(fitted)) > 1.15
    back = calibration.resume(fitted.state())
    assert back.sizes == fitted.sizes
    assert np.array_equal(back.theta, fitted.theta)


def near_end(events, from_end_mm):
    """The same, measured near an end, where the wood is at the air's EMC and has shrunk all it will."""
    return tuple(
        replace(each, detail={"width_mm": SIDE * 0.92, "from_end_mm": from_end_mm}) for each in events
    )


def test_a_size_that_the_end_has_dried_moves_no_factor_and_says_so(plain):
    """A strip of an end an inch long is dry within a year: its size is not that of the section."""
    fitted = fit(near_end(measured(1.0), 25.0))
    assert np.array_equal(fitted.theta, plain.theta)
    assert not any(each.unlike for each in fitted.sizes)
    (near,) = [each for each in fitted.notes if each.code.startswith("calibration.s")]
    assert near.code == "calibration.size_near_end"
    assert (near.values["sizes"], near.values["from_end_mm"]) == (5, 25)
    days = (AT[-1] - BEGIN) / DAY_S
    reach = end_grain.reach_mm(judging.law(PIECE), days, sealed=PIECE.ends_sealed)
    assert near.values["reach_mm"] == pytest.approx(reach)
    inner = fit(near_end(measured(1.0), reach + 10.0))
    codes = {each.code for each in inner.notes}
    assert "calibration.shrinks" in codes
    assert "calibration.size_near_end" not in codes
    assert calibration.resume(fitted.state()).sizes == fitted.sizes


def test_two_gauges_at_two_places_are_two_sizes_of_each_day():
    def gauge(where, off_mm):
        series = Series.parse(f"timber/{PIECE.tag}/{where}")
        return [
            replace(judging.reading(PIECE, at, SIDE - off_mm, quantity=series.quantity), series=series)
            for at in AT
        ]

    readings = [*gauge("end-1000/a/width", 2.0), *gauge("end-1200/width", 1.0), *gauge("depth", 0.5)]
    given = calibration.inputs_of(PIECE, OAK, AIR, judging.law(PIECE), judging.NOW.timestamp(), (), (), ())
    found = measured_size.sizes_of(given, readings)
    assert [(each.measure, each.mm, each.place) for each in found[:3]] == [
        ("face a", SIDE - 2.0, 1), ("middle width", SIDE - 1.0, 2), ("middle depth", SIDE - 0.5, -1),
    ]  # fmt: skip
    assert len(found) == 15


def test_only_sizes_of_the_present_section_count():
    planed = Event(
        tag=PIECE.tag, kind=EventKind.PLANED, at_utc=PIECE.arrived_utc + timedelta(days=200),
        detail={"width_mm": 110.0, "depth_mm": 110.0, "from_width_mm": SIDE, "from_depth_mm": SIDE},
    )  # fmt: skip
    piece = judging.timber(
        days=DAYS, side=SIDE, section=Section(width_mm=110.0, depth_mm=110.0, pith_y_mm=-3000.0)
    )
    given = calibration.inputs_of(
        piece, OAK, AIR, judging.law(piece), judging.NOW.timestamp(), (planed, *measured(1.0)), (), ()
    )
    found = measured_size.sizes_of(given, ())
    assert {each.posix_s for each in found} == set(AT[1:])
    assert {each.measure for each in found} == {"middle width", "middle depth"}
    along = Event(
        tag=PIECE.tag, kind=EventKind.MEASURED, at_utc=judging.NOW, detail={"width_mm": 108.0, "face": "a"}
    )
    given = calibration.inputs_of(
        piece, OAK, AIR, judging.law(piece), judging.NOW.timestamp(), (planed, along), (), ()
    )
    (one,) = measured_size.sizes_of(given, ())
    assert (one.face, one.measure) == (Face.A, "face a")


def test_the_hearts_check_stands_beside_what_was_foreseen_of_its_opening():
    """Even shrinkage opens a slit to the pith by 2 pi r (sT - sR): exact (test_opened_heart.py)."""
    boxed = judging.timber(days=DAYS, side=SIDE, section=Section(width_mm=SIDE, depth_mm=SIDE))
    checked = Event(
        tag=PIECE.tag, kind=EventKind.CHECKED, at_utc=datetime.fromtimestamp(AT[-1], UTC),
        detail={"face": "d", "width_mm": 6.0, "depth_mm": 50.0},
    )  # fmt: skip
    fitted = calibration.fit(
        openings.kerfed(boxed, (checked,)), OAK, READINGS, AIR, law=judging.law(boxed),
        now_posix_s=judging.NOW.timestamp(), events=(checked,),
    )  # fmt: skip
    (seen,) = fitted.sizes
    assert (seen.what, seen.face, seen.measured_mm) == ("check", "d", 6.0)
    mean = float(np.median(fitted.field_now.mean_pct))
    done = 1 - mean / OAK.shrinkage_onset_pct
    apart = (OAK.shrinkage_tangential_pct - OAK.shrinkage_radial_pct) / 100
    assert seen.foreseen_mm == pytest.approx(2 * np.pi * SIDE / 2 * apart * done, rel=0.25)
    assert not [each for each in fitted.notes if each.code == "calibration.shrinks"]  # a form tells no factor
