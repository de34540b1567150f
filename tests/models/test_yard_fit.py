"""Between a fit and the yard: the prior that a yard gives, the meter that read a timber, and the words."""

from __future__ import annotations

import dataclasses
import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
import judging

from baulk.models import species
from baulk.models.calibrate import parameters, yard_lessons
from baulk.models.diffusion import law_for
from baulk.models.known_readings import from_columns
from baulk.models.meter.profile import MeterSetting
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.yard.estimates import own
from baulk.models.yard.kinship import JOINT_PARAMETERS, LEARNED
from baulk.models.yard.prior import Learned, YardPrior

NOW = datetime(2026, 5, 14, tzinfo=UTC)
OAK = species.get("white oak")
LAW = law_for(OAK)
NAMES = [each.name for each in parameters.PARAMETERS]
KNOWN = YardPrior(
    rows={
        "ln_d": Learned(mean=-0.5, sd=0.3, timbers=9, near=4),
        "meter_bias:hand-held meter": Learned(mean=1.2, sd=0.5, timbers=7, near=7),
    }
)


def drawn(yard):
    rng = np.random.default_rng(1)
    return parameters.prior(judging.timber(), OAK, LAW, 64, rng, yard=yard)


def test_the_yards_prior_takes_the_place_of_two_rows_and_leaves_the_others():
    usual, learned = drawn(None), drawn(KNOWN)
    for name, mean, sd in (("ln_d", -0.5, 0.3), ("meter_bias", 1.2, 0.5)):
        row = learned[NAMES.index(name)]
        assert (row.mean(), row.std()) == pytest.approx((mean, sd), abs=1e-6)
    others = [i for i, name in enumerate(NAMES) if name not in {"ln_d", "meter_bias"}]
    assert np.array_equal(usual[others], learned[others])


def test_rows_that_the_yard_tells_together_hang_together():
    together = dataclasses.replace(
        KNOWN, rows={**KNOWN.rows, "slope": Learned(mean=0.1, sd=0.02, timbers=9)},
        together=("ln_d", "slope"), correlation=((1.0, -0.8), (-0.8, 1.0)),
    )  # fmt: skip
    theta = drawn(together)
    one, two = (theta[NAMES.index(name)] for name in together.together)
    assert np.corrcoef(one, two)[0, 1] == pytest.approx(-0.8, abs=0.01)
    assert (one.std(), two.std()) == pytest.approx((0.3, 0.02), rel=0.02)
    found = yard_lessons.posterior(theta, judging.timber(), OAK, LAW, together)
    i, k = (found.names.index(name) for name in together.together)
    assert found.prior_cov[i, k] == pytest.approx(-0.8 * 0.3 * 0.02)
    assert "slope" not in together.without("slope").rows
    assert together.without("slope").together == ("ln_d",)
    assert together.without("slope").correlation == ((1.0,),)


def test_a_fit_that_found_nothing_gives_back_its_prior():
    for known in (None, KNOWN):
        found = yard_lessons.posterior(drawn(known), judging.timber(), OAK, LAW, known)
        assert set(found.names) == set(LEARNED) == set(yard_lessons.defaults(judging.timber(), OAK, LAW))
        assert found.mean == pytest.approx(found.prior_mean, abs=0.02)
        assert np.diag(found.cov) == pytest.approx(np.diag(found.prior_cov), rel=0.1)
    at = found.names.index("ln_d")
    assert (found.prior_mean[at], found.prior_cov[at, at]) == (-0.5, pytest.approx(0.09))
    assert found.default_sd[at] == pytest.approx(np.log(2))
    usual = parameters.middle(judging.timber(), OAK, LAW)
    assert found.default_mean[found.names.index("slope")] == usual[parameters.SLOPE]


def test_a_start_that_was_measured_teaches_the_lot_and_is_not_overruled_by_it():
    measured = judging.timber(green_mc_pct=78.0)
    assert yard_lessons.defaults(measured, OAK, LAW) == yard_lessons.defaults(judging.timber(), OAK, LAW)
    theta = parameters.prior(measured, OAK, LAW, 64, np.random.default_rng(1))
    start = own(yard_lessons.posterior(theta, measured, OAK, LAW, None), JOINT_PARAMETERS).says["start"]
    assert start.value == pytest.approx(78.0, abs=6.0)
    assert start.sd == pytest.approx(parameters.START_SD_MEASURED_PCT, rel=0.3)


def read(source="hand", quantity=Quantity.MOISTURE, flags=(), depth_mm=20):
    series = Series(
        owner=Owner.TIMBER, name="T", quantity=quantity,
        depth_mm=None if quantity is Quantity.WEIGHT else depth_mm,
    )  # fmt: skip
    return Reading(series=series, value=20, taken_utc=NOW, arrived_utc=NOW, source=source, flags=flags)


def meter(readings, corrections):
    return yard_lessons.meter_of(from_columns(readings).kinds(), corrections)


def test_the_meter_of_a_timber_is_the_one_that_took_nearly_all_its_readings():
    assert meter([read()] * 4 + [read("mqtt")], ()) == "hand-held meter"
    assert meter([read("mqtt")] * 5, ()) == "fixed sensors"
    assert meter([read("mqtt", flags=("sensor-S7",))], ()) == "sensor S7"
    assert meter([read(), read("mqtt")], ()) is None
    assert meter([read(quantity=Quantity.WEIGHT)], ()) is None
    pins = MeterSetting(series="timber/*/pin-20/*")
    assert meter([read()], (pins, MeterSetting())) == "meter of timber/*/pin-20/*"
    assert meter([read()], (MeterSetting(),)) == "hand-held meter"


def reasons(**row):
    given = {"mean": 0.0, "sd": 0.3, "timbers": 23, "near": 9}
    return YardPrior(rows={"ln_d": Learned(**given | row)}).reasons("white oak")


def test_it_is_told_how_many_timbers_speak():
    (leans,) = reasons()
    assert (leans.code, dict(leans.values)) == (
        "yard.leans_on", {"species": "white oak", "timbers": 23, "near": 9}
    )  # fmt: skip
    (parted,) = reasons(timbers=1, near=0, parted=True)
    assert (parted.code, parted.values["timbers"]) == ("yard.dries_unlike", 1)
    assert reasons(timbers=0, near=0) == ()  # many who whisper
    assert YardPrior().reasons("white oak") == ()


def test_it_is_told_what_earlier_forecasts_did_to_the_width():
    wider = YardPrior(spread=1.25, compared=12)
    (said,) = wider.reasons("red oak")
    assert (said.code, said.values["compared"]) == ("yard.forecasts_missed", 12)
    assert said.values["width_share"] == pytest.approx(0.25)
    (said,) = dataclasses.replace(wider, spread=0.9, compared=1).reasons("red oak")
    assert said.code == "yard.forecasts_came_nearer"
    assert said.values["width_share"] == pytest.approx(0.1)
    assert dataclasses.replace(wider, spread=1.04).reasons("red oak") == ()
