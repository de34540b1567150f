"""The moisture scale can be read without colour vision, and the pictures hold what they should."""

import numpy as np
import pytest

from baulk.dashboard.charts import cross_section, surface, time_series
from baulk.ingest.evaluation.document import CheckingMargin, parse
from baulk.models.section import Face


def linear(colour):
    """Undo the sRGB transfer function (IEC 61966-2-1)."""
    c = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


# Full protanopia, deuteranopia, tritanopia in linear RGB: Machado, Oliveira & Fernandes 2009, severity 1.0
# (from memory; rows sum to 1, which the test below holds them to)
DICHROMACY = {
    "none": np.eye(3),
    "protan": [
        [0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881],
    ],
    "tritan": [
        [1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900],
    ],
}  # fmt: skip


def lightness(colour, matrix):
    """CIE 1976 lightness of what such an eye sees."""
    y = np.clip(np.asarray(matrix) @ linear(colour), 0, 1) @ [0.2126, 0.7152, 0.0722]
    return 116 * np.cbrt(y) - 16 if y > 0.008856 else 903.3 * y


@pytest.mark.parametrize("eye", DICHROMACY)
def test_wetter_is_darker_all_the_way_for_every_kind_of_eye(eye):
    np.testing.assert_allclose(np.sum(DICHROMACY[eye], axis=1), 1, atol=2e-6)
    falls = np.diff([lightness(c, DICHROMACY[eye]) for c in time_series.MOISTURE])
    assert np.all(falls < -6)  # well above the about 1 that is just noticeable


def test_the_ends_of_the_scale_hold_for_what_lies_beyond():
    assert time_series.moisture_colour(0) == time_series.MOISTURE[0]
    assert time_series.moisture_colour(150) == time_series.MOISTURE[-1]


@pytest.mark.parametrize(("width", "depth"), [(203.2, 196.85), (300, 100), (100, 300)])
def test_the_section_is_drawn_to_scale(invented, width, depth):
    timber = invented.piece(
        "FER-01",
        section=invented.Section(width_mm=width, depth_mm=depth),
        finished=invented.Finished(width_mm=90, depth_mm=90),
    )
    spec = cross_section.section(timber, None, [], "metric").to_dict()
    x, y = (spec["layer"][0]["encoding"][axis]["scale"]["domain"] for axis in "xy")
    assert spec["width"] / (x[1] - x[0]) == pytest.approx(spec["height"] / (y[1] - y[0]), rel=0.01)
    assert spec["autosize"]["type"] == "pad"  # else axes and legend would eat into the picture


def test_pins_are_drawn_at_their_depth_under_their_face(invented):
    timber = invented.piece("FER-01")
    pin = cross_section.Pin(depth_mm=50.8, face=Face.B)
    spec = cross_section.section(timber, None, [pin], "inch").to_dict()
    rows = [row for data in spec["datasets"].values() for row in data if "pins" in str(row.get("what"))]
    assert [(row["x"], row["y"]) for row in rows] == [(pytest.approx(2.0), 0.0)]  # 4 in to face b, less 2 in


def test_the_fan_reaches_from_the_past_over_now_to_the_end(invented):
    answer = parse(invented.evaluation(invented.piece("FER-01")))
    spec = time_series.fan(answer, "core", (16, 22), answer.verdict.dates["square"]).to_dict()
    words = {row.get("text") for data in spec["datasets"].values() for row in data}
    assert {"now", "square", "where it will live"} <= words


def test_readings_left_out_are_told_apart(invented):
    answer = parse(invented.evaluation(invented.piece("FER-01")))
    spec = time_series.readings(answer, {}, "metric").to_dict()
    kinds = {row["kind"] for data in spec["datasets"].values() for row in data}
    assert kinds == {"measured", "at least", "left out"}


def test_the_surface_is_drawn_by_day_below_or_above_what_boards_stand():
    days = [1.0, 2.0, 6.0]
    margin = CheckingMargin.model_validate(
        {
            "wanted_pct": {"median": 1.0, "low": 0.5, "high": 1.5},
            "in_air_pct": 5.0, "tolerated_pct": 3.745, "margin_pct": {"median": 2.7, "low": 2.2, "high": 3.2},
            "deciding": True, "stage": "a start", "source": "invented",
            "ahead": {
                "posix_s": [0.0, 86_400.0, 172_800.0], "wanted_pct": [[0.5 * d for d in days], days, days],
                "stress": None, "chance": [0.0, 0.1, 0.9], "at_risk": True,
                "risk_utc": "1970-01-03T00:00:00Z",
            },
        }
    )  # fmt: skip
    spec = surface.ahead(margin, margin.ahead).to_dict()
    band, lines = spec["layer"]
    assert lines["encoding"]["color"]["scale"]["domain"] == ["the surface wants", "boards stand 3.7 %"]
    drawn = spec["datasets"][lines["data"]["name"]]
    assert [row["value"] for row in drawn if row["which"] == "the surface wants"] == days
    assert {row["value"] for row in drawn if row["which"] != "the surface wants"} == {3.745}
    assert band["encoding"]["y"]["scale"]["domain"][1] > 6.0
