"""Readings from one store to another and back, a kill in the middle, and a backup that has them all."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
import influx_real

from baulk.ingest import config, shop
from baulk.ingest.config import TOKEN
from baulk.ingest.errors import ExchangeError
from baulk.ingest.exchange import backup, moving, restore
from baulk.ingest.store import influx_check, open_store
from baulk.ingest.store.influx_counts import Difference
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
MOVE = """
import sys
from baulk.ingest import config
from baulk.ingest.exchange import moving
loaded = config.load(sys.argv[1])
part = moving.settings_for(loaded, "influx", url=sys.argv[2], org=sys.argv[3])
moving.move(loaded, part, lambda name, *_: print(name, flush=True))
"""


def some():
    for k in range(12):
        for text in (f"timber/FER-{k:02d}/pin-45/b/moisture", f"timber/FER-{k:02d}/weight"):
            one = Reading(
                series=Series.parse(text), value=20 + k / 3, taken_utc=NOW, arrived_utc=NOW + MINUTE
            )
            yield from (
                replace(one, taken_utc=NOW + j * 900 * MINUTE, flags=("jump",) * (j % 2)) for j in range(30)
            )


@pytest.fixture
def server(monkeypatch):
    with influx_real.started("baulk", "baulk-kept") as started:
        monkeypatch.setenv(TOKEN, started.token)
        yield started


@pytest.fixture
def yard(tmp_path):
    folder = shop.init(tmp_path / "yard", name="Ferry yard")
    with shop.open(folder) as opened:
        opened.store.append(some())
    return folder


def everything(folder):
    with closing(open_store(config.load(folder))) as store:
        names = {(each.owner, each.name) for each in store.series()}
        return sorted(str(one) for owner, name in names for one in store.readings(owner, name))


def to_influx(folder, server, **more):
    loaded = config.load(folder)
    return moving.move(loaded, moving.settings_for(loaded, "influx", url=server.url, org=server.org, **more))


def test_a_shop_goes_to_a_server_and_back_and_nothing_is_lost(yard, server):
    before = everything(yard)
    done = to_influx(yard, server, kept_bucket="baulk-kept")
    assert (done.readings, done.carried, done.names) == (720, 720, 12)
    assert config.load(yard).store.kind == "influx"
    assert everything(yard) == before
    assert influx_check.look(config.load(yard)).difference == Difference()
    with shop.open(yard) as opened:
        revision = opened.store.revision()
        opened.store.append(
            [Reading(series=Series.parse("air/shed/temp"), value=9, taken_utc=NOW, arrived_utc=NOW)]
        )
        assert opened.store.revision() > revision
    loaded = config.load(yard)
    done = moving.move(loaded, moving.settings_for(loaded, "sqlite"))
    assert (done.readings, done.carried) == (721, 1)
    assert config.load(yard).store.kind == "sqlite"
    assert len(everything(yard)) == 721
    to_influx(yard, server, kept_bucket="baulk-kept")  # counted before, and not twice
    assert influx_check.look(config.load(yard)).difference == Difference()


def test_a_move_that_was_killed_goes_on_where_it_was(yard, server):
    before = everything(yard)
    env = {**os.environ, TOKEN: server.token}
    words = [sys.executable, "-c", MOVE, str(yard), server.url, server.org]
    with subprocess.Popen(words, env=env, stdout=subprocess.PIPE, text=True) as process:
        for _ in range(4):
            assert process.stdout.readline().startswith("FER-")
        os.kill(process.pid, signal.SIGKILL)
    assert config.load(yard).store.kind == "sqlite"
    assert everything(yard) == before
    there = server.lines("baulk")
    assert 240 <= there < 720
    done = to_influx(yard, server)
    assert done.readings == 720
    assert done.carried <= 720 - 240
    assert everything(yard) == before


def test_readings_that_differ_at_the_new_place_keep_the_old_one(yard, server):
    loaded = config.load(yard)
    part = moving.settings_for(loaded, "influx", url=server.url, org=server.org)
    with closing(open_store(loaded.model_copy(update={"store": part}))) as there:
        there.take_over([replace(next(some()), taken_utc=NOW + MINUTE)])
    with pytest.raises(ExchangeError, match="FER-00 has 60 readings in the old store and 61 in the new"):
        to_influx(yard, server)
    assert config.load(yard).store.kind == "sqlite"


def test_a_backup_with_readings_brings_the_shop_back_without_the_server(yard, server, tmp_path):
    before = everything(yard)
    to_influx(yard, server)
    made = backup.make(config.load(yard), tmp_path / "all.zip", NOW, with_readings=True)
    assert made.counts["reading"] == 720
    assert not any("readings" in each for each in made.left_out)
    server.stop()
    restored = restore.restore(made.file, tmp_path / "again")
    assert everything(restored.folder) == before
    with shop.open(restored.folder) as opened:
        assert len(opened.store.latest(Owner.TIMBER)) == 24
    server.start()
