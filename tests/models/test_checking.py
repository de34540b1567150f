"""Published starts, surface strain and mould, against the reference tables."""

from __future__ import annotations

import numpy as np
import pytest

from baulk.models import checking, psychrometrics, sorption, species
from baulk.models.air import AirSeries
from baulk.models.errors import OutOfRange
from baulk.models.section import Section

OAK = species.get("white oak")


@pytest.mark.parametrize(
    ("name", "emc", "strain"),
    [("white oak", 20, 3.50), ("white oak", 18, 4.20), ("white oak", 16, 4.90), ("white oak", 12, 6.30),
     ("Douglas-fir", 20, 2.53), ("Douglas-fir", 16, 3.55), ("Douglas-fir", 12, 4.56)],
)  # fmt: skip
def test_the_free_strain_of_a_surface_is_the_reference_tables(name, emc, strain):
    # computed apart from this program from GTR-282 table 4-3
    assert float(checking.surface_strain_pct(species.get(name), emc)) == pytest.approx(strain, abs=0.01)


def test_every_published_stage_has_the_emc_of_its_air():
    # 110 °F with the printed depression; ASHRAE psychrometrics and Wood Handbook eq. 4-5
    for start in checking.STARTS:
        for stage in start.stages:
            depression = float(stage.words.split(" with a ")[1].split(" °F")[0])
            rh = psychrometrics.rh_from_wet_bulb_pct((110 - 32) / 1.8, (110 - depression - 32) / 1.8)
            assert stage.emc_pct == pytest.approx(float(sorption.emc_pct(43.33, rh)), abs=0.15)


def test_white_oak_is_held_to_espenas_and_kozlik_at_one_inch_and_to_the_two_inch_schedule_above():
    assert checking.start_for(OAK, 25.4).mark == "read"
    assert checking.start_for(OAK, 25.4).stages[0].emc_pct == 17.7
    assert checking.start_for(OAK, 20.0).thickness_mm == pytest.approx(25.4)
    assert checking.start_for(OAK, 200.0).thickness_mm == pytest.approx(50.8)
    assert checking.start_for(species.get("teak"), 200.0) is None


def test_a_section_that_has_shrunk_gives_its_surface_back():
    moist = checking.surface_strain_pct(OAK, 15, 0.1)
    assert float(moist) < float(checking.surface_strain_pct(OAK, 15))


def test_a_stage_holds_above_its_moisture_and_the_dry_have_none():
    section = Section(width_mm=200.0, depth_mm=250.0)
    stages = [checking.stage_for(OAK, section, mean) for mean in (60, 41, 36, 31, 29)]
    assert [each and each[1].emc_pct for each in stages] == [19.3, 19.3, 17.7, 15.2, None]
    assert stages[0][0].thickness_mm == pytest.approx(50.8)
    assert checking.stage_for(species.get("teak"), section, 60) is None


def test_mould_grows_in_the_share_of_the_time_above_the_limit_and_never_in_frost():
    at_s = 3600.0 * np.arange(101)
    rh = np.where(np.arange(101) < 25, 90.0, 70.0)
    air = AirSeries(posix_s=at_s, temp_c=np.full(101, 22.0), rh_pct=rh)
    assert checking.mould_share(air, since_s=0.0) == pytest.approx(0.25)
    frost = AirSeries(posix_s=at_s, temp_c=np.full(101, -5.0), rh_pct=np.full(101, 98.0))
    assert checking.mould_share(frost, since_s=0.0) == 0
    with pytest.raises(OutOfRange, match="two readings"):
        checking.mould_share(air, since_s=1e9)
