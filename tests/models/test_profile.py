"""A run can start from moisture measured at several depths."""

from __future__ import annotations

import numpy as np
import pytest

from baulk.models.air import AirSeries
from baulk.models.diffusion import DiffusionLaw
from baulk.models.drying import solver
from baulk.models.drying.grid import profile_field
from baulk.models.errors import OutOfRange
from baulk.models.section import Face, Section

SECTION = Section(width_mm=203, depth_mm=178)
DEPTHS = [5.0, 20.0, 45.0, 80.0]
MC = [16.0, 30.0, 55.0, 70.0]


def test_pins_in_the_field_read_what_was_measured():
    field = profile_field(SECTION, DEPTHS, MC, posix_s=5.0, cells=(32, 32))
    for depth, mc in zip(DEPTHS, MC, strict=True):
        assert field.pin_pct(depth, Face.B) == pytest.approx(mc, abs=1.5)
    assert field.posix_s == 5.0


def test_every_face_can_have_its_own_profile_and_the_rest_their_mean():
    wet = [40.0, 60.0, 70.0, 70.0]
    field = profile_field(SECTION, DEPTHS, {Face.A: MC, Face.C: wet}, posix_s=0.0, cells=(32, 32))
    assert field.pin_pct(20, Face.A) == pytest.approx(30, abs=1.5)
    assert field.pin_pct(20, Face.C) == pytest.approx(60, abs=1.5)
    assert field.pin_pct(20, Face.B) == pytest.approx(45, abs=1.5)


def test_a_known_mean_comes_out():
    # M = depth below the nearest face, in a square of side 2 h: mean h/3
    square = Section(width_mm=180, depth_mm=180)
    field = profile_field(square, [0.0, 90.0], [0.0, 90.0], posix_s=0.0)
    assert field.mean_pct == pytest.approx(30.0, abs=0.3)


def test_drying_goes_on_from_a_measured_profile():
    field = profile_field(SECTION, DEPTHS, MC, posix_s=0.0)
    air = AirSeries(posix_s=np.zeros(1), temp_c=np.full(1, 15.0), rh_pct=np.full(1, 65.0))
    law = DiffusionLaw(d_ref_m2_s=2.5e-11)
    (later,) = solver.dry(SECTION, field, air, law, start_posix_s=0.0, at_posix_s=60 * 86_400.0)
    assert 20 < later.mean_pct < field.mean_pct - 1


@pytest.mark.parametrize(
    ("depths", "mc", "says"),
    [
        ([5.0, 5.0], [20.0, 30.0], "must increase"),
        ([5.0, 95.0], [20.0, 30.0], "between 0 and 89 mm, the middle of the piece, not 5 to 95 mm"),
        ([-1.0, 5.0], [20.0, 30.0], "between 0 and 89 mm"),
        ([5.0, 15.0], [20.0], "1 moisture contents for 2 depths"),
        ([5.0, 15.0], [20.0, float("nan")], "between 0 and 400"),
        ([5.0, 15.0], {}, "names no face"),
    ],
)
def test_a_profile_that_cannot_be_is_refused(depths, mc, says):
    with pytest.raises(OutOfRange, match=says):
        profile_field(SECTION, depths, mc, posix_s=0.0)


@pytest.mark.parametrize(("depth", "face"), [(179, Face.A), (204, Face.B), (179, None), (-1, Face.C)])
def test_a_pin_deeper_than_the_piece_is_refused(depth, face):
    field = profile_field(SECTION, DEPTHS, MC, posix_s=0.0)
    with pytest.raises(OutOfRange, match="lies outside the piece"):
        field.pin_pct(depth, face)
