"""From stored readings to a stored verdict; a timber that can't be worked out keeps the reason."""

from __future__ import annotations

import dataclasses
import json
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from baulk.ingest import config, operations, shop
from baulk.ingest.evaluation import batch, climate, compute, gather
from baulk.models import use_class
from baulk.models.air import AirSeries
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.section import Finished, Section
from baulk.models.timber import Event, EventKind, Timber

NOW = datetime(2026, 3, 1, tzinfo=UTC)
DAY = timedelta(days=1)


@pytest.fixture
def yard(tmp_path):
    folder = shop.init(tmp_path / "yard", name="Ferry yard", units="metric")
    with shop.open(folder) as opened:
        yield opened


def timber(tag="FER-01", **more):
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


def reading(series, value, when):
    return Reading(series=series, value=value, taken_utc=when, arrived_utc=when)


def air(days=120, every_h=6):
    found = []
    for h in range(0, days * 24, every_h):
        when = NOW - days * DAY + timedelta(hours=h)
        for quantity, value in ((Quantity.TEMP, 12.0 + h % 5), (Quantity.HUMIDITY, 66.0 + h % 7)):
            series = Series(owner=Owner.AIR, name="shed", quantity=quantity)
            found.append(reading(series, value, when))
    return found


def pins(tag="FER-01"):
    series = Series(owner=Owner.TIMBER, name=tag, quantity=Quantity.MOISTURE, depth_mm=20)
    return [reading(series, 38 - 2.0 * k, NOW - (100 - 10 * k) * DAY) for k in range(10)]


def test_an_evaluation_is_stored_with_every_key_that_the_pages_read(yard):
    yard.register.add(timber())
    yard.store.append([*air(), *pins()])
    assert gather.run_stale(yard, NOW) == ("FER-01",)
    made, payload = yard.store.evaluation("FER-01")
    assert made == NOW
    found = json.loads(payload)
    spans = ("core_now_pct", "mean_now_pct", "shell_now_pct")
    for key in spans:
        assert found[key]["low"] <= found[key]["median"] <= found[key]["high"]
    ahead = found["forecast"]
    assert ahead["quantiles"] == [0.05, 0.25, 0.5, 0.75, 0.95]
    for key in ("mean_pct", "shell_pct", "core_pct"):
        assert np.shape(ahead[key]) == (5, len(ahead["posix_s"]))
    assert np.shape(found["history"]["mean_pct"]) == (5, len(found["history"]["posix_s"]))
    assert np.shape(found["field_now"]["median_pct"]) == (18, 18)
    assert len(found["field_now"]["x_edges_mm"]) == 19
    assert set(found["movement"]["face_mm"]) == {"a", "b", "c", "d"}
    assert {"out_of_square_mm", "cup_mm", "check_mm", "tolerance_mm", "service_mc_pct"} <= set(
        found["movement"]
    )
    assert set(found["verdict"]["dates"]) == {"rough out", "square"}
    assert found["verdict"]["step"] in {"leave", "rough out", "square"}
    assert found["verdict"]["enough_readings"] is True
    assert found["calibration"]["used"] >= 3
    assert set(found["readings"][0]) == {
        "posix_s", "series", "measured_pct", "model_pct", "sd_pct", "at_least", "left_out",
    }  # fmt: skip
    assert found["movement"]["check_mm"]["median"] > 0  # boxed heart


def test_a_relief_kerf_draws_the_check_until_it_is_taken_back(yard):
    yard.register.add(timber())
    yard.store.append([*air(), *pins()])

    def opened():
        found = json.loads(gather.evaluate("FER-01", yard, NOW).to_json())
        (heart,) = [
            each for each in found["verdict"]["reasons_coded"] if each["code"] == "verdict.boxed_heart"
        ]
        return found["movement"]["check_face"], heart["values"]

    sawn = Event(
        tag="FER-01", kind=EventKind.KERFED, at_utc=NOW - DAY, detail={"face": "c", "depth_mm": 75.0}
    )
    entered, _ = operations.add_event(yard, sawn)
    face, values = opened()
    assert (face, values["face"], values["as_likely"], values["kerf"]) == ("c", "c", "", True)
    assert values["depth_mm"] == 0  # nothing is left to break
    assert values["crown_mm"] > 0 < values["side_lean_mm"]
    operations.undo(yard, entered.number, by="", now_utc=NOW)
    face, values = opened()
    assert (face, values["face"], values["as_likely"], values["kerf"]) == ("a", "a", "bcd", False)


def test_an_evaluation_tells_the_build_the_seasons_and_the_checking_margin(yard):
    yard.register.add(timber())
    yard.store.append([*air(), *pins()[:5]])  # still so wet that its surface decides
    found = json.loads(gather.evaluate("FER-01", yard, NOW).to_json())
    moved = found["movement"]
    assert moved["build_days"] == 365
    assert (moved["service_low_pct"], moved["service_high_pct"]) == (16, 22)
    for stage in ("build", "service_low", "service_high"):
        assert moved[stage]["largest_mm"]["low"] <= moved[stage]["largest_mm"]["high"]
    assert moved["service_low"]["width_mm"]["median"] < moved["service_high"]["width_mm"]["median"]
    margin = found["checking"]
    assert margin["margin_pct"]["median"] == pytest.approx(
        margin["tolerated_pct"] - margin["wanted_pct"]["median"], abs=0.01
    )
    ahead = margin["ahead"]
    assert len(ahead["posix_s"]) == len(ahead["chance"]) == 15
    assert ahead["wanted_pct"][1][0] == pytest.approx(margin["wanted_pct"]["median"], abs=0.002)
    assert ahead["chance"] == sorted(ahead["chance"])
    codes = [each["code"] for each in found["verdict"]["reasons_coded"]]
    assert "checking.stress" in codes
    assert ("checking.ahead_over" in codes) == (ahead["chance"][-1] >= 0.5)
    assert "-0.0" not in gather.evaluate("FER-01", yard, NOW).to_json().decode().split(",")


def test_a_place_of_the_shop_in_which_the_squared_piece_would_move_less_is_named(yard):
    """The shed is too dry to build in, the boathouse is not; the barn has no air on record."""
    yard.register.add(timber(green_mc_pct=19.0, section=Section(width_mm=150, depth_mm=150, pith_x_mm=-900)))
    found = []
    for name, humidity in (("shed", 35.0), ("boathouse", 84.0)):
        for quarter in range(480):
            when = NOW - 120 * DAY + timedelta(hours=6 * quarter)
            for quantity, value in ((Quantity.TEMP, 15.0), (Quantity.HUMIDITY, humidity)):
                found.append(reading(Series(owner=Owner.AIR, name=name, quantity=quantity), value, when))
    pin = Series(owner=Owner.TIMBER, name="FER-01", quantity=Quantity.MOISTURE, depth_mm=60)
    wet = [reading(pin, 18.6 + k / 5, NOW - (20 - 4 * k) * DAY) for k in range(5)]
    yard.store.append([*found, *wet])
    inputs = gather.gather("FER-01", yard, NOW)
    assert [place for place, _ in inputs.elsewhere] == ["boathouse"]
    judged = compute.work_out(inputs).document.verdict
    stages = {each.what: each for each in judged.stages}
    told = {each.code: each.values for each in judged.reasons_coded}
    assert stages["build"].probability < 0.5
    assert told["change.other_place"]["place"] == "boathouse"
    assert told["change.other_place"]["build_probability"] > stages["build"].probability + 0.3
    assert any(each.startswith("Moved to boathouse once it is squared") for each in judged.reasons)
    # another place's air is no reason to work this timber out again
    assert dataclasses.replace(inputs, elsewhere=()).fingerprint() == inputs.fingerprint()


def test_how_sure_and_how_long_the_build_is_are_the_persons_to_set(tmp_path):
    folder = shop.init(tmp_path / "sure", name="Sure")
    path = folder / "baulk.toml"
    text = path.read_text()
    assert "probability = 0.9 " in text
    made = {}
    for wanted in (0.5, 0.99):
        path.write_text(
            text.replace("probability = 0.9 ", f"probability = {wanted} ").replace(
                "build_days = 365 ", "build_days = 90 "
            )
        )
        with shop.open(folder) as opened:
            if not made:
                opened.register.add(timber(use_class="frame-outdoors"))
                opened.store.append([*air(), *pins()])
            made[wanted] = json.loads(compute.work_out(gather.gather("FER-01", opened, NOW)).to_json())
    lax, strict = made[0.5]["verdict"], made[0.99]["verdict"]
    assert (lax["wanted"], strict["wanted"]) == (0.5, 0.99)
    assert made[0.5]["movement"]["build_days"] == 90
    assert lax["probability"]["square"] == strict["probability"]["square"]
    assert lax["dates"]["square"] is not None
    assert strict["dates"]["square"] is None or strict["dates"]["square"] >= lax["dates"]["square"]
    assert lax["dates"] != strict["dates"]


def test_once_evaluated_a_timber_is_no_longer_stale_until_something_arrives(yard):
    yard.register.add(timber())
    yard.store.append([*air(), *pins()])
    gather.run_stale(yard, NOW)
    assert gather.run_stale(yard, NOW) == ()
    series = Series(owner=Owner.TIMBER, name="FER-01", quantity=Quantity.MOISTURE, depth_mm=20)
    yard.store.append([reading(series, 21.0, NOW)])
    assert gather.run_stale(yard, NOW) == ("FER-01",)


def test_a_timber_without_any_air_keeps_the_reason_and_the_next_one_is_done(yard):
    yard.register.add(timber("FER-01", place="attic"))
    yard.register.add(timber("FER-02"))
    yard.store.append(air())
    assert set(gather.run_stale(yard, NOW)) == {"FER-01", "FER-02"}
    lost = json.loads(yard.store.evaluation("FER-01")[1])
    assert "not known at all" in lost["failed"]
    assert "failed" not in json.loads(yard.store.evaluation("FER-02")[1])


def test_the_humidity_that_follows_a_temperature_by_a_second_makes_a_timber_due_again(yard):
    # Many sensors send the two apart; between them the air is not known, and nothing else may come all day.
    first = reading(Series(owner=Owner.AIR, name="shed", quantity=Quantity.TEMP), 12.0, NOW)
    then = reading(Series(owner=Owner.AIR, name="shed", quantity=Quantity.HUMIDITY), 66.0, NOW)
    yard.register.add(timber())
    yard.store.append([first])
    batch.run(yard, ["FER-01"], NOW)
    failed = json.loads(yard.store.evaluation("FER-01")[1])["failed"]
    assert failed.startswith("the air of shed has no temperature with a humidity within half an hour of it")
    assert yard.store.stale() == [], "tried again only with news"
    yard.store.append([then])
    assert yard.store.stale(NOW - DAY) == ["FER-01"]
    batch.run(yard, ["FER-01"], NOW)
    assert "failed" not in json.loads(yard.store.evaluation("FER-01")[1])
    yard.store.append([reading(first.series, 12.1, NOW + timedelta(minutes=10))])
    assert yard.store.stale(NOW - DAY) == []


def test_air_that_comes_while_a_timber_is_found_to_have_none_is_not_missed(yard, monkeypatch):
    yard.register.add(timber())
    real = gather.keep

    def late(*given, **more):
        yard.store.append(air(days=1))
        return real(*given, **more)

    monkeypatch.setattr(gather, "keep", late)
    gather.evaluate("FER-01", yard, NOW)
    assert "not known at all" in json.loads(yard.store.evaluation("FER-01")[1])["failed"]
    assert yard.store.stale(NOW - DAY) == ["FER-01"]


def test_air_that_comes_between_a_failure_and_its_keeping_is_not_missed_either(yard, monkeypatch):
    yard.register.add(timber())
    real = gather.had_air

    def late(*given):
        yard.store.append(air(days=1))
        return real(*given)

    monkeypatch.setattr(batch, "had_air", late)
    batch.run(yard, ["FER-01"], NOW)
    assert "not known at all" in json.loads(yard.store.evaluation("FER-01")[1])["failed"]
    assert yard.store.stale(NOW - DAY) == ["FER-01"]


def test_an_unexpected_fault_is_kept_in_words_too(yard, monkeypatch, caplog):
    def broken(*_args, **_kwargs):
        raise ZeroDivisionError("a bad day")

    yard.register.add(timber())
    yard.store.append(air())
    monkeypatch.setattr(compute.calibration, "fit", broken)
    made = gather.evaluate("FER-01", yard, NOW)
    assert "ZeroDivisionError: a bad day" in made.failed
    assert "evaluation of FER-01 failed" in caplog.text


def test_an_unknown_tag_is_refused(yard):
    with pytest.raises(NotFound, match="FER-99"):
        gather.evaluate("FER-99", yard, NOW)


def test_a_timber_without_readings_says_that_it_speaks_of_its_species(yard):
    yard.register.add(timber())
    yard.store.append(air())
    said = json.loads(gather.evaluate("FER-01", yard, NOW).to_json())["verdict"]
    assert said["enough_readings"] is False
    assert said["reasons_coded"][0]["code"] == "verdict.few_readings"
    codes = [each["code"] for each in said["reasons_coded"]]
    assert not {"calibration.no_readings", "calibration.few_readings"} & set(codes)  # told once


def settings(tmp_path, extra=""):
    folder = shop.init(tmp_path / "set", name="Set")
    with (folder / "baulk.toml").open("a") as text:
        text.write(extra)
    return config.load(folder)


def record(first, days, temp=10.0, rh=70.0):
    at_s = first.timestamp() + 3600.0 * np.arange(days * 24)
    return AirSeries(posix_s=at_s, temp_c=np.full(at_s.size, temp), rh_pct=np.full(at_s.size, rh))


MONTHS = (
    "\n[climate]\ntemp_c = [1,2,3,4,5,6,7,8,9,10,11,12]\nrh_pct = [61,62,63,64,65,66,67,68,69,70,71,72]\n"
)


def test_the_season_is_the_places_own_where_it_has_a_month_of_it_and_the_settings_elsewhere(tmp_path):
    year = climate.season(record(datetime(2025, 6, 1, tzinfo=UTC), 30), settings(tmp_path, MONTHS))
    assert year.own_months == 1
    assert np.all(year.temp_c[5] == 10)
    assert np.all(year.temp_c[6] == 7)
    assert np.all(year.rh_pct[11] == 72)


def test_a_short_record_alone_stands_for_the_year_and_is_not_called_known(tmp_path):
    year = climate.season(record(datetime(2025, 6, 1, tzinfo=UTC), 3, temp=15), settings(tmp_path))
    assert not year.known
    assert np.all(year.temp_c == 15)


def test_without_record_and_settings_there_is_no_air(tmp_path):
    with pytest.raises(OutOfRange, match="not known at all"):
        climate.season(None, settings(tmp_path))


def test_the_past_is_filled_from_the_season_before_the_record_and_in_its_long_gaps(tmp_path):
    start = datetime(2025, 6, 1, tzinfo=UTC)
    early, late = record(start + 10 * DAY, 5, temp=30), record(start + 40 * DAY, 5, temp=30)
    own = AirSeries(
        posix_s=np.concatenate([early.posix_s, late.posix_s]),
        temp_c=np.concatenate([early.temp_c, late.temp_c]),
        rh_pct=np.concatenate([early.rh_pct, late.rh_pct]),
    )
    year = climate.season(None, settings(tmp_path, MONTHS))
    since, now = start.timestamp(), (start + 45 * DAY).timestamp()
    past = climate.past(own, year, since_s=since, now_s=now)
    assert np.diff(past.posix_s).max() <= climate.GAP_S
    assert past.posix_s[0] == since
    at = lambda day: past.temp_c[np.searchsorted(past.posix_s, since + day * 86_400) - 1]  # noqa: E731
    assert (at(5), at(12), at(25), at(42)) == (6, 30, 6, 30)


def test_a_typical_year_file_is_read_and_a_wrong_one_is_refused_in_words(tmp_path):
    shop_settings = settings(tmp_path, '\n[climate]\ntypical_year = "year.csv"\n')
    path = tmp_path / "set" / "year.csv"
    path.write_text("temp_c,rh_pct\n" + "11.5,65\n" * 8760)
    assert np.all(climate.season(None, shop_settings).temp_c == 11.5)
    path.write_text("temp_c,rh_pct\n" + "11.5,65\n" * 10)
    with pytest.raises(config.ConfigError, match="8760 hourly rows, not 10"):
        climate.season(None, shop_settings)


def test_a_shop_edits_its_use_classes_in_one_file_and_a_mistake_names_the_line(tmp_path):
    folder = shop.init(tmp_path / "own", name="Own")
    head = ",".join(use_class.COLUMNS)
    row = 'bitts,Mooring bitts,14,22,3.5,no,,Holds the warps.,"common practice, no source",common practice'
    (folder / "use_classes.csv").write_text(f"{head}\n{row}\n")
    with shop.open(folder) as opened:
        assert operations.add_timber(opened, timber(use_class="bitts")) == 0
        assert opened.woods.use_classes.get("bitts").title == "Mooring bitts"
    (folder / "use_classes.csv").write_text(f"{head}\n{row.replace('3.5', 'much')}\n")
    with pytest.raises(OutOfRange, match=r"use_classes.csv line 2. gives tolerance_mm_per_150 as 'much'"):
        shop.open(folder)
    (folder / "use_classes.csv").unlink()
    with shop.open(folder) as opened:
        assert "bitts" not in opened.woods.use_classes.names()


def test_the_answer_does_not_know_the_units_that_it_is_read_in(yard):
    yard.register.add(
        timber(section=Section(width_mm=200, depth_mm=190), finished=Finished(width_mm=120, depth_mm=115))
    )
    yard.store.append([*air(), *pins()])
    inputs = gather.gather("FER-01", yard, NOW)
    metric, inch = (
        json.loads(
            compute.answer(
                dataclasses.replace(inputs, wish=dataclasses.replace(inputs.wish, units=each))
            ).to_json()
        )
        for each in ("metric", "inch")
    )
    sizes = []
    for found in (metric, inch):
        verdict = found["verdict"]
        (roughing,) = [
            each for each in verdict["reasons_coded"] if each["code"].startswith("verdict.roughing")
        ]
        values = roughing["values"]
        sizes.append((values.pop("width_mm"), values.pop("depth_mm")))
        assert verdict.pop("rough_out_size_mm") in {None, sizes[-1]}
    (five, _), (quarter, _) = sizes
    assert (five % 5, round(quarter / 6.35 % 1, 6)) == (0, 0)
    assert five != quarter
    assert _without_words(metric) == _without_words(inch)


def _without_words(found):
    """Without the sentences, which are in the reader's units; codes and values stay."""
    if isinstance(found, dict):
        return {
            key: _without_words(each)
            for key, each in found.items()
            if f"{key}_coded" not in found or key.endswith("_coded")
        }
    return [_without_words(each) for each in found] if isinstance(found, list) else found
