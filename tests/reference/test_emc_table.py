"""Sorption against published numbers; each row of the tables carries its source."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from geotech_references.wood_handbook import moisture_relations

from baulk.models import sorption
from baulk.models.air import AirSeries


def rows(name):
    with (Path(__file__).parent / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


TABLE = rows("emc-table-4-2.csv")  # Wood Handbook, FPL-GTR-190 (2010) Table 4-2 p. 4-4
TEMP_F = np.array([float(row["temp_f"]) for row in TABLE])
RH = np.array([float(row["rh_pct"]) for row in TABLE])
PRINTED = np.array([float(row["emc_pct_printed"]) for row in TABLE])
TEMP_C = (TEMP_F - 32) / 1.8
# printed to 0.1; the table was computed from a degF form, whose rounded coefficients differ by up to 0.02
WITHIN = 0.07


def largest(emc):
    return float(np.max(np.abs(np.asarray(emc) - PRINTED)))


def formula(temp, rh, *, w=(349, 1.29, 0.0135), k2=None, brackets=True, form="c"):
    """Eq. 4-5 written a second time, so that its known slips can be put in on purpose."""
    h = rh / 100
    if form == "c":
        k = 0.805 + 0.000736 * temp - 0.00000273 * temp**2
        k1 = 6.27 - 0.00938 * temp - 0.000303 * temp**2
        c2 = k2 or (1.91, 0.0407, -0.000293)
    else:  # degF form: coefficients from memory (Wood Handbook, editions before 2010)
        w = (330, 0.452, 0.00415)
        k = 0.791 + 0.000463 * temp - 0.000000844 * temp**2
        k1 = 6.34 + 0.000775 * temp - 0.0000935 * temp**2
        c2 = k2 or (1.09, 0.0284, -0.0000904)
    k2_at = c2[0] + c2[1] * temp + c2[2] * temp**2
    w_at = w[0] + w[1] * temp + w[2] * temp**2
    first = k * h / (1 - k * h)
    second = (k1 * k * h + 2 * k1 * k2_at * (k * h) ** 2) / (1 + k1 * k * h + k1 * k2_at * (k * h) ** 2)
    return 1800 / w_at * (first + second) if brackets else 1800 / w_at * first + second


def test_the_table_is_there_whole():
    assert len(TABLE) == 342
    assert all(row["source"].startswith("Wood Handbook FPL-GTR-190 (2010) Table 4-2") for row in TABLE)
    assert np.allclose(TEMP_C, [float(row["temp_c_exact"]) for row in TABLE], atol=1e-4)


@pytest.mark.parametrize("temp_f", sorted(set(TEMP_F)))
def test_every_cell_of_a_line_is_met(temp_f):
    line = temp_f == TEMP_F
    temp_c = (temp_f - 32) / 1.8
    emc = sorption.emc_pct(temp_c, RH[line])
    assert np.max(np.abs(emc - PRINTED[line])) <= WITHIN


def test_a_second_writing_of_the_equation_agrees():
    assert sorption.emc_pct(TEMP_C, RH) == pytest.approx(formula(TEMP_C, RH), abs=1e-12)


def test_an_independent_implementation_agrees():
    # PyPI geotech-references 1.4.1, Wood Handbook FPL-GTR-282 (2021) eq. 4-5
    theirs = [
        moisture_relations.equilibrium_moisture_content(t, h / 100)["emc_pct"]
        for t, h in zip(TEMP_C, RH, strict=True)
    ]
    assert sorption.emc_pct(TEMP_C, RH) == pytest.approx(theirs, abs=1e-9)


@pytest.mark.parametrize(
    ("slip", "emc"),
    [
        ("degF put into the degC coefficients", formula(TEMP_F, RH)),
        (
            "K2 0.0171 instead of 0.0284 in the degF form",
            formula(TEMP_F, RH, k2=(1.09, 0.0171, -0.0000904), form="f"),
        ),
        ("W constant", formula(TEMP_C, RH, w=(349, 0, 0))),
        ("1800/W multiplies only the first term", formula(TEMP_C, RH, brackets=False)),
        ("humidity as a percentage", formula(TEMP_C, RH * 100)),
    ],
)
def test_a_known_slip_would_not_pass_the_table(slip, emc):
    assert largest(emc) > 5 * WITHIN, slip


def test_the_fahrenheit_form_is_the_same_curve():
    assert largest(formula(TEMP_F, RH, form="f")) <= WITHIN


def test_the_mean_of_emc_is_not_the_emc_of_mean_air():
    # one damp night and one dry day, in equal parts: the curve bends, so the two differ
    air = AirSeries(
        posix_s=np.array([0.0, 43199, 43200, 86399]),
        temp_c=np.array([10.0, 10, 30, 30]),
        rh_pct=np.array([95.0, 95, 35, 35]),
    )
    night, day = formula(10, 95), formula(30, 35)
    assert sorption.mean_of_emc_pct(air) == pytest.approx((night + day) / 2, abs=0.01)
    assert sorption.mean_of_emc_pct(air) - sorption.emc_pct(20, 65) > 2


@pytest.mark.parametrize("row", rows("sorption-species.csv"), ids=lambda r: f"{r['species']} {r['rh_pct']} %")
def test_real_woods_lie_within_two_percent_of_the_one_curve(row):
    # europeanwood.org species pages: the doubt that the docstring names
    emc = sorption.emc_pct(float(row["temp_c"]), float(row["rh_pct"]))
    assert abs(emc - float(row["emc_pct_printed"])) <= 2.0


@pytest.mark.parametrize(
    ("temp_f", "rh", "printed", "within"),
    [
        (65, 60, 11.1, 0.051),  # university blog (2013) using FPL-GTR-190 p. 4-3
        (65, 30, 6.2, 0.051),  # the same
        (140, 55, 8.4, 0.051),  # encyclopedia article and FPL-GTR-190 Table 4-2
    ],
)
def test_worked_examples_of_others_are_met(temp_f, rh, printed, within):
    assert sorption.emc_pct((temp_f - 32) / 1.8, rh) == pytest.approx(printed, abs=within)


# saturation pressures of ASHRAE Fundamentals (2017) ch. 1 Table 3, as printed in the PsychroLib test suite
SATURATION_PA = {-20: 103.24, -5: 401.74, 5: 872.6, 25: 3169.7, 50: 12351.3}


@pytest.mark.parametrize(("dew", "temp"), [(-20, -5), (-5, 5), (5, 25), (25, 50)])
def test_the_dew_point_lies_where_the_printed_pressures_meet(dew, temp):
    # the printed pressure at -5 degC is over ice; humidity is over water: 421.48 Pa (Smithsonian
    # Meteorological Tables, from memory)
    rh = 100 * SATURATION_PA[dew] / (421.48 if temp < 0 else SATURATION_PA[temp])
    assert sorption.dewpoint_c(temp, rh) == pytest.approx(dew, abs=0.03)


def test_the_dew_point_of_the_handbooks_example_is_met():
    # ASHRAE Fundamentals (2017) ch. 1 Example 1: 40 degC dry, 20 degC wet bulb: 14 %RH, dew point 7 degC
    assert sorption.dewpoint_c(40, 14) == pytest.approx(7, abs=0.5)


def test_the_dew_point_agrees_with_the_simple_formula_of_magnus():
    # constants 17.62 and 243.12 degC over water (WMO), from memory; so dew points above 0 degC
    for temp, rh in [(10, 70), (20, 50), (30, 80)]:
        g = math.log(rh / 100) + 17.62 * temp / (243.12 + temp)
        assert sorption.dewpoint_c(temp, rh) == pytest.approx(243.12 * g / (17.62 - g), abs=0.1)
