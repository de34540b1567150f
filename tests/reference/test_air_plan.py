"""The arithmetic of a room's water, held against print."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import psychrolib
import pytest

from baulk.models import checking, psychrometrics, sorption
from baulk.models.plan.humidity import water

HOTTEST = 110.0
START_C = (110 - 32) / 1.8
WET_C = (106 - 32) / 1.8


def start_rh():
    return float(psychrometrics.rh_from_wet_bulb_pct(START_C, WET_C))


FOUND = {
    "latent-100": lambda: float(water.latent_heat_kj_kg(100.0)),
    # above 20 degC the limit is 80; the polynomial itself ends at 80.04
    "mould-20": lambda: float(checking.mould_limit_pct(20.0)),
    "mould-10": lambda: float(checking.mould_limit_pct(10.0)),
    "mould-5": lambda: float(checking.mould_limit_pct(5.0)),
    "start-rh": start_rh,
    "start-emc": lambda: float(sorption.emc_pct(START_C, start_rh())),
    "dehumidifier": lambda: float(water.refrigerant_share(20.0, 70.0) / water.refrigerant_share(35.0, 100.0)),
    "dew-20-70": lambda: float(psychrometrics.dewpoint_c(20.0, 70.0)),
}
with (Path(__file__).parent / "air-plan.csv").open(newline="") as text:
    ROWS = list(csv.DictReader(text))


@pytest.mark.parametrize("row", ROWS, ids=[f"{row['id']}, {row['source']}" for row in ROWS])
def test_agrees_with_the_published_value(row):
    assert FOUND[row["id"]]() == pytest.approx(float(row["value"]), abs=float(row["abs_tol"])), row["why_tol"]


def test_saturation_pressure_is_that_of_psychrolib_at_every_temperature_of_a_shop():
    psychrolib.SetUnitSystem(psychrolib.SI)
    warm, cold = np.linspace(0.02, 110, 111), np.linspace(-30, -0.1, 60)
    over_water = [psychrolib.GetVapPresFromRelHum(float(each), 1.0) for each in warm]
    assert psychrometrics.saturation_pa(warm) == pytest.approx(over_water, rel=1e-6)
    over_ice = [psychrolib.GetVapPresFromRelHum(float(each), 1.0) for each in cold]
    assert psychrometrics.ice_saturation_pa(cold) == pytest.approx(over_ice, rel=1e-6)


def test_the_vapour_in_a_cubic_metre_agrees_with_the_humidity_ratio():
    # the same water by two ways: kg/kg times the dry air of the mixture (ideal gas), against g/m3
    temp, rh = 20.0, 60.0
    vapour = float(psychrometrics.vapour_pressure_pa(temp, rh))
    dry_kg_m3 = (101325 - vapour) / (287.042 * (temp + 273.15))
    wanted = 1000 * float(psychrometrics.humidity_ratio(temp, rh)) * dry_kg_m3
    assert float(water.vapour_g_m3(temp, rh)) == pytest.approx(wanted, rel=1e-3)


def test_a_draught_of_drier_air_carries_water_out():
    # 1.2 V (x1 - x2) / 1000 of two dehumidifier guides with 1.2 kg of air a cubic metre: 100 m3, once an
    # hour, 2 g/m3 drier outside
    assert float(water.draught_l_day(100.0, 1.0, 6.0, 8.0)) == pytest.approx(-24 * 100 * 2 / 1000)


def test_a_dehumidifier_needs_a_larger_nameplate_in_the_cold():
    temp, rh = np.array([10.0]), np.array([70.0])
    (cold,) = water.machines(np.array([10.0]), temp, rh, heated=False, price_kwh=0.25)
    (warm,) = water.machines(np.array([10.0]), temp + 12, rh, heated=False, price_kwh=0.25)
    assert cold.kind == "desiccant dehumidifier"  # its cold coil would freeze: 1.2 kWh/l is the cheaper
    assert warm.kind == "refrigerant dehumidifier"
    assert warm.rated_l_day > 10
    assert warm.cost == pytest.approx(0.25 * warm.kwh)
    assert warm.kwh == pytest.approx(7 * 10 * warm.kwh_l)


def test_each_week_of_a_machine_costs_what_it_costs_alone_so_a_cold_one_costs_more():
    need, temp, rh = np.array([10.0, 10.0, 0.0]), np.array([24.0, 18.0, -5.0]), np.full(3, 70.0)
    (both,) = water.machines(need, temp, rh, heated=False, price_kwh=None)
    alone = [
        water.machines(need[w : w + 1], temp[w : w + 1], rh[w : w + 1], heated=False, price_kwh=None)[0]
        for w in (0, 1)
    ]
    assert both.kind == alone[0].kind == alone[1].kind == "refrigerant dehumidifier"
    assert both.kwh_by_week == pytest.approx((alone[0].kwh, alone[1].kwh, 0.0))
    assert both.kwh_by_week[1] > 1.05 * both.kwh_by_week[0]
    assert both.kwh == pytest.approx(sum(both.kwh_by_week))
    assert both.rated_l_day == pytest.approx(alone[1].rated_l_day)  # a frost without work does not count


def test_adding_water_to_a_heated_room_costs_its_latent_heat():
    need, temp, rh = np.array([-5.0]), np.array([20.0]), np.array([60.0])
    (cool,) = water.machines(need, temp, rh, heated=False, price_kwh=None)
    (warm,) = water.machines(need, temp, rh, heated=True, price_kwh=None)
    assert warm.kwh_l - cool.kwh_l == pytest.approx((2501 - 2.361 * 20) / 3600)
    assert cool.cost is None
