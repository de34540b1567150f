"""What one timber teaches is kept, put together once a day, and taken by the next unless switched off."""

from __future__ import annotations

import dataclasses
import json
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
import documents

from baulk.ingest import shop
from baulk.ingest.evaluation import batch, compute, forecast_record, gather, yard_memory
from baulk.models import species
from baulk.models.calibrate import yard_lessons
from baulk.models.diffusion import law_for
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.section import Finished, Section
from baulk.models.timber import Timber

NOW = datetime(2026, 3, 1, 6, tzinfo=UTC)
DAY = timedelta(days=1)
DAY_S = 86_400.0


@pytest.fixture
def folder(tmp_path):
    return shop.init(tmp_path / "yard", name="Ferry yard", units="metric")


@pytest.fixture
def yard(folder):
    with shop.open(folder) as opened:
        opened.store.append(air())
        yield opened


def timber(tag="NEW", **more):
    given = {
        "species": "white oak",
        "section": Section(width_mm=150, depth_mm=150),
        "length_mm": 2400,
        "finished": Finished(width_mm=110, depth_mm=110),
        "use_class": "backbone-above-water",
        "place": "shed",
        "arrived_utc": NOW - 120 * DAY,
    }
    return Timber(tag=tag, **{**given, **more})


def reading(series, value, when, source="hand"):
    return Reading(series=series, value=value, taken_utc=when, arrived_utc=when, source=source)


def air(days=120, every_h=6):
    found = []
    for h in range(0, days * 24, every_h):
        when = NOW - days * DAY + timedelta(hours=h)
        for quantity, value in ((Quantity.TEMP, 12.0 + h % 5), (Quantity.HUMIDITY, 66.0 + h % 7)):
            series = Series(owner=Owner.AIR, name="shed", quantity=quantity)
            found.append(reading(series, value, when, "mqtt"))
    return found


def pins(tag, steep=2.0):
    series = Series(owner=Owner.TIMBER, name=tag, quantity=Quantity.MOISTURE, depth_mm=20)
    return [reading(series, 34 - steep * k, NOW - (100 - 10 * k) * DAY) for k in range(10)]


def weights(tag):
    series = Series(owner=Owner.TIMBER, name=tag, quantity=Quantity.WEIGHT)
    loss = 12 * (1 - np.exp(-np.arange(0, 117, 4) / 120))
    return [reading(series, 60.0 - kg, NOW - (118 - 4 * k) * DAY) for k, kg in enumerate(loss)]


def note(fitted=NOW - DAY, *, says, sd=0.15, **more):
    """A note as a whole fit leaves it: a number seen, the others as they were before."""
    usual = yard_lessons.defaults(timber(), species.get("white oak"), law_for(species.get("white oak")))
    mean, before = (np.array(each) for each in zip(*usual.values(), strict=True))
    after = before.copy()
    for name, value in says.items():
        at = list(usual).index(name)
        after[at] = 1 / np.hypot(1 / before[at], 1 / (sd * before[at]))
        mean[at] += after[at] ** 2 / (sd * before[at]) ** 2 * (value - mean[at])
    origin = {
        "species": "white oak", "arrived_utc": (NOW - 120 * DAY).isoformat(), "arrived_at": "shed",
        "place": "shed", "meter": "hand-held meter",
    } | more  # fmt: skip
    default = [each for each, _ in usual.values()]
    body = {
        "format": 2, "fitted_utc": fitted.isoformat(), "origin": origin, "names": list(usual), "members": 64,
        "mean": mean.tolist(), "cov": np.diag(after**2).tolist(), "prior_mean": default,
        "prior_cov": np.diag(before**2).tolist(), "default_mean": default, "default_sd": before.tolist(),
    }  # fmt: skip
    return json.dumps(body).encode()


def teach(opened, *, count=8, ln_d=-0.6, retired=None, tag="OLD", **more):
    for k in range(count):
        opened.register.add(timber(f"{tag}-{k}", retired_utc=retired))
        says = {"ln_d": ln_d + 0.2 * (k % 3 - 1), "meter_bias": 1.5}
        opened.store.note(yard_memory.found_key(f"{tag}-{k}"), note(says=says, **more))


def given(opened, tag="NEW", now=NOW):
    return gather.gather(tag, opened, now)


def test_what_the_lot_taught_is_the_prior_of_the_next(yard):
    yard.register.add(timber())
    teach(yard)
    assert given(yard).yard is None  # nothing was put together yet
    assert yard_memory.refresh(yard, NOW)
    known = given(yard).yard
    assert known.rows["ln_d"].mean == pytest.approx(-0.6, abs=0.1)
    assert 0.25 <= known.rows["ln_d"].sd < 0.4
    assert (known.rows["ln_d"].timbers, known.rows["ln_d"].near) == (8, 8)
    assert not any(name.startswith("meter_bias") for name in known.rows)  # nothing has read it yet
    yard.store.append(pins("NEW"))
    bias = given(yard).yard.rows["meter_bias:hand-held meter"]
    assert bias.mean == pytest.approx(1.5, abs=0.3)
    assert bias.timbers == 8


def test_retired_timbers_teach_too(yard):
    yard.register.add(timber())
    teach(yard, retired=NOW - 2 * DAY)
    yard_memory.refresh(yard, NOW)
    assert given(yard).yard.rows["ln_d"].timbers == 8


def test_its_own_readings_are_not_in_its_own_prior(yard):
    teach(yard)
    yard_memory.refresh(yard, NOW)
    others = given(yard, "OLD-0").yard.rows["ln_d"]
    yard.store.note(yard_memory.found_key("OLD-0"), note(says={"ln_d": -0.4}))
    yard_memory.refresh(yard, NOW + DAY)
    assert given(yard, "OLD-0", NOW + DAY).yard.rows["ln_d"] == others
    assert others.timbers == 7


def test_a_round_asks_one_and_the_same_yard_and_an_earlier_day_another(yard):
    teach(yard)
    teach(yard, tag="LATE", count=3, fitted=NOW + timedelta(hours=6))
    yard_memory.refresh(yard, NOW + DAY)
    now_known = yard_memory.known(yard)
    whole = now_known.until(NOW + DAY)
    assert now_known.until(NOW + 2 * DAY) is whole
    assert yard_memory.known(yard).until(NOW + DAY) is whole
    assert now_known.until(NOW) is not whole
    yard.register.add(timber())
    told = [given(yard, now=at).yard.rows["ln_d"].timbers for at in (NOW, NOW + DAY, NOW)]
    assert told == [8, 11, 8]


def test_it_is_put_together_once_a_day_and_the_day_keeps_to_it(yard):
    yard.register.add(timber())
    teach(yard)
    assert yard_memory.refresh(yard, NOW)
    first, noted = given(yard), yard.store.noted(yard_memory.KEY)
    teach(yard, tag="LATE", ln_d=1.0)
    assert not yard_memory.refresh(yard, NOW + timedelta(hours=12))
    assert yard.store.noted(yard_memory.KEY) == noted
    assert given(yard).fingerprint() == first.fingerprint()
    assert yard_memory.refresh(yard, NOW + DAY)
    later = given(yard, now=NOW + DAY)
    assert later.yard.rows["ln_d"].timbers == 16
    assert dataclasses.replace(later, yard=first.yard).fingerprint() != later.fingerprint()


def test_the_setting_switches_it_off(folder):
    path = folder / "baulk.toml"
    text = path.read_text()
    assert "# [learning]" in text
    path.write_text(text + "\n[learning]\nfrom_yard = false\n")
    with shop.open(folder) as opened:
        opened.store.append(air())
        opened.register.add(timber())
        teach(opened)
        assert not yard_memory.refresh(opened, NOW)
        assert given(opened).yard is None
    path.write_text(text)
    with shop.open(folder) as opened:
        assert yard_memory.refresh(opened, NOW)
        assert given(opened).yard is not None
    path.write_text(text + "\n[learning]\nfrom_yard = false\n")
    with shop.open(folder) as opened:
        assert given(opened).yard is None


def test_an_earlier_day_does_not_know_what_was_found_later(yard):
    yard.register.add(timber())
    teach(yard, count=6, fitted=NOW - 40 * DAY, retired=NOW - 39 * DAY)
    teach(yard, count=5, tag="LATE", fitted=NOW - DAY)
    yard_memory.refresh(yard, NOW)
    assert given(yard).yard.rows["ln_d"].timbers == 11
    assert given(yard, now=NOW - 20 * DAY).yard.rows["ln_d"].timbers == 6
    assert given(yard, now=NOW - 60 * DAY).yard is None


def test_a_damaged_or_foreign_note_is_passed_over(yard):
    yard.register.add(timber())
    teach(yard)
    for k, body in enumerate((b"{", b'{"format": 99}', b"[]")):
        yard.store.note(yard_memory.found_key(f"OLD-{k}"), body)
    yard_memory.refresh(yard, NOW)
    assert given(yard).yard.rows["ln_d"].timbers == 5
    yard.store.note(yard_memory.KEY, b'{"format": 99}')
    assert given(yard).yard is None
    assert yard_memory.refresh(yard, NOW)


def test_a_whole_fit_leaves_its_note_and_says_what_it_leaned_on(yard):
    yard.register.add(timber())
    yard.store.append([*pins("NEW", 0.3), *weights("NEW")])
    teach(yard)
    yard_memory.refresh(yard, NOW)
    assert batch.run(yard, ["NEW"], NOW, workers=1).done == ["NEW"]
    left = json.loads(yard.store.noted(yard_memory.found_key("NEW")))
    assert left["origin"]["meter"] == "hand-held meter"
    at = left["names"].index("ln_d")
    assert left["prior_cov"][at][at] ** 0.5 < 0.4 < left["default_sd"][at]
    body = json.loads(yard.store.evaluation("NEW")[1])
    assert any("rests on 8 other timbers of its lot" in each for each in body["verdict"]["reasons"])
    assert body["yard"]["prior"]["ln_d"]["near"] == 8
    assert body["forecast"]["spread"] == 1.0
    yard_memory.refresh(yard, NOW + DAY)
    assert given(yard, "OLD-1", NOW + DAY).yard.rows["ln_d"].timbers == 8  # seven of its lot, and this one


def test_the_same_inputs_give_the_same_bytes_and_the_yard_narrows_a_timber_without_readings(yard):
    yard.register.add(timber())
    teach(yard)
    alone = compute.work_out(given(yard))
    yard_memory.refresh(yard, NOW)
    one, two = (compute.work_out(given(yard)) for _ in range(2))
    assert one.to_json() == two.to_json()
    assert one.found is None  # it has nothing to teach

    wide, narrow = (
        made.document.forecast.mean_pct[4][26] - made.document.forecast.mean_pct[0][26]
        for made in (alone, one)
    )
    assert narrow < 0.85 * wide  # half a year ahead, with ln D of eight alone


# --- what earlier forecasts did


def forecast(made, middle, half, spread=1.0):
    at_s = [(made + 30 * k * DAY).timestamp() for k in range(24)]
    rows = [[middle + k * half] * 24 for k in (-1, -0.4, 0, 0.4, 1)]
    ahead = {
        "posix_s": at_s,
        **{f"{part}_pct": rows for part in ("core", "mean", "shell")},
        "pins": {"posix_s": at_s, "series": {"timber/OLD-0/pin-20/moisture": rows}},
        "spread": spread,
    }
    return documents.stored("OLD-0", made, forecast=ahead)


def answer(tag, measured):
    rows = [
        {
            "posix_s": (NOW - days * DAY).timestamp(), "series": f"timber/{tag}/pin-20/moisture",
            "measured_pct": measured, "model_pct": measured, "sd_pct": 1.0, "at_least": False,
            "left_out": None,
        }
        for days in (80, 40, 10)
    ]  # fmt: skip
    history = {"posix_s": [0.0, NOW.timestamp()], "mean_pct": [[20.0, 20.0]] * 5}
    return documents.stored(tag, NOW, readings=rows, history=history)


def tried(opened, half, *, spread=1.0, measured=25.0):
    opened.register.add(timber("OLD-0"))
    made = NOW - 150 * DAY
    opened.store.keep_past("OLD-0", made, forecast(made, 20.0, half, spread))
    opened.store.save_evaluation("OLD-0", NOW, answer("OLD-0", measured), past=False)
    yard_memory.refresh(opened, NOW)
    return yard_memory.known(opened)


def test_a_yard_whose_forecasts_missed_widens_the_next_ones(yard):
    yard.register.add(timber())
    known = tried(yard, half=1.645 * 2.0)  # off by 2.5 standard deviations
    assert known.records["OLD-0"].squares == (pytest.approx(6.25, rel=0.01),)
    assert known.spread("white oak").factor == pytest.approx(((8 + 6.25) / 9) ** 0.5, abs=0.01)
    assert known.spread("Douglas-fir").factor == 1.0
    inputs = given(yard)
    assert (inputs.spread, inputs.yard.compared) == (known.spread("white oak").factor, 1)
    assert given(yard, now=NOW - DAY).spread == 1.0  # not known then
    spans = {}
    for factor in (1.0, inputs.spread):
        known_then = dataclasses.replace(inputs.yard, spread=factor)
        made = compute.work_out(dataclasses.replace(inputs, yard=known_then)).document
        low, _, _, _, high = (row[26] for row in made.forecast.mean_pct)
        spans[factor] = high - low
    assert spans[inputs.spread] > 1.1 * spans[1.0]


def test_a_forecast_of_a_version_without_such_a_factor_is_not_held_against_this_one(yard):
    assert tried(yard, half=3.0, spread=None).records["OLD-0"].squares == ()


def test_a_record_is_looked_up_once_a_week_and_of_a_retired_timber_once_for_all(yard, monkeypatch):
    tried(yard, half=3.0)
    asked = []
    real = forecast_record._squares
    monkeypatch.setattr(forecast_record, "_squares", lambda s, tag: asked.append(tag) or real(s, tag))
    for day in (1, 6, 8):
        yard_memory.refresh(yard, NOW + day * DAY)
    assert asked == ["OLD-0"]
    assert yard_memory.known(yard).records["OLD-0"].squares != ()
    yard.register.edit("OLD-0", retired_utc=NOW + 9 * DAY, now_utc=NOW + 9 * DAY)
    for day in (16, 30, 60):
        yard_memory.refresh(yard, NOW + day * DAY)
    assert asked == ["OLD-0"] * 2


def test_an_answer_that_failed_is_no_comparison(yard):
    yard.register.add(timber("OLD-0"))
    made = NOW - 150 * DAY
    yard.store.keep_past("OLD-0", made, forecast(made, 20.0, 3.0))
    yard.store.save_evaluation("OLD-0", NOW, b'{"failed":"no air"}', past=False)
    yard_memory.refresh(yard, NOW)
    assert yard_memory.known(yard).records["OLD-0"].squares == ()
