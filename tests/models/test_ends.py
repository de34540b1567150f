"""How far from an end the section model is wrong."""

from __future__ import annotations

import numpy as np
import pytest

from baulk.models import end_grain, species
from baulk.models.air import AirSeries
from baulk.models.diffusion import DiffusionLaw, law_for
from baulk.models.drying import solver
from baulk.models.errors import OutOfRange
from baulk.models.face_cover import FaceCover
from baulk.models.section import Face, Section
from baulk.models.sorption import rh_pct

DAY = 86_400.0
OAK = law_for(species.get("white oak"))


@pytest.mark.parametrize("sealed", [False, True])
@pytest.mark.parametrize("days", [30, 365])
def test_the_loss_through_an_end_is_that_of_the_drying_model_laid_along_the_grain(days, sealed):
    along = end_grain.ALONG_OVER_ACROSS * float(OAK.d_m2_s(OAK.fsp_pct, 15.0))
    law = DiffusionLaw(d_ref_m2_s=along, slope_per_pct=0.0, activation_j_mol=0.0, radial_over_tangential=1.0)
    air = AirSeries(posix_s=np.zeros(1), temp_c=np.full(1, 15.0), rh_pct=np.full(1, float(rh_pct(15, 13))))
    cover = FaceCover.COATED if sealed else FaceCover.EXPOSED
    stick = Section(width_mm=1e7, depth_mm=4000)
    (field,) = solver.dry(
        stick, 78.0, air, law, start_posix_s=0.0, at_posix_s=days * DAY, cells=(2, 160),
        faces=dict.fromkeys(Face, cover), error_pct=0.002,
    )  # fmt: skip
    away_mm = np.array([20.0, 60, 150, 300, 600, 1200])
    lost = np.array([78.0 - field.pin_pct(each, Face.A) for each in away_mm])
    said = end_grain.end_drying_pct(away_mm, OAK, days, sealed=sealed, above_emc_pct=65.0)
    assert said == pytest.approx(lost, abs=0.25)


def test_a_year_reaches_half_a_metre_into_a_bare_end_and_less_into_a_sealed_one():
    bare, sealed = (end_grain.reach_mm(OAK, 365, sealed=each) for each in (False, True))
    assert 250 < sealed < bare * 0.8
    assert 400 < bare < 600
    assert end_grain.end_drying_pct(bare, OAK, 365, sealed=False) == pytest.approx(1.0, abs=1e-3)
    assert end_grain.reach_mm(OAK, 0, sealed=False) == pytest.approx(0, abs=0.1)


def test_a_pin_near_an_end_is_told_from_one_in_the_middle():
    assert end_grain.too_near_an_end(150, OAK, 180, sealed=False)
    assert not end_grain.too_near_an_end(900, OAK, 180, sealed=False)
    assert not end_grain.too_near_an_end(0, OAK, 1, sealed=True, above_emc_pct=5)


def test_a_distance_below_0_is_refused():
    with pytest.raises(OutOfRange, match="must be 0 or more"):
        end_grain.end_drying_pct(-1.0, OAK, 10, sealed=True)
