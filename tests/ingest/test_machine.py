"""Disk, backup, open files, forecasts that no longer run: each found, with its cure, else nothing."""

import json
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import pytest

from baulk.ingest import shop as shops
from baulk.ingest.config import FILE
from baulk.ingest.monitoring import machine, nightly
from baulk.ingest.monitoring.finding import Trouble
from baulk.models import text

NOW = datetime(2026, 11, 2, 9, tzinfo=UTC)


class Usage(NamedTuple):
    total: float
    used: float
    free: float


@pytest.fixture
def shop(shop_dir):
    with shops.open(shop_dir) as opened:
        yield opened


def kinds(shop, now=NOW):
    found = machine.look(shop, now)
    for each in found:
        assert text.sentence(each.reason, "metric")
    return [each.kind for each in found]


def free(monkeypatch, megabytes):
    monkeypatch.setattr(
        machine.shutil, "disk_usage", lambda _path: Usage(1e12, 1e12 - megabytes * 1e6, megabytes * 1e6)
    )


def test_a_shop_that_is_well_gives_nothing(shop, monkeypatch):
    free(monkeypatch, 50_000)
    assert kinds(shop) == []


def test_a_disk_with_little_room_is_told_before_it_is_full(shop, monkeypatch):
    free(monkeypatch, 400)
    assert kinds(shop) == [Trouble.DISK]


@pytest.mark.parametrize(
    ("grown_mb", "free_mb", "told"), [(30 * 14, 1_500, True), (30 * 14, 90_000, False), (0, 900, False)]
)
def test_a_growing_shop_is_told_weeks_before(shop, monkeypatch, grown_mb, free_mb, told):
    free(monkeypatch, free_mb)
    sizes = {"2026-10-05": 100_000_000, "2026-10-19": 100_000_000 + grown_mb * 1_000_000}
    shop.store.note(machine.SIZES_KEY, json.dumps(sizes).encode())
    found = machine.look(shop, NOW)
    assert [each.kind for each in found] == ([Trouble.DISK] if told else [])
    if told:  # 30 MB a day into 1500 MB
        assert found[0].reason.values["weeks"] == 7


def test_sizes_are_noted_once_a_day_and_not_for_ever(shop):
    for days in range(0, 200, 5):
        machine.note_size(shop, NOW + timedelta(days=days))
        machine.note_size(shop, NOW + timedelta(days=days, minutes=1))
    kept = json.loads(shop.store.noted(machine.SIZES_KEY))
    assert 15 <= len(kept) <= 20
    assert all(size > 10_000 for size in kept.values())


@pytest.mark.parametrize(
    ("done", "tried", "told"),
    [
        (None, None, False),
        (None, 1, True),
        (10, None, False),
        (60, None, True),
        (10, 1, False),
        (60, 1, True),
    ],
)
def test_a_backup_that_fails_is_told(shop_dir, monkeypatch, done, tried, told):
    free(monkeypatch, 50_000)
    settings = shop_dir / FILE
    settings.write_text(settings.read_text().replace("[store]", f'[store]\nbackup_dir = "{shop_dir.parent}"'))
    with shops.open(shop_dir) as shop:
        for key, hours in ((nightly.BACKUP_KEY, done), (nightly.TRIED, tried)):
            if hours is not None:
                shop.store.note(key, (NOW - timedelta(hours=hours)).isoformat().encode())
        assert (Trouble.BACKUP in kinds(shop)) is told


def test_a_backup_on_the_shops_own_disk_is_told_also_before_its_folder_is_there(shop, tmp_path):
    def backed_up_to(folder):
        part = shop.config.store.model_copy(update={"backup_dir": folder})
        return machine.backup_beside(shop.config.model_copy(update={"store": part}))

    beside = tmp_path / "usb" / "yard"
    assert machine.backup_beside(shop.config) is None
    assert backed_up_to(beside) == beside
    if sys.platform == "linux":
        assert backed_up_to(Path("/proc/yard")) is None  # a file system of its own


def test_secrets_that_others_may_read_are_named_and_the_cure_mends_it(shop, shop_dir, monkeypatch):
    free(monkeypatch, 50_000)
    (shop_dir / "pages.password").write_text("x")
    for each in (shop_dir, shop_dir / "pages.password"):
        each.chmod(0o755)
    (found,) = machine.look(shop, NOW)
    assert found.reason.values["files"] == ("pages.password",)
    shop_dir.chmod(0o750)
    assert kinds(shop) == []


def test_forecasts_that_ran_and_run_no_more_are_told(shop, monkeypatch):
    free(monkeypatch, 50_000)
    shop.store.note(nightly.MESSAGES_KEY, (NOW - timedelta(hours=30)).isoformat().encode())
    assert kinds(shop) == []
    assert kinds(shop, NOW + timedelta(days=2)) == [Trouble.STOPPED]


def test_a_doctor_tells_of_old_forecasts_before_the_first_night_too(shop):
    def told(days):
        found = machine.stopped_before_a_night(shop, NOW + timedelta(days=days))
        return [each.kind for each in found]

    assert told(9) == []  # none was ever made
    shop.store.save_evaluation("FER-01", NOW, b"{}")
    assert told(2) == []
    assert told(3) == [Trouble.STOPPED]
    shop.store.note(nightly.MESSAGES_KEY, NOW.isoformat().encode())
    assert told(3) == []  # the night tells it
