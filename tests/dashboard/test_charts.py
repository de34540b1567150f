"""The moisture scale can be read without colour vision, and the pictures hold what they should."""

import re

import numpy as np
import pytest

from baulk.dashboard.charts import butt_end, cross_section, fitted, forecast, moisture_scale, surface
from baulk.ingest.evaluation.document import CheckingMargin
from baulk.ingest.evaluation.document_read import parse
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
    falls = np.diff([lightness(c, DICHROMACY[eye]) for c in moisture_scale.MOISTURE])
    assert np.all(falls < -6)  # well above the about 1 that is just noticeable


def test_the_ends_of_the_scale_hold_for_what_lies_beyond():
    assert moisture_scale.moisture_colour(0) == moisture_scale.MOISTURE[0]
    assert moisture_scale.moisture_colour(150) == moisture_scale.MOISTURE[-1]


def shapes(svg, kind):
    """The elements of a drawing, each with its numbers."""
    found = re.findall(rf"<{kind} ([^>]*)>", svg)
    return [{k: float(v) for k, v in re.findall(r'(?<![-\w])(\w+)="(-?[\d.]+)"', each)} for each in found]


@pytest.mark.parametrize(("width", "depth"), [(203.2, 196.85), (300, 100), (100, 300)])
def test_the_section_is_drawn_to_scale(invented, width, depth):
    timber = invented.piece(
        "FER-01",
        section=invented.Section(width_mm=width, depth_mm=depth),
        finished=invented.Finished(width_mm=90, depth_mm=60),
    )
    drawn = butt_end.section(timber, None, [], "metric")
    green, _, piece = shapes(drawn.svg, "rect")
    assert green["width"] / green["height"] == pytest.approx(width / depth, rel=0.001)
    assert piece["width"] / green["width"] == pytest.approx(90 / width, rel=0.001)
    assert piece["height"] / green["height"] == pytest.approx(60 / depth, rel=0.001)


def test_pins_are_drawn_at_their_depth_under_their_face(invented):
    timber = invented.piece("FER-01")
    drawn = butt_end.section(timber, None, [butt_end.Pin(depth_mm=50.8, face=Face.B)], "inch")
    (green, *_), (spot,) = shapes(drawn.svg, "rect"), shapes(drawn.svg, "circle")
    across = (spot["cx"] - green["x"]) / green["width"]
    assert across == pytest.approx(6 / 8, abs=0.001)  # 8 in wide, 2 in from face b
    assert (spot["cy"] - green["y"]) / green["height"] == pytest.approx(0.5, abs=0.001)
    assert "pins read 2 in deep" in drawn.said


def test_core_and_average_are_printed_in_the_section_and_said(invented):
    timber = invented.piece("FER-01")
    answer = parse(invented.evaluation(timber))
    drawn = butt_end.section(timber, answer, [], "inch")
    assert ">core 48 %</text>" in drawn.svg
    assert ">average 40 %</text>" in drawn.svg
    assert "48 % MC in the core and 40 % on average" in drawn.said
    assert not re.search(r"\d\.\d{4}", re.sub(r"<[^>]*>", "", drawn.svg))  # no number such as 52.520000


def test_the_sizes_stand_on_the_sides_of_the_outline_with_their_change(invented):
    timber = invented.piece("FER-01")
    drawn, times = cross_section.picture(timber, parse(invented.evaluation(timber)).movement, "inch")
    sides = re.findall(r"<text[^>]*>([^<]*)</text>", drawn.svg)
    assert sides[0] == "a: 5.92 in (-0.08 in)"  # 152.4 mm less 2.1
    assert [each[0] for each in sides] == ["a", "b", "c", "d"]
    assert times >= 1
    assert "its use allows 0.10 in" in drawn.said


def test_the_forecast_names_the_day_and_says_what_it_finds(invented):
    answer = parse(invented.evaluation(invented.piece("FER-01")))
    now = answer.made_utc
    spec = forecast.chart(answer, (16, 22), now).to_dict()
    words = {row.get("text") for data in spec["datasets"].values() for row in data}
    named = {each for each in words if each and each.startswith("square about ")}
    assert {"now", "moisture in service"} <= words
    assert len(named) == 1
    day = named.pop().removeprefix("square ")
    assert forecast.finding(answer, now).startswith(f"It may be squared {day}: by then the core goes")
    none = answer.model_copy(
        update={"verdict": answer.verdict.model_copy(update={"dates": {"square": None}})}
    )
    assert forecast.finding(none, now).startswith("No day for squaring within the forecast: by ")
    done = answer.model_copy(update={"verdict": answer.verdict.model_copy(update={"dates": {"square": now}})})
    assert forecast.finding(done, now) == "It may be squared now: 48 % in the core, 40 % on average."


def test_readings_left_out_and_at_least_are_told_apart(invented):
    answer = parse(invented.evaluation(invented.piece("FER-01")))
    spec = fitted.chart(answer, "metric").to_dict()
    held = [spec["datasets"][layer["data"]["name"]] for layer in spec["layer"]]
    kinds = [{row["kind"] for row in rows} for rows in held]
    assert kinds == [
        {"measured"},
        {"measured", "left out"},
        {"at least"},
    ]  # the last are arrows, no line
    assert spec["layer"][2]["mark"]["shape"] == fitted.UP
    said = fitted.finding(answer)
    assert said.startswith("Of 45 readings 14 lie ")
    assert said.endswith("28 only say at least this wet, 3 are left out.")


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
    assert lines["encoding"]["color"]["scale"]["domain"] == [
        "strain of the surface",
        "limit of boards, 3.7 %",
    ]
    drawn = spec["datasets"][lines["data"]["name"]]
    assert [row["value"] for row in drawn if row["which"] == "strain of the surface"] == days
    assert {row["value"] for row in drawn if row["which"] != "strain of the surface"} == {3.745}
    assert band["encoding"]["y"]["scale"]["domain"][1] > 6.0
    assert surface.finding(margin, margin.ahead) == (
        "In the next 2 days the surface tends to shrink by at most 6.0 % of its length, and boards of its "
        "wood withstand 3.7 %; the chance of too much is 90 %."
    )
