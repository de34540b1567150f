"""Room in joints: beside printed coefficients, a printed series of diffusion, and by hand."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest

from baulk.models import gap as gaps
from baulk.models import species, text
from baulk.models.errors import OutOfRange
from baulk.models.gap import Joint, Making, Rings
from baulk.models.reason import Reason
from baulk.models.section import Finished, Section
from baulk.models.text import gap as words

REFERENCE = Path(__file__).parents[1] / "reference"
OAK = species.get("white oak")


def printed(name):
    with (REFERENCE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def made(wood=OAK, *, width_mm=150.0, now=(12.0, 12.0, 12.0), low=8.0, high=14.0, rings=Rings.FLAT, **how):
    return Making(
        wood=wood, width_mm=width_mm, now_pct=now, low_pct=low, high_pct=high,
        total_pct=gaps.total_by_rings(wood, rings), **how,
    )  # fmt: skip


# Wood Handbook, FPL-GTR-190 (2010), Table 13-5 and eq. 13-2: change = width x coefficient x change of
# moisture, for 6 to 14 %, on the dimension at 10 %
@pytest.mark.parametrize(
    ("name", "row"),
    [
        ("white ash", "Ash, white"),
        ("American beech", "Beech, American"),
        ("black walnut", "Walnut, black"),
        ("Sitka spruce", "Spruce, Sitka"),
    ],
)
@pytest.mark.parametrize(("rings", "column"), [(Rings.FLAT, "CT_per_pct"), (Rings.QUARTER, "CR_per_pct")])
def test_a_seam_swells_by_the_printed_coefficient(name, row, rings, column):
    rows = {each["species_or_row"]: each for each in printed("dimension-coefficients.csv")}
    found = gaps.gap(made(species.get(name), now=(10.0, 10.0, 10.0), rings=rings))
    by_print = 150 * float(rows[row][column]) * 4
    assert found.leave_mm[1] == pytest.approx(by_print, rel=0.02)
    # and from there to the driest season it opens by that and what it shrinks
    assert found.open_mm[1] == pytest.approx(150 * float(rows[row][column]) * 6, rel=0.02)


def test_half_moves_into_a_groove_and_all_of_it_into_a_housing():
    seam, groove, housed = (gaps.gap(made(joint=each)).leave_mm[1] for each in Joint)
    assert groove == pytest.approx(seam / 2)
    assert housed == pytest.approx(seam)


def test_the_interval_holds_pieces_moisture_and_rings():
    known = gaps.gap(made()).leave_mm
    # 15 % of the change either way, 1.645 times
    assert (known[2] - known[1]) / known[1] == pytest.approx(0.15 * 1.645, rel=1e-6)
    wider = gaps.gap(made(now=(11.0, 12.0, 13.0))).leave_mm
    assert wider[2] > known[2]
    assert wider[0] < known[0]
    unknown = gaps.gap(made(rings=Rings.UNKNOWN)).leave_mm
    assert (unknown[2] - unknown[0]) / unknown[1] > (known[2] - known[0]) / known[1]


def test_a_piece_wetter_than_its_use_wants_no_room_and_opens():
    found = gaps.gap(made(now=(24.0, 25.0, 26.0)))
    assert not found.swells
    assert found.leave_mm == (0.0, 0.0, 0.0)
    # eq. 13-3 of the Wood Handbook by hand: 150 (8 - 25) / (30 x 100 / 10.5 - 30 + 25)
    assert found.open_mm[1] == pytest.approx(150 * 17 / (3000 / 10.5 - 5), rel=1e-6)


def test_above_fibre_saturation_nothing_more_swells():
    at_fsp = gaps.gap(made(high=30.0)).leave_mm
    assert gaps.gap(made(high=40.0)).leave_mm == at_fsp


def test_rings_follow_from_where_the_pith_lies():
    green = Section(width_mm=400, depth_mm=400)
    small = {"width_mm": 10, "depth_mm": 10}
    beside = Finished(**small, centre_x_mm=150)  # its width points to the pith: radial
    radial, tangential = OAK.shrinkage_radial_pct, OAK.shrinkage_tangential_pct
    for across_depth, wanted in ((False, radial), (True, tangential)):
        found = gaps.total_in(green, beside, OAK, across_depth=across_depth)
        assert found == pytest.approx(wanted, rel=0.002)
    boxed = Finished(width_mm=150, depth_mm=150)
    both = gaps.total_in(green, boxed, OAK, across_depth=False)
    assert both == pytest.approx((radial + tangential) / 2)


# series of Crank (1975), p. 48, worked out apart from the model: a plank is half of the sheet
@pytest.mark.parametrize("row", printed("analytic-slab-bar.csv"), ids=lambda row: row["Fo"])
def test_a_plank_takes_up_as_the_plane_sheet_does(row):
    d_m2_s, thickness_mm = 1e-10, 30.0
    weeks = float(row["Fo"]) * (thickness_mm / 1000) ** 2 / d_m2_s / (7 * 86_400)
    found = gaps.taken_up(thickness_mm, weeks, d_m2_s)
    assert found == pytest.approx(1 - float(row["mean_Bi_inf"]), abs=2e-4)
    assert gaps.taken_up(thickness_mm, 0, d_m2_s) == pytest.approx(0, abs=0.006)


@pytest.mark.parametrize(
    ("how", "why"),
    [
        ({"width_mm": 0.0}, "must be above 0"),
        ({"now": (13.0, 12.0, 14.0)}, "with its range"),
        ({"low": 14.0, "high": 8.0}, "driest to the dampest"),
    ],
)
def test_what_cannot_be_is_refused(how, why):
    with pytest.raises(OutOfRange, match=why):
        made(**how)


def test_a_plank_of_no_thickness_is_refused():
    with pytest.raises(OutOfRange, match="thickness above 0"):
        gaps.taken_up(0, 1, 1e-10)


TOLD = [
    (
        "gap.leave",
        {"joint": "seam", "now_pct": 12.0, "high_pct": 18.0, "leave_mm": (1.2, 2.3, 3.4)},
        "Leave 0.09 in (0.05 to 0.13) in each seam: it is at 12 % and swells until 18 %.",
        "Leave 2.3 mm (1.2 to 3.4) in each seam",
    ),
    (
        "gap.tight",
        {"joint": "housed", "now_pct": 25.0, "high_pct": 18.0, "leave_mm": (0.0, 0.0, 0.5)},
        "Leave nothing beside it in all: at 25 % it is wetter",
        "up to 0.5 mm. Better dry it",
    ),
    (
        "gap.open",
        {"low_pct": 12.0, "open_mm": (1.0, 2.0, 3.0)},
        "it is then open by 0.08 in (0.04 to 0.12)",
        "it is then open by 2.0 mm (1.0 to 3.0)",
    ),
    (
        "gap.afloat",
        {"weeks": (1, 2), "shares": (0.2, 0.3)},
        "at least 20 % after 1 week, 30 % after 2 weeks",
        "do not drive more caulking",
    ),
    ("gap.mind", {"afloat": False}, "licensed designer.", "Common practice"),
    ("gap.mind", {"afloat": True}, "pumps that run", "slings left on"),
]


@pytest.mark.parametrize(("code", "values", "inch", "metric"), TOLD)
def test_each_remark_is_told_in_either_system(code, values, inch, metric):
    reason = Reason.from_json(Reason(code=code, values=values).to_json())
    assert inch in text.sentence(reason, "inch")
    assert metric in text.sentence(reason, "metric")
    assert not re.search(r"\d (mm|kg|°C)\b", text.sentence(reason, "inch"))


def test_every_code_stands_in_the_table_above():
    assert {code for code, *_ in TOLD} == set(words.SENTENCES)
