"""What a reading at a depth means: the wood's temperature, and whether the meter corrects by itself."""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime

import numpy as np
import pytest

from baulk.models import species
from baulk.models.errors import OutOfRange
from baulk.models.meter.profile import MeterSetting, answers, setting_for
from baulk.models.meter.resistance import METER_SD_PCT, MeterAnswer
from baulk.models.meter.wood_temperature import WoodTemperatures
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.reason import Reason

OAK = species.get("white oak")
NOW = datetime(2026, 1, 20, 12, tzinfo=UTC)
# printed for a meter set to 20 degC: SP Tra report PX21326 (2012) pp. 5-6, VTT Publications 420 (2000)
PUBLISHED_PCT_PER_C = (0.10, 0.15)


def reading(value, *, quantity=Quantity.MOISTURE, source="hand", flags=()):
    series = Series(owner=Owner.TIMBER, name="FER-01", quantity=quantity, depth_mm=45.0)
    return Reading(series=series, value=value, taken_utc=NOW, arrived_utc=NOW, source=source, flags=flags)


def wood(temp_c, sd_c=0.0, frozen_c=np.nan):
    return WoodTemperatures(
        temp_c=np.array([float(temp_c)]), sd_c=np.array([float(sd_c)]), frozen_c=np.array([float(frozen_c)])
    )


def answer(value, temp, *corrections, **more) -> MeterAnswer:
    (found,) = answers([reading(value, **more)], OAK, temp, corrections=corrections)
    assert isinstance(found, MeterAnswer), found
    return found


def refusal(value, temp, *corrections, **more) -> Reason:
    (found,) = answers([reading(value, **more)], OAK, temp, corrections=corrections)
    assert isinstance(found, Reason), found
    return found


PLAIN = MeterSetting(corrects_temperature=False)
CORRECTS = MeterSetting(corrects_temperature=True)


@pytest.mark.parametrize("temp_c", [1, 8, 15, 25])
@pytest.mark.parametrize("sd_c", [0.0, 3.0])
def test_a_number_from_cold_wood_is_raised_by_what_is_published(temp_c, sd_c):
    found = answer(14.0, wood(temp_c, sd_c), PLAIN).mc_pct - 14.0
    low, high = sorted(slope * (20 - temp_c) for slope in PUBLISHED_PCT_PER_C)
    assert low <= found <= high


def test_the_doubt_of_the_temperature_becomes_doubt_of_the_moisture():
    measured, by_air = (answer(14.0, wood(5, sd_c), PLAIN) for sd_c in (0.0, 3.0))
    assert by_air.mc_pct == measured.mc_pct
    added = np.sqrt(by_air.sd_pct**2 - measured.sd_pct**2)
    assert PUBLISHED_PCT_PER_C[0] * 3 <= added <= PUBLISHED_PCT_PER_C[1] * 3


def test_a_meter_that_corrects_by_itself_is_right_as_it_shows():
    for temp in (wood(2), wood(2, 3.0)):
        found = answer(14.0, temp, CORRECTS)
        assert (found.mc_pct, found.sd_pct) == (14.0, METER_SD_PCT)


@pytest.mark.parametrize("temp_c", [2, 10, 30])
def test_of_a_meter_that_nobody_was_asked_about_both_answers_lie_within_two_standard_deviations(temp_c):
    temp = wood(temp_c, 3.0)
    plain, corrected = answer(14.0, temp, PLAIN), answer(14.0, temp, CORRECTS)
    unknown = answer(14.0, temp)
    assert unknown.sd_pct > plain.sd_pct
    assert unknown.mc_pct == plain.mc_pct
    added = np.sqrt(unknown.sd_pct**2 - plain.sd_pct**2)
    assert abs(unknown.mc_pct - corrected.mc_pct) == pytest.approx(2 * added)


def test_at_twenty_degrees_it_makes_no_difference_whether_it_corrects():
    found = {answer(14.0, wood(20), *each) for each in ((PLAIN,), (CORRECTS,), ())}
    assert len(found) == 1


def test_a_meter_set_to_another_wood_is_corrected_for_the_temperature_as_well():
    fir = dataclasses.replace(PLAIN, set_to=species.get("Douglas-fir"))
    warm, cold = answer(14.0, wood(20), fir), answer(14.0, wood(4, 3.0), fir)
    assert cold.mc_pct - warm.mc_pct == pytest.approx(0.125 * 16)
    assert cold.sd_pct > warm.sd_pct


def test_a_resistance_is_always_corrected_and_its_doubt_has_the_airs():
    five_mohm = {"quantity": Quantity.RESISTANCE}
    measured, by_air = (answer(5e6, wood(5, sd_c), CORRECTS, **five_mohm) for sd_c in (0.0, 3.0))
    assert by_air.mc_pct == measured.mc_pct
    assert by_air.mc_pct > answer(5e6, wood(20), **five_mohm).mc_pct
    assert by_air.sd_pct > measured.sd_pct


def test_a_meter_without_pins_is_not_corrected_for_temperature():
    flat = MeterSetting(kind="capacitance")
    assert answer(14.0, wood(3, 3.0), flat) == answer(14.0, wood(20), flat)


@pytest.mark.parametrize("setting", [PLAIN, CORRECTS, MeterSetting(), MeterSetting(kind="capacitance")])
def test_frozen_wood_says_nothing_whether_it_was_measured_or_two_days_of_air_say_so(setting):
    for temp, told in ((wood(-4), {"wood_c": -4.0}), (wood(0, 5, frozen_c=-6.2), {"air_c": -6.2})):
        found = refusal(14.0, temp, setting)
        assert (found.code, dict(found.values)) == ("calibration.frozen", told)


@pytest.mark.parametrize(
    ("value", "quantity", "words"),
    [(-1.0, Quantity.RESISTANCE, "above 0 ohm"), (1e15, Quantity.RESISTANCE, "in contact"),
     (800.0, Quantity.MOISTURE, "not above 400 %")],
)  # fmt: skip
def test_a_number_that_is_no_moisture_keeps_the_meters_own_refusal(value, quantity, words):
    found = refusal(value, wood(15), PLAIN, quantity=quantity)
    assert found.code == "calibration.not_a_moisture"
    assert words in found.values["error"]


def test_one_frozen_reading_does_not_take_the_others_with_it():
    temps = WoodTemperatures(
        temp_c=np.array([5.0, 0.0, -3.0]), sd_c=np.zeros(3), frozen_c=np.array([np.nan, -5.0, np.nan])
    )
    fine, by_air, measured = answers([reading(14.0)] * 3, OAK, temps, corrections=[PLAIN])
    assert isinstance(fine, MeterAnswer)
    assert (by_air.code, measured.code) == ("calibration.frozen", "calibration.frozen")


def test_a_setting_for_readings_by_hand_leaves_those_of_sensors_alone():
    hand = MeterSetting(by_hand=True, corrects_temperature=True)
    assert answer(14.0, wood(4), hand).mc_pct == 14.0
    assert answer(14.0, wood(4), hand, source="mqtt").mc_pct > 15.0
    assert setting_for(reading(14.0, source="mqtt"), [hand, PLAIN]) == PLAIN
    both = answers([reading(14.0), reading(14.0, source="mqtt")], OAK, WoodTemperatures(
        temp_c=np.full(2, 4.0), sd_c=np.zeros(2), frozen_c=np.full(2, np.nan)
    ), corrections=[hand, PLAIN])  # fmt: skip
    assert both[0].mc_pct < both[1].mc_pct, "one series, read by hand and by a sensor"


def test_a_meter_without_pins_has_no_such_correction():
    with pytest.raises(OutOfRange, match="is for meters with pins"):
        MeterSetting(kind="capacitance", corrects_temperature=True)
