"""What sensors are held against, in words."""

from __future__ import annotations

import pytest

from baulk.models import text
from baulk.models.reason import Reason
from baulk.models.text import sensors

WOOD = "timber/FER-01/wood-temp"
TOLD = [
    (
        "sensor.beside",
        {"what": "humidity", "count": 3},
        ("its humidity is held against 3 other places"),
    ),
    (
        "sensor.beside",
        {"what": "temperature", "count": 2},
        ("its temperature is held against 2 others in its place"),
    ),
    (
        "sensor.beside_one",
        {"what": "temperature", "other": WOOD},
        (
            "its temperature is held against the wood temperature of FER-01 alone, and of two nobody "
            "can say which drifts: stirred ice water tells (0 °C)"
        ),
    ),
    (
        "sensor.beside_weather",
        {"what": "humidity"},
        (
            "its humidity is held against the weather outside alone, which shows only large drifts: wet"
            " cooking salt in a closed jar tells (75 % after a day)"
        ),
    ),
    (
        "sensor.alone",
        {"what": "humidity"},
        ("nothing stands beside its humidity: wet cooking salt in a closed jar tells (75 % after a day)"),
    ),
    (
        "sensor.temp_apart",
        {"warmer_k": -2.5, "other": WOOD},
        (
            "it shows 2.5 °C colder beside the wood temperature of FER-01 than weeks ago: one of the "
            "two drifts, or sun or a heater reaches one of them; stirred ice water tells (0 °C)"
        ),
    ),
    (
        "sensor.temp_from_weather",
        {"warmer_k": 5.0},
        (
            "it shows 5.0 °C warmer beside the weather outside than weeks ago: it drifts, or the place "
            "is heated or opened in another way; stirred ice water tells (0 °C)"
        ),
    ),
    (
        "sensor.vapour_apart",
        {"change_pct": -14, "other": "loft"},
        (
            "its air holds 14 % less vapour beside the air of loft than weeks ago: one of the two "
            "drifts, or a room is used in another way; wet cooking salt in a closed jar tells (75 % "
            "after a day)"
        ),
    ),
    (
        "sensor.vapour_apart",
        {"change_pct": 14, "other": None},
        (
            "its air holds 14 % more vapour beside the weather outside than weeks ago: it drifts, or a "
            "room is used in another way; wet cooking salt in a closed jar tells (75 % after a day)"
        ),
    ),
]


@pytest.mark.parametrize(("code", "values", "words"), TOLD)
def test_what_a_sensor_is_held_against_is_said(code, values, words):
    assert text.sentence(Reason(code=code, values=values), "metric") == words


def test_every_code_stands_in_the_table_above_and_inches_have_their_degrees():
    assert {code for code, *_ in TOLD} == set(sensors.SENTENCES)
    told = Reason(code="sensor.temp_from_weather", values={"warmer_k": 5.0})
    said = text.sentence(told, "inch")
    assert "9 °F warmer" in said
    assert said.endswith("(32 °F)")


def test_the_humidity_over_wet_salt_is_the_published_one():
    """Greenspan 1977, the fit for sodium chloride, as two public programs quote it; 10 to 30 degC."""
    for temp_c in range(10, 31):
        rh = 75.5164 + 0.0398321 * temp_c - 0.265459e-2 * temp_c**2 + 0.2848e-4 * temp_c**3
        assert abs(rh - sensors.SALT_RH_PCT) < 0.7
