"""Mould limit and mildest start against what is printed."""

from itertools import pairwise

import pytest

from baulk.models import checking, sorption
from baulk.models.errors import OutOfRange


def test_the_mould_limit_meets_its_warm_branch_at_20_degrees():
    # Hukka & Viitanen 1999: 80 % above 20 degC; the cold branch gives 80.04 there, which fixes its sign
    assert float(checking.mould_limit_pct(20.0)) == pytest.approx(80.0, abs=0.1)
    assert float(checking.mould_limit_pct(21.0)) == 80.0


def test_the_mould_limit_rises_in_the_cold():
    cold = checking.mould_limit_pct([15.0, 10.0, 5.0, 1.0])
    assert all(a < b for a, b in pairwise(cold))
    assert cold[1] == pytest.approx(100 - 31.3 + 16 - 2.67)  # the polynomial by hand


def test_mould_outside_its_temperatures_is_refused():
    with pytest.raises(OutOfRange, match="mould"):
        checking.mould_limit_pct(-3.0)


@pytest.mark.parametrize(("stage", "rh"), [(0, 87.4), (1, 81.5)])
def test_the_printed_depression_and_its_emc_belong_together(stage, rh):
    # 110 degF with 4 and 6 degF depression: 87.4 and 81.5 % RH by ASHRAE psychrometrics at 101.325 kPa
    emc = float(sorption.emc_pct((110 - 32) / 1.8, rh))
    assert emc == pytest.approx(checking.MILDEST_START[stage].emc_pct, abs=0.1)
