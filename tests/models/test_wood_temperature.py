"""The wood between the pins: as warm as it was measured, else as the air of the day before."""

from __future__ import annotations

import numpy as np
import pytest

from baulk.models.air import AirSeries
from baulk.models.meter import wood_temperature

DAY_S = 86_400.0
SIDE_MM = 200.0
START_S = 1_750_000_000.0


def air(temp_c, every_s=3600.0):
    temp = np.asarray(temp_c, float)
    at_s = START_S + every_s * np.arange(temp.size)
    return AirSeries(posix_s=at_s, temp_c=temp, rh_pct=np.full(temp.size, 70.0))


def hours(days):
    return np.arange(int(24 * days) + 1) / 24


def core_of_a_square(temp_c, side_m, *, a=1.6e-7, film=10.0, k=0.16, cells=20):
    """Temperature in the middle by explicit finite differences of our own, by the hour; nothing of the
    program's."""
    step_m = side_m / cells
    dt_s = 0.2 * step_m**2 / a
    edge = 1 / (step_m / 2 / k + 1 / film) / k * step_m  # conductance of the half cell and the air film
    field, found = np.full((cells, cells), float(temp_c[0])), []
    for hour, outside in enumerate(temp_c):
        found.append(field[cells // 2, cells // 2])
        steps = int(np.ceil(3600 / dt_s))
        for _ in range(steps if hour < len(temp_c) - 1 else 0):
            flow = np.zeros_like(field)
            for axis in (0, 1):
                along = np.moveaxis(field, axis, 0)
                into = np.moveaxis(flow, axis, 0)
                jump = np.diff(along, axis=0)
                into[:-1] += jump
                into[1:] -= jump
                into[0] += edge * (outside - along[0])
                into[-1] += edge * (outside - along[-1])
            field = field + a * (3600 / steps) / step_m**2 * flow
    return np.array(found)


def test_the_mean_of_the_air_is_exact_on_straight_lines_and_held_before_the_record():
    seen = air([0.0, 24.0], every_s=DAY_S)
    at_s = START_S + DAY_S * np.array([1.0, 0.5, 1.5])
    # all of the rise from 0 to 24: 12; its first half and 0 before it: 3; its second half and 24 held: 21
    assert wood_temperature.mean_before(seen, at_s, 1.0) == pytest.approx([12.0, 3.0, 21.0])


@pytest.mark.parametrize("side_m", [0.15, 0.2, 0.3])
def test_the_mean_of_the_air_stands_for_the_middle_of_a_heavy_timber(side_m):
    """Against a conduction solver of the test's own: a shed that swings 12 degC from day to night."""
    day = hours(16)
    weather = 14 + 6 * np.sin(2 * np.pi * day / 6) + 6 * np.sin(2 * np.pi * day)
    core = core_of_a_square(weather, side_m)
    seen, late = air(weather), slice(24 * 10, None)
    at_s = seen.posix_s[late]

    def off(found):
        return float(np.sqrt(np.mean((found - core[late]) ** 2)))

    said = off(wood_temperature.at_readings(at_s, [], seen, 1000 * side_m).temp_c)
    assert said < 1.5
    assert said < 0.4 * off(weather[late])
    assert said < 0.4 * off(wood_temperature.mean_before(seen, at_s, 7.0))


def test_a_measured_wood_temperature_within_twelve_hours_wins_over_the_air():
    seen, noon_s = air(np.full(120, -10.0)), START_S + 4 * DAY_S
    near, far = (noon_s - 11 * 3600, 4.0), (noon_s - 13 * 3600, 30.0)
    found = wood_temperature.at_readings([noon_s], [far, near], seen, SIDE_MM)
    assert (found.temp_c[0], found.sd_c[0], np.isnan(found.frozen_c[0])) == (4.0, 0.0, True)
    assert wood_temperature.at_readings([noon_s], [far], seen, SIDE_MM).frozen_c[0] == pytest.approx(-10)


def test_a_cold_night_is_doubt_and_two_days_of_frost_are_frozen_wood():
    mild = np.full(24 * 6, 6.0)
    night = mild.copy()
    night[-18:] = -8.0  # a night and a morning
    last_s = START_S + 3600 * (mild.size - 1)
    cold = wood_temperature.at_readings([last_s], [], air(night), SIDE_MM)
    assert np.isnan(cold.frozen_c[0])
    assert cold.temp_c[0] == 0.0
    assert cold.sd_c[0] > wood_temperature.AIR_SD_C
    frost = night.copy()
    frost[-48:] = -3.0
    assert wood_temperature.at_readings([last_s], [], air(frost), SIDE_MM).frozen_c[0] == pytest.approx(
        -3, abs=0.2
    )
    hardly = np.full(mild.size, -0.5)
    assert np.isnan(wood_temperature.at_readings([last_s], [], air(hardly), SIDE_MM).frozen_c[0])


def test_where_nobody_measured_the_air_the_doubt_is_wider():
    seen = air(np.full(24 * 6, 6.0))
    last_s = START_S + 3600 * (24 * 6 - 1)
    usual = wood_temperature.at_readings([last_s], [], seen, SIDE_MM).sd_c[0]
    gap = [(last_s - 2 * DAY_S, last_s - 0.5 * DAY_S)]
    assert usual == wood_temperature.AIR_SD_C
    assert wood_temperature.at_readings([last_s], [], seen, SIDE_MM, gap).sd_c[0] > usual
    long_ago = [(START_S, last_s - 2 * DAY_S)]
    assert wood_temperature.at_readings([last_s], [], seen, SIDE_MM, long_ago).sd_c[0] == usual
    before = wood_temperature.at_readings([START_S + 3600], [], seen, SIDE_MM)
    assert before.sd_c[0] > usual, "an hour after the record began nothing is known of the day before"


def test_frost_that_nobody_measured_refuses_no_reading():
    seen = air(np.full(24 * 6, -8.0))
    last_s = START_S + 3600 * (24 * 6 - 1)
    assert not np.isnan(wood_temperature.at_readings([last_s], [], seen, SIDE_MM).frozen_c[0])
    gap = [(last_s - 4 * DAY_S, last_s - 1.5 * DAY_S)]
    found = wood_temperature.at_readings([last_s], [], seen, SIDE_MM, gap)
    assert np.isnan(found.frozen_c[0])
    assert (found.temp_c[0], found.sd_c[0] > 8) == (0.0, True)


def test_no_reading_is_no_temperature():
    assert wood_temperature.at_readings([], [], air([5.0]), SIDE_MM).temp_c.size == 0
