"""`baulk doctor` on an InfluxDB server: what would lose readings is said, and the list made whole."""

from __future__ import annotations

import sys
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent / "ingest"))
import influx_real
from influx_double import VERSION

from baulk.dashboard.commands import doctor_store
from baulk.ingest import config, shop
from baulk.ingest.config import TOKEN
from baulk.ingest.store import influx_client
from baulk.models.reading import Reading, Series

NOW = datetime.now(UTC) - timedelta(days=1)


@pytest.fixture
def server(monkeypatch):
    with influx_real.started("baulk", "baulk-kept") as started:
        monkeypatch.setenv(TOKEN, started.token)
        yield started


@pytest.fixture
def folder(tmp_path, server):
    made = shop.init(tmp_path / "yard", name="Ferry yard")
    path = made / "baulk.toml"
    store = f'kind = "influx"\nurl = "{server.url}"\norg = "{server.org}"\nkept_bucket = "baulk-kept"'
    path.write_text(path.read_text().replace('kind = "sqlite"', store))
    with shop.open(made) as opened:
        opened.store.append(
            Reading(series=Series.parse(text), value=20, taken_utc=NOW, arrived_utc=NOW, source=source)
            for text, source in (("air/shed/temp", "mqtt"), ("timber/FER-01/weight", "hand"))
        )
    return made


def told(folder, capsys, *, repair=False):
    found = doctor_store.found(folder, repair=repair)
    doctor_store.show(found, folder)
    return capsys.readouterr().out


def test_a_server_that_is_well_is_told_in_figures(folder, server, capsys):
    text = told(folder, capsys)
    assert text.splitlines() == [
        f"InfluxDB {VERSION}, bucket baulk: 1 reading, kept for ever",
        f"InfluxDB {VERSION}, bucket baulk-kept: 1 reading, kept for ever",
    ]


def test_what_would_be_forgotten_before_it_was_thinned_is_said(folder, server, capsys):
    server.forget_after("baulk", 30 * 86400)
    assert "forgets after 30 days and is thinned never" in told(folder, capsys)
    path = folder / "baulk.toml"
    path.write_text(path.read_text().replace("# thin_after_days = 730", "thin_after_days = 27"))
    assert "forgets" not in told(folder, capsys)
    server.forget_after("baulk-kept", 30 * 86400)
    assert "baulk-kept is to keep for ever and does not" in told(folder, capsys)
    path.write_text(path.read_text().replace("kept_bucket", "# kept_bucket"))
    assert "forgets what a person took" in told(folder, capsys)


def test_rights_and_names_that_are_wrong_are_one_sentence_each(folder, server, capsys):
    server.only_reads()
    assert "may not do this with bucket baulk of" in told(folder, capsys)
    path = folder / "baulk.toml"
    path.write_text(path.read_text().replace(f'org = "{server.org}"', 'org = "yrad"'))
    assert "no such organisation" in told(folder, capsys)


@pytest.mark.parametrize("version", ["v1.8.10", "3.0.1"])
def test_a_server_of_another_version_is_said(folder, monkeypatch, capsys, version):
    monkeypatch.setattr(influx_client.Influx, "get", lambda *_, **_more: {"version": version})
    assert f"is InfluxDB {version}; it has to be of version 2" in told(folder, capsys)


def test_a_task_that_failed_is_said(folder, server, capsys):
    server.tasks = [{"name": "baulk-hourly", "lastRunStatus": "failed"}]
    assert "the task at the server is not at work: failed" in told(folder, capsys)
    server.tasks = [{"name": "baulk-hourly", "lastRunStatus": "success", "status": "active"}]
    assert "the task" not in told(folder, capsys)
    server.forget_after("baulk", 366 * 86400)
    assert "forgets after 366 days, and the task thins what is 365 to 372 days old" in told(folder, capsys)
    server.tasks[0]["status"] = "inactive"
    assert "the task at the server is not at work: switched off" in told(folder, capsys)


def test_series_that_the_books_miss_are_counted_and_entered(folder, server, capsys):
    with shop.open(folder) as opened, opened.store._sql.write() as (at, _):
        at.run("DELETE FROM series")
    assert "did not list 2 of its series" in told(folder, capsys)
    told(folder, capsys, repair=True)
    assert "did not list" not in told(folder, capsys)


def many(count):
    first = NOW.replace(minute=0, second=0, microsecond=0) - timedelta(days=3)
    return [
        Reading(series=Series.parse(text), value=20, taken_utc=at, arrived_utc=at)
        for k in range(count)
        for at in (first + k * timedelta(minutes=20),)
        for text in ("air/shed/temp", "timber/FER-01/pin-45/b/moisture")
    ]


def test_readings_that_the_server_lost_are_told_by_hour_and_series_until_repaired(folder, server, capsys):
    readings = many(30)
    with shop.open(folder) as opened:
        assert opened.store.append(readings) == 60
    assert "lacks" not in told(folder, capsys)
    assert "do not count" not in told(folder, capsys)
    lost = readings[12].taken_utc
    with closing(influx_client.Influx(config.load(folder).store)) as influx:
        since, until = (f"{each:%Y-%m-%dT%H:%M:%SZ}" for each in (lost, lost + timedelta(minutes=59)))
        influx.delete("baulk", since, until, {"_measurement": "reading", "named": "FER-01"})
    text = told(folder, capsys)
    assert f"lacks 3 readings that the books count, in 1 hour, the first {lost:%Y-%m-%d %H:%M} UTC" in text
    assert "of timber/FER-01/pin-45/b/moisture;" in text
    told(folder, capsys, repair=True)
    assert "lacks" not in told(folder, capsys)
    server.forget_after("baulk", 86400)  # by which these hours are the server's own to forget
    with shop.open(folder) as opened, opened.store._sql.write() as (at, _):
        at.run("DELETE FROM note WHERE substr(key, 1, 5) = 'held/'")
    assert "do not count" not in told(folder, capsys)


def test_readings_that_the_books_never_counted_are_told_until_repaired(folder, server, capsys):
    with shop.open(folder) as opened, opened.store._sql.write() as (at, _):
        at.run("DELETE FROM note WHERE substr(key, 1, 5) = 'held/'")
    assert "the server has 2 readings that the books do not count" in told(folder, capsys)
    told(folder, capsys, repair=True)
    assert "do not count" not in told(folder, capsys)


def test_thinned_and_moved_readings_leave_the_counts_right(folder, server, capsys):
    with shop.open(folder) as opened:
        readings = many(30)
        opened.store.append(readings)
        assert opened.store.append(readings) == 0
        gone = [one for one in readings if one.series.name == "FER-01"][-6:]
        opened.store.reattribute(
            gone, [replace(one, series=Series.parse("timber/FER-02/pin-45/b/moisture")) for one in gone]
        )
        assert opened.store.thin(datetime.now(UTC), keep_days=1) > 20
    text = told(folder, capsys)
    assert "lacks" not in text
    assert "do not count" not in text
