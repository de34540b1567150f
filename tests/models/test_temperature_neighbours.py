"""One thermometer against those beside it: a drift is found; a heater, weather, slow wood are not."""

from __future__ import annotations

import numpy as np
import pytest

from baulk.models import neighbours, temperature_neighbours

NOW = 1_800_000_000.0
DAYS = 60
HOURS = np.arange(24 * DAYS)
AT = NOW - 3600.0 * HOURS[::-1] - 1800
LATELY = AT > NOW - 14 * 86_400


def outside():
    """Two autumn months: cooling, fronts and days. [degC]."""
    fronts = np.repeat(np.random.default_rng(7).normal(0, 2, DAYS), 24)
    return 16 - 0.2 * HOURS / 24 + fronts + 4 * np.sin(2 * np.pi * HOURS / 24)


def slow(temp_c, hours):
    """What a body that answers within so many hours shows of the air; a plain lag, no model of a timber."""
    shown, now = [], temp_c[0]
    for each in temp_c:
        now += (each - now) / hours
        shown.append(now)
    return np.array(shown)


def daily(temp_c, seed=0):
    return neighbours.daily(AT, temp_c + np.random.default_rng(seed).normal(0, 0.3, AT.size), NOW)


@pytest.fixture
def room():
    """Air of a room that a heater warms by eight degrees lately, and two timbers that follow in a day."""
    air = 0.5 * outside() + 6 + 8.0 * LATELY
    return {"air": air, "one": slow(air, 24), "other": slow(air, 30)}


def test_a_heater_the_weather_and_slow_timbers_are_no_drift(room):
    days = {name: daily(each, k) for k, (name, each) in enumerate(room.items())}
    assert temperature_neighbours.departed(days) == {}
    assert temperature_neighbours.apart(days["air"], days["one"]) is None
    assert temperature_neighbours.from_weather(days["air"], daily(outside())) > 4  # a heater looks so too


@pytest.mark.parametrize("off_k", [-3.0, 3.0])
@pytest.mark.parametrize("which", ["air", "one"])
def test_one_that_drifts_is_found_among_three_and_of_two_that_they_parted(room, which, off_k):
    room[which] = room[which] + off_k * LATELY
    days = {name: daily(each, k) for k, (name, each) in enumerate(room.items())}
    found = temperature_neighbours.departed(days)
    assert found.keys() == {which}
    assert found[which] == pytest.approx(off_k, abs=0.7)
    sign = 1 if which == "air" else -1
    assert temperature_neighbours.apart(days["air"], days["one"]) == pytest.approx(sign * off_k, abs=0.7)


def test_little_one_always_off_and_too_few_days_are_not_told(room):
    days = {name: daily(each, k) for k, (name, each) in enumerate(room.items())}
    for changed in (room["one"] + 1.0 * LATELY, room["one"] + 5.0):
        assert temperature_neighbours.departed({**days, "one": daily(changed)}) == {}
    late = AT > NOW - 20 * 86_400
    short = neighbours.daily(AT[late], (room["one"] + 5.0 * LATELY)[late], NOW)
    assert temperature_neighbours.departed({**days, "one": short}) == {}
    assert temperature_neighbours.apart(days["air"], short) is None


def test_a_lone_one_is_held_against_the_weather_only_for_much():
    still = 0.5 * outside() + 6
    assert temperature_neighbours.from_weather(daily(outside()), daily(outside(), 1)) is None
    assert temperature_neighbours.from_weather(daily(outside() + 3 * LATELY), daily(outside(), 1)) is None
    assert temperature_neighbours.from_weather(daily(still - 9 * LATELY), daily(outside(), 1)) < -4
