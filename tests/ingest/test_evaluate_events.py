"""What was noted of a timber, and how its meter is to be read, reach the stored evaluation."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest

from baulk.ingest import operations, shop
from baulk.ingest.evaluation import climate, compute, gather
from baulk.ingest.evaluation.document_read import document_of
from baulk.models import species
from baulk.models.meter import resistance
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.section import Finished, Section
from baulk.models.timber import Event, EventKind, Timber

NOW = datetime(2026, 3, 1, tzinfo=UTC)
DAY = timedelta(days=1)
METER = '\n[[meter]]\nseries = "timber/FER-01/*/moisture"\nshown_pct = [10, 20]\ntrue_pct = [14, 25]\n'


@pytest.fixture
def yard(tmp_path):
    folder = shop.init(tmp_path / "yard", name="Ferry yard", units="metric")
    path = folder / "baulk.toml"
    climate_rows = f"\n[climate]\ntemp_c = {[12] * 12}\nrh_pct = {[70] * 12}\n"
    path.write_text(path.read_text() + climate_rows + METER)
    with shop.open(folder) as opened:
        opened.register.add(
            Timber(
                tag="FER-01",
                species="white oak",
                section=Section(width_mm=160, depth_mm=150),
                length_mm=2400,
                finished=Finished(width_mm=110, depth_mm=110),
                use_class="backbone-above-water",
                place="shed",
                arrived_utc=NOW - 120 * DAY,
            )
        )
        series = Series(owner=Owner.TIMBER, name="FER-01", quantity=Quantity.MOISTURE, depth_mm=20)
        opened.store.append(
            [
                Reading(series=series, value=18.0 - k, taken_utc=when, arrived_utc=when)
                for k, when in enumerate(NOW - days * DAY for days in (50, 40, 30, 20, 10))
            ]
        )
        yield opened


def event(kind, days_ago, **detail):
    return Event(tag="FER-01", kind=EventKind(kind), at_utc=NOW - days_ago * DAY, detail=detail)


def test_planing_and_an_oven_dried_section_reach_the_fit_and_its_words(yard):
    before = gather.gather("FER-01", yard, NOW)
    operations.add_event(yard, event("planed", 60, width_mm=150, depth_mm=150))
    operations.add_event(yard, event("oven-dried", 5, mc_pct=33.0))
    inputs = gather.gather("FER-01", yard, NOW)
    assert inputs.fingerprint() != before.fingerprint()
    content = json.loads(compute.work_out(inputs).to_json())
    (planed,) = [
        each["values"]
        for each in content["calibration"]["notes_coded"]
        if each["code"] == "calibration.planed"
    ]
    assert (planed["from_width_mm"], planed["from_depth_mm"]) == (160, 150)
    assert "calibration.planed" in [each["code"] for each in content["verdict"]["reasons_coded"]]
    assert any(each["series"].endswith("oven-dry") for each in content["readings"])
    assert content["field_now"]["x_edges_mm"][-1] == pytest.approx(75)


def test_the_shops_meter_is_put_right_and_air_that_nobody_measured_is_a_gap(yard):
    inputs = gather.gather("FER-01", yard, NOW)
    assert inputs.air_gaps() == ((inputs.since_s, inputs.now_s),)
    content = json.loads(compute.work_out(inputs).to_json())
    first = content["readings"][0]
    # 18 shown, at 20 degC; the usual air of the place says 12, so that the wood is wetter than it looks
    at_12 = resistance.from_meter(18.0, 12.0, species.get("white oak")).mc_pct
    assert 18.5 < at_12 < 19.5
    assert first["measured_pct"] == pytest.approx(14 + 1.1 * (at_12 - 10), abs=0.3)
    assert any("less sure" in each for each in content["calibration"]["notes"])
    assert content["calibration"]["ratio_factor"]["median"] > 0


def test_gaps_are_those_of_each_places_own_record(yard):
    at = [NOW - days * DAY for days in range(100, -1, -1) if not 40 < days < 50]
    yard.store.append(
        [
            Reading(
                series=Series(owner=Owner.AIR, name="shed", quantity=quantity),
                value=value,
                taken_utc=when,
                arrived_utc=when,
            )
            for when in at
            for quantity, value in ((Quantity.TEMP, 12.0), (Quantity.HUMIDITY, 70.0))
        ]
    )
    inputs = gather.gather("FER-01", yard, NOW)
    days = [(round((last - first) / climate.DAY_S)) for first, last in inputs.air_gaps()]
    assert days == [20, 10]


def test_rule_feeler_gauge_and_kerf_reach_the_stored_evaluation(yard):
    plain = gather.evaluate("FER-01", yard, NOW).document
    operations.add_event(yard, event("kerfed", 100, face="c", depth_mm=70.0, width_mm=5.0))
    for days_ago, width in ((60, 155.0), (5, 151.0)):
        operations.add_event(yard, event("measured", days_ago, width_mm=width, depth_mm=width - 9.0))
    operations.add_event(yard, event("measured", 4, out_of_square_mm=3.0))
    for days_ago, wide in ((40, 0.5), (4, 2.5)):
        operations.add_event(yard, event("checked", days_ago, face="b", width_mm=wide, depth_mm=12.0))
    made = gather.evaluate("FER-01", yard, NOW)
    assert made.failed is None
    found = document_of(made.to_json())
    sizes = [(each.what, each.face, each.measured_mm) for each in found.calibration.sizes]
    assert sizes == [
        ("width", "", 155.0), ("depth", "", 146.0), ("width", "", 151.0), ("depth", "", 142.0),
        ("out of square", "", 3.0),
    ]  # fmt: skip
    assert found.calibration.shrinkage_factor.median == pytest.approx(
        1.0, abs=0.1
    )  # nobody can have lost 9 mm
    codes = [each.code for each in found.verdict.reasons_coded]
    assert {"calibration.shrinks", "calibration.size_unlike"} <= set(codes)
    assert "opening.grew" in codes
    assert len(found.field_now.x_edges_mm) > len(plain.field_now.x_edges_mm)  # cells beside its kerf
    heart = [each.values for each in found.verdict.reasons_coded if each.code == "verdict.boxed_heart"]
    assert heart
    assert heart[0]["kerf"]
    assert "A relief kerf to the heart" not in " ".join(found.verdict.reasons)
    checks = {each.name: each.width_mm for each in found.verdict.comes_out.parts}["checks"]
    assert checks == pytest.approx(10.0)  # 12 mm deep in face b, of which planing takes 2
