"""What binds: settling, build and season in turn decide, with signs, sizes and dates held to hand arithmetic.

Straight rings (the pith two metres away), so that the width moves with the radial and the depth with the
tangential coefficient. The coefficients are printed (`tests/reference/dimension-coefficients.csv`, from Wood
Handbook Table 13-5) and share nothing with the elastic section or its totals; they hold from 6 to 14 %, and
using them beyond it is worth most of the tolerance of a tenth.
"""

from __future__ import annotations

import csv
import dataclasses
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
import judging

from baulk.models import forecast, sorption, species, text, use_class
from baulk.models.air import AirSeries
from baulk.models.calibrate import calibration as fits
from baulk.models.drying.members import Members
from baulk.models.section import Section
from baulk.models.verdict import decision, readiness

WOOD, SIDE, MEMBERS = "white oak", 150.0, 24
ROWS = {
    row["species_or_row"]: row
    for row in csv.DictReader(
        (Path(__file__).parents[1] / "reference/dimension-coefficients.csv").read_text().splitlines()
    )
}
OAK = ROWS["White oak, commercial (group row)"]
RADIAL, TANGENTIAL = float(OAK["CR_per_pct"]), float(OAK["CT_per_pct"])
HAND = 0.1  # of the change: coefficients beyond their range, a pith that is not infinitely far away


def held(emc_pct, days=1200):
    """Air in which wood settles at a moisture, at 15 degC."""
    at_s = judging.NOW.timestamp() + judging.DAY_S * np.arange(0, days, 7)
    rh = float(sorption.rh_pct(15.0, emc_pct))
    return AirSeries(posix_s=at_s, temp_c=np.full(at_s.size, 15.0), rh_pct=np.full(at_s.size, rh))


def even(mc_pct, use, emc_pct, *, spread=0.3, build_days=365.0, d_factor=1.0, **changed):
    """A timber at one moisture all through, each member an average piece of its wood, in air that is held."""
    piece = judging.timber(
        days=30, wood=WOOD, side=SIDE + 10, finished=SIDE, use=use,
        section=Section(width_mm=SIDE + 10, depth_mm=SIDE + 10, pith_x_mm=-2000.0),
    )  # fmt: skip
    wood, law, air = species.get(WOOD), judging.law(piece), held(emc_pct)
    past = judging.shed(piece.arrived_utc, 40)
    fit = fits.fit(piece, wood, [], past, law=law, now_posix_s=judging.NOW.timestamp(), members=MEMBERS)
    one, field = np.ones(MEMBERS), fit.field_now
    of_each = mc_pct + spread * np.linspace(-1, 1, MEMBERS)
    mc = np.broadcast_to(of_each[:, None, None], field.mc_pct.shape).copy()
    members = Members(
        d_factor=d_factor * one, surface_factor=one, start_mc_pct=of_each, emc_offset_pct=0 * one
    )
    known = dataclasses.replace(
        fit,
        field_now=dataclasses.replace(field, mc_pct=mc, potential=None),
        members=members,
        used=fits.FEWEST,
    )
    return {
        "timber": piece,
        "species": wood,
        "use_class": dataclasses.replace(use_class.get(use), **changed),
        "calibration": known,
        "forecast": forecast.forecast(piece, wood, known, air, law=law, horizon_days=730),
        "work": readiness.Work(air=air, law=law, build_days=build_days),
    }


def judge(parts, **more):
    names = ("timber", "species", "use_class", "calibration", "forecast")
    return decision.judge(*(parts[name] for name in names), work=parts["work"], **more)


def decides(said):
    (found,) = [each for each in said.stages if each.decides]
    first = said.reasons[0]
    assert (first.code, first.values["what"]) == ("verdict.binds", found.what)  # what binds is said first
    return found


def told(said):
    return text.sentences(said.reasons, "metric")


def test_a_timber_at_5_percent_for_16_to_22_is_too_dry_and_swells_by_the_published_coefficients():
    said = judge(even(5.0, "backbone-above-water", 5.0, d_factor=4.0))
    assert said.step == "leave"
    binds = decides(said)
    assert (binds.what, binds.date_utc, binds.probability) == ("settling", None, 0.0)
    for change, coefficient in ((said.residual.width_mm, RADIAL), (said.residual.depth_mm, TANGENTIAL)):
        assert np.median(change) == pytest.approx(SIDE * coefficient * (19 - 5), rel=HAND)
    assert np.all(said.residual.size_change_mm > 0)
    dry = judging.told(said.reasons, "verdict.too_dry")
    assert dry["mean_pct"][1] == pytest.approx(5.0, abs=0.1)
    ends = judging.told(said.reasons, "verdict.service_range")
    assert ends["driest_mm"] == pytest.approx(SIDE * TANGENTIAL * (16 - 5), rel=HAND)
    assert ends["wettest_mm"] == pytest.approx(SIDE * TANGENTIAL * (22 - 5), rel=HAND)
    codes = set(judging.codes(said.reasons))
    assert not {"verdict.shrinkage_done", *(code for code in codes if "drier_air" in code)} & codes
    assert any("swell 8." in each for each in told(said))
    # the cure: damper air, or time where it will be used, which the mould limit speaks against
    assert any(code.startswith("change.damper_air") for code in codes)
    place = judging.told(said.reasons, "change.right_place")
    assert place["rh_pct"] == pytest.approx(float(sorption.rh_pct(15.0, 19.0)), abs=0.1)
    assert 0 < place["ready_days"] <= 730
    assert place["mould_rh_pct"] < place["rh_pct"]


def test_a_wet_timber_is_the_complement_of_a_dry_one():
    """As far above its service as the dry one lies below it: the same movement, the other way."""
    wet = judge(even(28.0, "backbone-above-water", 20.0, spread=1e-6))
    dry = judge(even(10.0, "backbone-above-water", 10.0, spread=1e-6))
    # each refers to the size in hand, which the dry one has shrunk to: totals of Table 4-3, onset 30 %
    for name, total in (("width_mm", 0.056), ("depth_mm", 0.105)):
        one, other = (
            np.sort(sign * getattr(said.residual, name)) * (1 - total * (1 - mc / 30))
            for said, sign, mc in ((wet, 1, 28.0), (dry, -1, 10.0))
        )
        np.testing.assert_allclose(one, other, rtol=2e-3)
    assert np.all(wet.residual.size_change_mm < 0)
    assert np.all(dry.residual.size_change_mm > 0)
    assert np.all(wet.residual.swelling_mm < 1e-9)
    codes = set(judging.codes(wet.reasons))
    assert not {"verdict.too_dry", "change.right_place"} & codes
    assert "verdict.shrinkage_done" in codes
    assert any("shrink" in each for each in told(wet))


def test_settling_decides_where_the_piece_is_wetter_than_its_service():
    said = judge(even(25.0, "backbone-above-water", 18.0, build_days=20.0))
    binds = decides(said)
    assert (binds.what, said.step) == ("settling", "leave")
    assert binds.change_mm[1] == pytest.approx(SIDE * TANGENTIAL * (19 - 25), rel=HAND)
    build = next(each for each in said.stages if each.what == "build")
    assert build.probability >= 0.95
    assert said.dates["square"] == binds.date_utc is not None  # nothing else is later
    assert said.spread_days["square"] == pytest.approx(binds.spread_days)


def test_the_build_decides_where_the_shop_is_drier_than_the_service():
    parts = even(19.0, "backbone-above-water", 9.0)
    said = judge(parts)
    binds = decides(said)
    assert (binds.what, said.step) == ("build", "leave")
    # by the end of the year between nothing and all of the way to the shop's 9 %
    assert SIDE * TANGENTIAL * (9 - 19) * (1 + HAND) < binds.change_mm[1] < -binds.limit_mm
    settling = next(each for each in said.stages if each.what == "settling")
    assert settling.probability >= 0.95
    # what would help is worked out: in air as in its service it does not move
    place = judging.told(said.reasons, "change.shop_air")
    assert place["build_probability"] == place["probability"] == 1.0
    short = judging.told(said.reasons, "change.shorter_build")
    assert 0 < short["shorter_days"] < 365
    assert (short["build_probability"] >= 0.95) is short["enough"]


@pytest.mark.parametrize(
    ("limits", "what", "service_pct", "code"),
    [
        ({"dry_season_mm_per_150": 1.0}, "dry_season", 12, "driest"),
        ({"damp_season_mm_per_150": 1.0}, "damp_season", 18, "dampest"),
    ],
)
def test_a_season_decides_only_where_its_use_says_that_it_breaks_it(limits, what, service_pct, code):
    none = {"dry_season_mm_per_150": None, "damp_season_mm_per_150": None}
    free = judge(even(15.0, "planking", 15.0, **none))
    assert free.step == "square"
    assert what not in {each.what for each in free.stages}
    assert "sets no limit for a season" in " ".join(told(free))
    said = judge(even(15.0, "planking", 15.0, **{**none, **limits}))
    binds = decides(said)
    assert (binds.what, said.step, binds.date_utc) == (what, "leave", None)
    assert binds.change_mm[1] == pytest.approx(SIDE * TANGENTIAL * (service_pct - 15), rel=HAND)
    assert code in told(said)[0]
    # no allowance for the rest would help, and that is said with the season's name
    assert judging.told(said.reasons, "change.allowance_no_help_season")["season"] == what


def test_built_in_limits_of_the_seasons_let_a_piece_at_rest_through():
    said = judge(even(15.0, "planking", 15.0))
    assert said.step == "square"
    assert {"dry_season", "damp_season"} <= {each.what for each in said.stages}


def test_a_no_never_stands_beside_the_number_that_was_wanted_or_beside_today():
    """The chance is put between the wanted one and that of a first yes: the no names what is needed."""
    parts = even(19.0, "backbone-above-water", 17.0, spread=3.0)
    rule = decision.Rule(
        species=parts["species"],
        use=parts["use_class"],
        service_mc_pct=decision.service_draw(parts["use_class"], MEMBERS),
        tolerance_mm=1.0,
        wanted=0.9,
    )
    found = readiness.path(
        parts["forecast"], parts["timber"].finished, rule, members=parts["calibration"].members,
        work=parts["work"],
    )  # fmt: skip
    need = float(np.sort(found.largest_mm()[0])[21]) * 1.0001  # 22 of the 24
    use = dataclasses.replace(parts["use_class"], tolerance_mm_per_150=need)
    said = judge({**parts, "use_class": use})
    assert 0.9 <= said.probability["square"] < 0.95
    assert (said.step, said.needed) == ("leave", 0.95)
    assert said.dates["square"] is None or said.dates["square"] > judging.NOW  # not "now" beside a no
    chance = next(each for each in said.reasons if each.code.startswith("verdict.chance"))
    assert chance.values["needed"] == 0.95
    kept = judge({**parts, "use_class": use}, previous="square")
    assert (kept.step, kept.dates["square"]) == ("square", judging.NOW)


def test_a_service_wetter_than_any_air_can_hold_is_no_error():
    said = judge(even(8.0, "backbone-above-water", 8.0, service_low_pct=26.0, service_high_pct=34.0))
    assert said.step == "leave"
    place = judging.told(said.reasons, "change.right_place")
    assert 90 < place["rh_pct"] <= 100
