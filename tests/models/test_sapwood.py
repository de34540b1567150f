"""Where the sapwood begins, how much of a section it is, and what a green timber weighs with it."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from baulk.models import sapwood, species
from baulk.models.errors import OutOfRange
from baulk.models.section import Section

BOX = Section(width_mm=200, depth_mm=180)
ASIDE = Section(width_mm=200, depth_mm=200, pith_x_mm=30, pith_y_mm=-170)
with (Path(__file__).parents[1] / "reference" / "green-moisture.csv").open(encoding="utf-8") as _file:
    ROWS = list(csv.DictReader(_file))


def drawn(section, heart_mm, count=400_000):
    """Share of sapwood by throwing points at the section: shares nothing with cells."""
    rng = np.random.default_rng(1)
    x = rng.uniform(-0.5, 0.5, count) * section.width_mm - section.pith_x_mm
    y = rng.uniform(-0.5, 0.5, count) * section.depth_mm - section.pith_y_mm
    return np.mean(np.hypot(x, y) > heart_mm)


@pytest.mark.parametrize("section", [BOX, ASIDE])
@pytest.mark.parametrize("heart_mm", [0, 40, 95, 120, 200, 280])
def test_the_share_of_sapwood_is_what_lies_beyond_the_radius(section, heart_mm):
    found = sapwood.share(section, heart_mm)
    assert found == pytest.approx(drawn(section, heart_mm), abs=0.003)
    assert sapwood.share(section, [heart_mm, 1e4])[1] == 0


def test_a_circle_in_a_square_is_a_quarter_of_pi():
    square = Section(width_mm=200, depth_mm=200)
    assert sapwood.share(square, 100) == pytest.approx(1 - np.pi / 4, abs=1e-3)


def test_cells_of_any_grid_hold_the_same_sapwood_and_the_nearer_ones_less():
    x, y = np.array([-100.0, -90, -60, 0, 60, 90, 100]), np.linspace(-90, 90, 12)
    found = sapwood.shares(BOX, x, y, 100)
    area = np.outer(np.diff(y), np.diff(x))
    assert np.sum(found * area) / area.sum() == pytest.approx(sapwood.share(BOX, 100), abs=0.02)
    assert found[5, 2] == 0
    assert found[0, 0] == 1


def test_the_boundary_is_told_by_a_radius_or_by_the_width_at_the_farthest_corner():
    assert sapwood.farthest_mm(BOX) == pytest.approx(np.hypot(100, 90))
    assert sapwood.farthest_mm(ASIDE) == pytest.approx(np.hypot(130, 270))
    assert sapwood.radius_mm(BOX, 34.5) == pytest.approx(100.0, abs=0.1)
    assert sapwood.radius_mm(BOX, 900) == 0
    for wrong in (-1.0, float("nan")):
        with pytest.raises(OutOfRange, match="width of the sapwood must be 0 or more"):
            sapwood.radius_mm(BOX, wrong)


def test_what_is_usual_follows_the_wood_and_says_how_doubtful_it_is():
    names = ("loblolly pine", "western redcedar")
    pine, cedar = (sapwood.usual_mm(BOX, species.get(name)) for name in names)
    assert pine[0] < cedar[0] < sapwood.farthest_mm(BOX)
    assert pine[1] > cedar[1] > sapwood.MEASURED_SD_MM
    # S. J. Record, The Mechanical Properties of Wood (1914): thick in loblolly, a foot through before
    # any heartwood; J. D. DeBell and B. Lachenbruch (abstract): redcedar rarely above 3.5 cm
    assert sapwood.share(BOX, max(pine[0], 0)) > 0.75
    assert species.get("western redcedar").sapwood_width_mm <= 35


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["name"])
def test_a_green_timber_weighs_by_hand_what_the_handbooks_moistures_make_it(row):
    # by hand: a board of 10 dm3, half of it sapwood: 10 (1 + mean/100) Gb, each number as printed
    wood = species.get(row["name"])
    half = Section(width_mm=100, depth_mm=100, pith_x_mm=-1e6)  # the boundary is a straight line
    found = sapwood.green_weight(half, 1000, wood, heartwood_mm=1e6)
    mean = (float(row["heartwood_mc_pct"]) + float(row["sapwood_mc_pct"])) / 2
    assert found.usual_kg == pytest.approx(10 * float(row["basic_gravity"]) * (1 + mean / 100), rel=1e-3)
    # of a normal share: density 10 % and moisture 15 % apart, both in quadrature
    share = np.hypot(0.10, 0.15 * mean / (100 + mean))
    if mean * 1.3 < 100 * (1.54 - float(row["basic_gravity"])) / (1.54 * float(row["basic_gravity"])):
        assert found.heavy_kg / found.usual_kg == pytest.approx(np.exp(1.645 * share), abs=0.03)
        assert found.light_kg / found.usual_kg == pytest.approx(np.exp(-1.645 * share), abs=0.03)


def test_an_unknown_boundary_is_lifted_as_all_sapwood_and_a_measured_moisture_only_by_its_density():
    fir = species.get("Douglas-fir")
    unknown = sapwood.green_weight(BOX, 3000, fir)
    known = sapwood.green_weight(BOX, 3000, fir, heartwood_mm=sapwood.farthest_mm(BOX))
    measured = sapwood.green_weight(BOX, 3000, fir, mc_pct=50)
    assert unknown.heavy_kg >= 0.2 * 0.18 * 3 * 450 * 2.15 - 1e-6
    assert not unknown.known
    assert known.heavy_kg < 0.8 * unknown.heavy_kg
    assert measured.usual_mc_pct == 50
    assert measured.heavy_kg == pytest.approx(measured.usual_kg * np.exp(0.1645), rel=0.015)


def test_a_light_piece_needs_no_caution():
    fir = species.get("Douglas-fir")
    assert [each.code for each in sapwood.green_weight(BOX, 300, fir).reasons()] == ["weight.green"]
    codes = [each.code for each in sapwood.green_weight(BOX, 3000, fir).reasons()]
    assert codes == ["weight.green", "caution.lift"]
