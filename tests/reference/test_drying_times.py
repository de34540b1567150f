"""The red oak time equation: its published worked value, and the drying model on the same board."""

from __future__ import annotations

import math

import numpy as np
import pytest

from baulk.models import species
from baulk.models.air import AirSeries
from baulk.models.diffusion import law_for
from baulk.models.drying import solver
from baulk.models.section import Section
from baulk.models.sorption import emc_pct

F72_C = (72 - 32) / 1.8
INCH_MM = 25.4


def saturation_mmhg(temp_c):
    """Saturation pressure of water vapour.

    Parameters
    ----------
    temp_c : float
        Temperature, 1 to 100. [degC]

    Returns
    -------
    float
        Pressure. [mmHg]

    References
    ----------
    Antoine's equation with the textbook constants 8.07131, 1730.63 and 233.426 for 1 to 100 degC (from
    memory; with them the worked value of `red_oak_board_days` comes out to its last digit).
    """
    return float(10 ** (8.07131 - 1730.63 / (233.426 + temp_c)))


def red_oak_board_days(thickness_mm, start_pct, end_pct, *, temp_c, emc_pct):
    """Time that a red oak board dries in steady air, by a fitted time constant.

    ``t = -L**1.52 / (0.0575 + 0.00142 p) ln((M - Me) / (M0 - Me))``, L in inches, p in mmHg, t in days.

    Parameters
    ----------
    thickness_mm : float
        Thickness of a board that dries from both faces, above 0. [mm]
    start_pct, end_pct : float
        Mean moisture content at the start and at the end; the start is the wetter one. [%]
    temp_c : float
        Temperature of the air, 1 to 100. [degC]
    emc_pct : float
        Equilibrium moisture content of the air, below the end. [%]

    Returns
    -------
    float
        Time. [d]

    References
    ----------
    Tschernitz, J.L., Simpson, W.T., 1979. Wood Science 11(4), 202-208; at second hand, as quoted in the
    encyclopedia article on wood drying. Fitted to kiln-dried boards of an inch or so: no law for baulks.

    Examples
    --------
    >>> round(red_oak_board_days(38.1, 100, 14, temp_c=22.2222, emc_pct=13.551))
    113
    """
    constant_days = (thickness_mm / INCH_MM) ** 1.52 / (0.0575 + 0.00142 * saturation_mmhg(temp_c))
    return float(constant_days) * math.log((start_pct - emc_pct) / (end_pct - emc_pct))


def emc_by_fahrenheit(temp_f, rh):
    """Hailwood and Horrobin in degF (Wood Handbook 1999, eq. 3-3), to which the worked value was computed."""
    w = 330 + 0.452 * temp_f + 0.00415 * temp_f**2
    k = (0.791 + 4.63e-4 * temp_f - 8.44e-7 * temp_f**2) * rh
    k1 = 6.34 + 7.75e-4 * temp_f - 9.35e-5 * temp_f**2
    k2 = 1.09 + 0.0284 * temp_f - 9.04e-5 * temp_f**2
    return 1800 / w * (k / (1 - k) + (k1 * k + 2 * k1 * k2 * k**2) / (1 + k1 * k + k1 * k2 * k**2))


def test_the_worked_value_comes_out():
    # C08: 1.5 in red oak from 100 to 14 % at 72 degF and 72 % RH in 113.35498604905855 days
    by_fahrenheit = emc_by_fahrenheit(72, 0.72)
    got = red_oak_board_days(38.1, 100, 14, temp_c=F72_C, emc_pct=by_fahrenheit)
    assert got == pytest.approx(113.35498604905855, rel=1e-6)
    own = float(emc_pct(F72_C, 72))
    assert red_oak_board_days(38.1, 100, 14, temp_c=F72_C, emc_pct=own) == pytest.approx(113.355, rel=0.004)


def test_saturation_pressure_is_that_of_boiling_water_at_100_degrees():
    assert saturation_mmhg(100) == pytest.approx(760, rel=0.001)
    assert saturation_mmhg(20) == pytest.approx(17.54, rel=0.005)  # steam tables, from memory


def test_the_drying_model_takes_the_same_board_to_25_percent_within_a_factor_of_two():
    # not fitted; 6 in wide
    board = Section(width_mm=152, depth_mm=38.1, pith_y_mm=-200)
    air = AirSeries(posix_s=np.zeros(1), temp_c=np.full(1, F72_C), rh_pct=np.full(1, 72.0))
    days = np.arange(1.0, 400)
    fields = solver.dry(
        board, 85.0, air, law_for(species.get("northern red oak")), start_posix_s=0.0,
        at_posix_s=days * 86_400,
    )  # fmt: skip
    own = days[np.argmax([field.mean_pct < 25 for field in fields])]
    formula = red_oak_board_days(38.1, 85, 25, temp_c=F72_C, emc_pct=float(emc_pct(F72_C, 72)))
    assert 0.5 < own / formula < 2
