"""Weather ahead: what a file may hold, which issue counts, how it hands over to the season."""

from __future__ import annotations

import json
from datetime import timedelta

import jsonschema
import numpy as np
import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.ingest import pipeline, shop, weather_ahead
from baulk.ingest.store.rejected import Cause
from baulk.ingest.wire import topics
from baulk.models import text
from baulk.models.air import AirSeries
from baulk.models.errors import OutOfRange
from baulk.models.plan.humidity import weather
from baulk.models.reason import Reason

from .conftest import NOW, raw

DAY_S = 86_400.0


def rows(now, temp="8.0", rh="90", hours=96, step=6):
    found = [f"{(now + timedelta(hours=i)).isoformat()},{temp},{rh}" for i in range(0, hours + 1, step)]
    return "\n".join(["time,temp_c,rh_pct", *found])


def series(first_s, days, temp, rh, step_h=6):
    at_s = first_s + np.arange(0, days * DAY_S + 1, step_h * 3600.0)
    one = np.ones(at_s.size)
    return AirSeries(posix_s=at_s, temp_c=temp * one, rh_pct=rh * one)


def test_csv_and_json_say_the_same(now_utc):
    table = weather_ahead.read(rows(now_utc), now_utc)
    hours = [
        {"time": (now_utc + timedelta(hours=i)).isoformat(), "temp_f": 46.4, "rh_pct": 90}
        for i in range(0, 97, 6)
    ]
    told = now_utc - timedelta(hours=2)
    body = weather_ahead.read(json.dumps({"issued": told.isoformat(), "hours": hours}), now_utc)
    assert body.issued_utc == told
    assert table.issued_utc == now_utc
    assert body.air.temp_c == pytest.approx(table.air.temp_c)  # 46.4 degF are 8 degC
    assert np.array_equal(body.air.posix_s, table.air.posix_s)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"temp": "80"}, "between -60 and 60"),
        ({"rh": "190"}, "between 0 and 100"),
        ({"rh": "nan"}, "no number"),
        ({"hours": 24 * 20}, "16 days"),
        ({"step": 24}, "12 hours apart"),
        ({"days_late": 9}, "in the past"),
        ("time,temp_c,rh_pct\n2026-05-14T12:00,8,90\n2026-05-14T18:00,8,90", "without a zone"),
        ("{", "no JSON"),
        ('{"hours": [1, 2]}', "needs a time"),
        ("", "2 to 2000 rows"),
        ('{"hours": ' + "[" * 100_000, "no JSON"),
        ('{"hours": [{"time": "0001-01-01T00:00+14:00"}, {}]}', "no time like"),
    ],
)
def test_what_cannot_be_weather_is_refused_with_its_reason(change, why, now_utc):
    with pytest.raises(OutOfRange, match=why):
        weather_ahead.read(text_of(change, now_utc), now_utc)


def text_of(change, now):
    """A file as it is, or a good one with something changed."""
    if isinstance(change, str):
        return change
    late = timedelta(days=change.get("days_late", 0))
    return rows(now - late, **{name: each for name, each in change.items() if name != "days_late"})


def test_the_newest_issue_counts_and_older_ones_stay_for_looking_back(tmp_path, now_utc):
    folder = shop.init(tmp_path / "room", name="Ferry yard", units="metric")
    with shop.open(folder) as opened:
        earlier = now_utc - timedelta(days=1)
        weather_ahead.keep(opened, weather_ahead.read(rows(earlier, temp="5"), earlier))
        weather_ahead.keep(opened, weather_ahead.read(rows(now_utc), now_utc))
        assert weather_ahead.newest(opened, now_utc).air.temp_c[0] == 8.0
        assert weather_ahead.newest(opened, now_utc - timedelta(hours=1)).air.temp_c[0] == 5.0
        assert weather_ahead.newest(opened, earlier - timedelta(hours=1)) is None
        assert weather_ahead.newest(opened, now_utc + timedelta(days=5)) is None  # all of it has passed


def test_the_season_takes_over_without_a_step(now_utc):
    now_s = now_utc.timestamp()
    season, given = series(now_s, 30, 15.0, 70.0), series(now_s, 6, 25.0, 40.0)
    made = weather.with_weather(season, season, given, (1.0, 1.0))
    assert made.temp_c[0] == pytest.approx(25.0)
    assert made.rh_pct[0] == pytest.approx(40.0, abs=0.1)
    assert made.temp_c[20] == pytest.approx(20.0)  # a day before the end of six, of two half is left
    assert np.array_equal(made.rh_pct[25:], season.rh_pct[25:])
    assert np.abs(np.diff(made.temp_c)).max() < 10 / 8 + 1e-9  # eight steps of six hours in two days


def test_a_room_follows_the_weather_by_as_much_as_its_record_shows():
    rng = np.random.default_rng(3)
    at_s = np.arange(0, 40 * DAY_S, 3600.0)
    swing = np.repeat(np.cumsum(rng.normal(0, 2, 40)), 24)
    outside = AirSeries(posix_s=at_s, temp_c=10 + swing, rh_pct=np.full(at_s.size, 60.0))
    inside = AirSeries(posix_s=at_s, temp_c=12 + 0.6 * swing, rh_pct=np.full(at_s.size, 50.0))
    temp, water = weather.shares(inside, outside)
    assert temp == pytest.approx(0.6, abs=1e-6)
    assert 0.0 < water < 1.0
    short = AirSeries(posix_s=at_s[:200], temp_c=inside.temp_c[:200], rh_pct=inside.rh_pct[:200])
    assert weather.shares(short, outside) is None  # nine days


def test_the_command_keeps_a_file_and_says_what_it_holds(tmp_path):
    from datetime import UTC, datetime  # noqa: PLC0415 - the command asks the clock

    folder = shop.init(tmp_path / "room", name="Ferry yard", units="metric")
    file = tmp_path / "ahead.csv"
    file.write_text(rows(datetime.now(UTC)))
    words = ["plan", "weather", str(file), "--shop", str(folder)]
    said = CliRunner().invoke(commands.build(("plan",)), words)
    assert "is kept" in said.stdout
    with shop.open(folder) as opened:
        assert weather_ahead.newest(opened, datetime.now(UTC)) is not None


def test_it_is_told_in_words_which_days_come_from_what(now_utc):
    values = {"place": "shed", "issued_utc": now_utc, "last_utc": now_utc + timedelta(days=5)}
    used = {**values, "temp_share": 0.6, "water_share": 0.4}
    said = text.sentence(Reason(code="humidity.weather_used", values=used), "metric")
    assert "shed follows 60 % in warmth and 40 % in water" in said
    assert "season takes over" in said
    for code in ("humidity.weather_outside_only", "humidity.weather_no_outside"):
        assert "shed" in text.sentence(Reason(code=code, values=values), "metric")


TOPIC = topics.weather_ahead("ferry-yard")


def body(now, issued=None, **changes):
    hours = [
        {"time": (now + timedelta(hours=i)).isoformat(), "temp_c": 8.0, "rh_pct": 90, **changes}
        for i in range(0, 97, 6)
    ]
    return {"issued": (issued or now).isoformat(), "hours": hours}


def test_a_message_of_weather_is_kept_as_the_file_is_and_comes_once_more_without_harm(yard):
    said = json.dumps(body(NOW, NOW - timedelta(hours=1)))
    for later in (timedelta(0), timedelta(hours=2)):  # retained: the broker hands it out again
        pipeline.handle(raw(said, TOPIC, arrived=NOW + later, retained=True), yard)
    (key,) = yard.store.notes(weather_ahead.KEPT)
    assert key.endswith((NOW - timedelta(hours=1)).isoformat())
    found = weather_ahead.newest(yard, NOW)
    table = weather_ahead.read(rows(NOW), NOW)
    assert np.array_equal(found.air.posix_s, table.air.posix_s)
    assert np.array_equal(found.air.rh_pct, table.air.rh_pct)
    pipeline.handle(raw(said, TOPIC, arrived=NOW + timedelta(days=30), retained=True), yard)  # passed by now
    assert not list(yard.store.quarantined(10))


@pytest.mark.parametrize(
    ("said", "why"),
    [
        (json.dumps(body(NOW, rh_pct=190)), "row 1 of the weather has 190 % RH"),
        (json.dumps({**body(NOW), "issued": "9 May"}), "issued has no time like"),
        (json.dumps({"hours": body(NOW)["hours"]}), 'needs JSON with "issued"'),
        (rows(NOW), 'needs JSON with "issued"'),
        (json.dumps(body(NOW - timedelta(days=9))), "lies all in the past"),
        (json.dumps(body(NOW, NOW - timedelta(days=20))), "was issued at 2026-04-24"),
        (b"\xff\xfe", "not UTF-8"),
    ],
)
def test_a_message_that_cannot_be_weather_waits_in_quarantine_with_its_reason(said, why, yard):
    pipeline.handle(raw(said, TOPIC), yard)
    (row,) = yard.store.quarantined(10)
    assert why in row.reason
    assert row.cause is Cause.NOT_UNDERSTOOD
    assert weather_ahead.newest(yard, NOW) is None


def test_the_schema_takes_what_is_taken_and_refuses_what_is_refused():
    schema = weather_ahead.json_schema()
    jsonschema.validate(body(NOW), schema, jsonschema.Draft202012Validator)
    for bad in (body(NOW, rh_pct=190), body(NOW, temp_c=80), {"hours": body(NOW)["hours"]}):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(bad, schema, jsonschema.Draft202012Validator)


def test_of_days_gone_by_the_last_issue_of_each_is_enough(yard):
    for hours in range(0, 24 * 6, 6):
        told = NOW + timedelta(hours=hours)
        weather_ahead.keep(yard, weather_ahead.read(rows(told), told))
    told = [key.removeprefix(weather_ahead.KEPT)[:13] for key in yard.store.notes(weather_ahead.KEPT)]
    assert len(told) == 3 + 13  # 14th to 16th of May, then three days every six hours
    assert told[:3] == ["2026-05-14T21", "2026-05-15T21", "2026-05-16T21"]
