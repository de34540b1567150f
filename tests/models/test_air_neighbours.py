"""One place's humidity against the others': a sensor that moves is found, a heater or the weather is not."""

from __future__ import annotations

import numpy as np
import pytest

from baulk.models import air_neighbours
from baulk.models.air import AirSeries

NOW = 1_800_000_000.0
DAYS = 60
HOURS = np.arange(24 * DAYS)
AT = NOW - 3600.0 * HOURS[::-1] - 1800
LATELY = AT > NOW - 14 * 86_400


def magnus_pa(temp_c):
    """Saturation over water by Magnus' formula (WMO-No. 8, annex 4.B, from memory); not the package's own."""
    return 611.2 * np.exp(17.62 * temp_c / (243.12 + temp_c))


def weather():
    """Vapour pressure outside over two months: a slow wave and fronts. [Pa]."""
    rng = np.random.default_rng(4)
    return 900 + 250 * np.sin(HOURS / 300) + 80 * np.repeat(rng.normal(size=DAYS), 24)


def room(temp_c, *, gain=1.0, seed=0):
    """A room with the vapour outside at its own temperature; its sensor shows ``gain`` times its humidity."""
    noise = np.random.default_rng(seed).normal(0, 0.01, HOURS.size)
    rh = 100 * weather() / magnus_pa(temp_c) * np.exp(noise) * gain
    return AirSeries(posix_s=AT, temp_c=np.broadcast_to(temp_c, AT.shape) + 0.0, rh_pct=np.clip(rh, 0, 100))


@pytest.fixture
def yard():
    warm = np.where(LATELY, 24.0, 17.0)  # a heater that was switched on
    return {"shed": room(14.0, seed=1), "loft": room(16.0, seed=2), "shop": room(warm, seed=3)}


def test_weather_and_a_heater_move_nothing_against_the_neighbours(yard):
    before, after = (yard["shop"].rh_pct[part].mean() for part in (~LATELY, LATELY))
    assert abs(after / before - 1) > 0.2  # in its relative humidity it is plain
    assert air_neighbours.departed(yard, NOW) == {}


@pytest.mark.parametrize("gain", [0.82, 1.2])
def test_a_sensor_that_shows_another_humidity_is_found_with_how_much(yard, gain):
    yard["loft"] = room(16.0, gain=np.where(LATELY, gain, 1.0), seed=2)
    found = air_neighbours.departed(yard, NOW)
    assert found.keys() == {"loft"}
    assert found["loft"] == pytest.approx(100 * (gain - 1), abs=2.0)


def test_one_that_was_always_off_has_not_moved_and_a_little_is_no_news(yard):
    assert air_neighbours.departed({**yard, "loft": room(16.0, gain=0.8, seed=2)}, NOW) == {}
    assert air_neighbours.departed({**yard, "loft": room(16.0, gain=np.where(LATELY, 0.95, 1.0))}, NOW) == {}


def test_what_cannot_be_told_is_not_told(yard):
    moved = room(16.0, gain=np.where(LATELY, 0.8, 1.0), seed=2)
    assert air_neighbours.departed({"shed": yard["shed"], "loft": moved}, NOW) == {}  # which of the two?
    late = AT > NOW - 20 * 86_400
    short = AirSeries(posix_s=AT[late], temp_c=moved.temp_c[late], rh_pct=moved.rh_pct[late])
    assert air_neighbours.departed({**yard, "loft": short}, NOW) == {}
    both = {"shed": yard["shed"], "loft": moved, "shop": room(17.0, gain=np.where(LATELY, 1.2, 1.0), seed=3)}
    assert air_neighbours.departed(both, NOW) == {}  # two have moved apart: nobody says which
