"""A relief kerf dries its walls: against a fine two-dimensional solution with the slot, and its laws."""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
import judging
import other_slot

from baulk.models import openings, sorption, species
from baulk.models.air import AirSeries
from baulk.models.calibrate import calibration, weights
from baulk.models.calibrate.inputs import history
from baulk.models.diffusion import DiffusionLaw
from baulk.models.drying import slot, solver
from baulk.models.drying.grid import position_mm, section_edges_mm
from baulk.models.face_cover import CONDUCTANCE_M_S, FaceCover
from baulk.models.section import Face, Finished, Kerf, Section
from baulk.models.timber import Event, EventKind

DAY = 86_400.0
EMC = 12.0
D = 1.5e-10
CELL = 1.5
AT_DAYS = (10.0, 60.0, 180.0)
LAW = DiffusionLaw(d_ref_m2_s=D, slope_per_pct=0.0, radial_over_tangential=1.0, activation_j_mol=0.0)
AIR = AirSeries(
    posix_s=np.zeros(1), temp_c=np.full(1, 20.0), rh_pct=np.full(1, float(sorption.rh_pct(20, EMC)))
)


def section(kerf=None, pith=0.0, width=120.0, depth=120.0):
    return Section(width_mm=width, depth_mm=depth, pith_x_mm=pith, kerf=kerf)


def dry(piece, start=26.0, days=AT_DAYS, **more):
    return solver.dry_with_balance(
        piece, start, AIR, more.pop("law", LAW), start_posix_s=0.0, at_posix_s=np.array(days) * DAY, **more
    )


def other(width_mm, deep_mm, slot_mm=60.0):
    return other_slot.dry(
        width_mm=120.0, depth_mm=120.0, slot_mm=slot_mm, deep_mm=deep_mm, d_m2_s=D,
        surface_m_s=CONDUCTANCE_M_S[FaceCover.EXPOSED], air_m2_s=slot.EMC_M2_S * width_mm / 1000,
        start_pct=26.0, emc_pct=EMC, days=180.0, at_days=AT_DAYS, cell_mm=CELL, step_days=0.25,
    )  # fmt: skip


@pytest.mark.parametrize(("width_mm", "pith"), [(3.0, 0.0), (12.0, -21.0)])
def test_the_section_dries_as_in_a_fine_solution_with_the_slot_in_it(width_mm, pith):
    piece = section(Kerf(face=Face.A, depth_mm=54.0, width_mm=width_mm), pith)
    ours, _ = dry(piece)
    fine = other(width_mm, 54.0, 60.0 + pith)
    plain, _ = dry(section(pith=pith))
    for field, truth, without in zip(ours, fine, plain, strict=True):
        assert float(field.mean_pct) == pytest.approx(truth.mean(), abs=0.06)
        # 15 mm beside the slot, half-way down it: what the whole effect is about
        x, y = pith + 15.0, 60.0 - 27.0
        row, column = round((60 - y) / CELL), round((60 + x) / CELL)
        there = truth[row - 1 : row + 1, column - 1 : column + 1].mean()
        assert float(field.at(x, y)) == pytest.approx(there, abs=0.25)
        assert abs(float(field.mean_pct) - truth.mean()) < 0.25 * abs(float(without.mean_pct) - truth.mean())


def test_a_kerf_in_each_face_does_the_same_and_what_leaves_is_what_is_lost():
    means = []
    for face in Face:
        fields, off = dry(section(Kerf(face=face, depth_mm=50.0, width_mm=5.0)))
        means.append([float(each.mean_pct) for each in fields])
        assert 26.0 - np.array(means[-1]) == pytest.approx(off, abs=1e-6)
    assert np.ptp(means, axis=0) == pytest.approx(0, abs=0.02)
    less = [float(each.mean_pct) for each in dry(section())[0]]
    assert all(one < other - 0.2 for one, other in zip(means[0], less, strict=True))


def test_a_wider_kerf_dries_more_and_a_check_that_was_seen_nothing():
    def mean(**kerf):
        return float(dry(section(Kerf(face=Face.B, depth_mm=50.0, **kerf)))[0][-1].mean_pct)

    narrow, usual, wide = (mean(width_mm=each) for each in (1.0, 5.0, 25.0))
    assert wide < usual < narrow
    assert mean(sawn=False) == float(dry(section())[0][-1].mean_pct)


def test_wet_walls_give_off_no_more_than_the_air_of_the_slot_carries_away():
    """Still air that is saturated at its foot carries so much through the mouth and no more."""
    law = DiffusionLaw(d_ref_m2_s=D, slope_per_pct=0.0, radial_over_tangential=1.0, activation_j_mol=0.0,
                       fsp_pct=29.0, raised_above_fsp=20.0)  # fmt: skip
    piece = section(Kerf(face=Face.A, depth_mm=54.0, width_mm=3.0))
    lost = [
        float(dry(each, 90.0, (2.0,), law=law)[1][0]) * 0.12 * 0.12  # % m2
        for each in (section(), piece)
    ]
    # walls at saturation, and air that takes it up within a few mm of the mouth
    length_m = np.sqrt(slot.EMC_M2_S * 0.003 / (2 * CONDUCTANCE_M_S[FaceCover.EXPOSED]))
    most = slot.EMC_M2_S * 0.003 * (29.0 - EMC) / length_m * 2.0 * DAY
    assert 0 < lost[1] - lost[0] < 1.3 * most


def test_members_of_an_ensemble_dry_by_themselves_and_a_planed_kerf_is_shallower():
    piece = section(Kerf(face=Face.C, depth_mm=50.0, width_mm=5.0))
    two = solver.Members(
        d_factor=np.array([1.0, 3.0]), surface_factor=np.ones(2), start_mc_pct=np.full(2, 26.0),
        emc_offset_pct=np.zeros(2),
    )  # fmt: skip
    (both,) = dry(piece, None, (60.0,), members=two)[0]
    (one,) = dry(piece, None, (60.0,), members=two.some(slice(1, None)))[0]
    assert both.mc_pct[1] == pytest.approx(one.mc_pct[0], abs=0.05)
    left = solver.cut(both, Finished(width_mm=100.0, depth_mm=100.0))
    assert left.section.kerf == Kerf(face=Face.C, depth_mm=40.0, width_mm=5.0)
    solver.dry(left.section, left, AIR, LAW, start_posix_s=60 * DAY, at_posix_s=70 * DAY, members=two)


def test_a_line_of_cells_lies_on_the_kerf_and_a_section_without_one_keeps_its_cells():
    kerf = Kerf(face=Face.B, depth_mm=50.0)
    x, y = section_edges_mm(Section(width_mm=120, depth_mm=140, pith_y_mm=11.0, kerf=kerf), (18, 18))
    assert np.min(np.abs(y - 11.0)) < 1e-9
    assert np.all(np.diff(y) > 0)
    assert np.array_equal(x, solver.graded_edges_mm(120, 18))
    assert position_mm(section(Kerf(face=Face.A, depth_mm=20.0), pith=300.0)) == pytest.approx(42.0)


# --- in a timber's history

PIECE = judging.timber(days=300, side=120.0, section=Section(width_mm=120.0, depth_mm=120.0))


def event(kind, days, **detail):
    return Event(tag=PIECE.tag, kind=kind, at_utc=PIECE.arrived_utc + timedelta(days=days), detail=detail)


KERFED = event(EventKind.KERFED, 100, face="c", depth_mm=50.0, width_mm=6.0)


def past(*events):
    timber = openings.kerfed(PIECE, events)
    begin_s, now_s = PIECE.arrived_utc.timestamp(), judging.NOW.timestamp()
    return history(timber, events, judging.shed(PIECE.arrived_utc, 300), start_s=begin_s, now_s=now_s)


def test_a_kerf_counts_from_the_day_on_which_it_was_sawn():
    before, after = past(KERFED).stretches
    assert (before.section.kerf, after.section.kerf) == (None, Kerf(face=Face.C, depth_mm=50.0, width_mm=6.0))
    assert after.begin_s == KERFED.at_utc.timestamp()
    planed = event(
        EventKind.PLANED, 200, width_mm=110.0, depth_mm=110.0, from_width_mm=120.0, from_depth_mm=120.0
    )
    narrow = replace(PIECE, section=Section(width_mm=110.0, depth_mm=110.0))
    timber = openings.kerfed(narrow, (KERFED, planed))
    begin_s, now_s = PIECE.arrived_utc.timestamp(), judging.NOW.timestamp()
    found = history(
        timber, (KERFED, planed), judging.shed(PIECE.arrived_utc, 300), start_s=begin_s, now_s=now_s
    ).stretches
    assert [each.section.kerf and each.section.kerf.depth_mm for each in found] == [None, 50.0, 45.0]
    assert found[-1].section == timber.section
    planned = replace(PIECE, section=replace(PIECE.section, kerf=Kerf(face=Face.A, depth_mm=40.0)))
    air = judging.shed(PIECE.arrived_utc, 300)
    last = history(planned, (), air, start_s=begin_s, now_s=now_s).stretches
    assert [each.section.kerf is None for each in last] == [True, False]
    assert last[-1].end_s - last[-1].begin_s <= 60.0  # what-if: from now on
    checked = event(EventKind.CHECKED, 150, face="b", depth_mm=45.0)
    assert [each.section.kerf.sawn for each in past(checked).stretches] == [False]  # opened, dries nothing


def test_the_dust_of_a_kerf_is_no_water_that_was_lost():
    told = past(KERFED)
    limits = weights.Limits(
        section=told.section, law=judging.law(PIECE), wettest_pct=90.0, begun_s=told.stretches[0].begin_s
    )
    begin_s = told.stretches[0].begin_s
    left = 1 - 50.0 * 6.0 / 120.0**2
    taken = [(begin_s + 10 * DAY, 40.0), (begin_s + 90 * DAY, 38.0), (begin_s + 110 * DAY, 37.8 * left)]
    usable, refused, _ = weights.weights(taken, told, limits)
    assert [each.kg for each in usable] == pytest.approx([40.0, 38.0, 37.8])
    assert {each.segment for each in usable} == {0}
    assert refused == []


def test_a_fit_knows_a_kerf_and_its_members_dry_beside_it():
    readings = [
        judging.reading(PIECE, PIECE.arrived_utc.timestamp() + days * DAY, 45.0 - days / 20, depth_mm=25.0)
        for days in (30, 90, 150, 220, 290)
    ]
    air = judging.shed(PIECE.arrived_utc, 300)

    def fit(*events):
        return calibration.fit(
            openings.kerfed(PIECE, events), species.get("white oak"), readings, air, law=judging.law(PIECE),
            now_posix_s=judging.NOW.timestamp(), members=16, events=events,
        )  # fmt: skip

    sawn = fit(KERFED)
    assert sawn.field_now.section.kerf == Kerf(face=Face.C, depth_mm=50.0, width_mm=6.0)
    assert sawn.field_now.x_edges_mm.size > fit().field_now.x_edges_mm.size
    beside, opposite = (float(np.median(sawn.field_now.at(12.0, y))) for y in (-30.0, 30.0))
    assert beside < opposite - 1.0
    back = calibration.resume(sawn.state())
    assert back.field_now.section == sawn.field_now.section


def test_nobody_drives_pins_into_a_kerf():
    kerf = Kerf(face=Face.C, depth_mm=50.0)
    assert section(kerf).pin_tip_mm(20.0, Face.C) == (30.0, -40.0)
    assert section(kerf, pith=10.0).pin_tip_mm(20.0, Face.C) == (-30.0, -40.0)
    assert section(kerf).pin_tip_mm(20.0, Face.A) == (0.0, 40.0)
    assert section(replace(kerf, sawn=False)).pin_tip_mm(20.0, Face.C) == (0.0, -40.0)
