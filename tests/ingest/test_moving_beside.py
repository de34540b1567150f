"""A shop is moved while a listener and a page write to it: nothing is lost, nothing is left in the old store.

The page is a process of its own that opens the shop as pages do and enters one reading after the other; what
it was told to be stored is written down by it. The databases are read by their drivers.
"""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
import influx_real

from baulk.dashboard.commands import store as store_command
from baulk.dashboard.server import shop_access
from baulk.ingest import config, shop
from baulk.ingest.config import TOKEN
from baulk.ingest.errors import ExchangeError, StoreLocked, StoreMoved, Unlikely
from baulk.ingest.exchange import moving, moving_end
from baulk.ingest.store import gate, open_store
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series

from .conftest import NOW, timber, until

TOPIC = "baulk/v1/ferry-yard/timber/FER-01"
PAGE = """
import os, sys, time
from datetime import timedelta
from baulk.ingest import shop
from baulk.ingest.errors import StoreError
from baulk.ingest.settings_watch import Watched
from baulk.models.reading import Reading, Series
from tests.ingest.conftest import NOW, timber
folder, stop = sys.argv[1:]
with shop.open(folder, durable=True) as opened, Watched(opened, durable=True) as watched:
    series, k = Series.parse("timber/FER-01/weight"), 0
    end = time.monotonic() + 40
    while not os.path.exists(stop) and time.monotonic() < end:
        taken = NOW + k * timedelta(minutes=1)
        one = Reading(series=series, value=300 + k, taken_utc=taken, arrived_utc=taken, source="hand")
        try:
            watched.shop.store.append([one])
            if k % 5 == 0:
                watched.shop.register.add(timber(f"P-{k}"))
        except StoreError as err:
            print("refused", type(err).__name__, flush=True)
            watched.look()
            time.sleep(0.05)
            continue
        print("stored", k, watched.shop.config.store.kind, flush=True)
        k += 1
        time.sleep(0.005)
"""


@pytest.fixture
def server(monkeypatch):
    with influx_real.started("baulk", "baulk-kept") as started:
        monkeypatch.setenv(TOKEN, started.token)
        yield started


@pytest.fixture
def page(broker_yard_dir, tmp_path, server, postgres_url):
    """Have a page open; give what it was told, once it has been ended."""
    path, stop = broker_yard_dir / "baulk.toml", tmp_path / "stop"
    path.write_text(path.read_text().replace("wait_s = 0.1", "wait_s = 2.0"))
    words = [sys.executable, "-c", PAGE, str(broker_yard_dir), str(stop)]
    here = str(Path(__file__).parents[2])
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([here, os.environ.get("PYTHONPATH", "")])}
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env=env, cwd=here) as process:
        lines = []
        assert process.stdout.readline().startswith("stored 0 ")

        def ended(least, kind):
            for line in process.stdout:
                lines.append(line.split())
                if lines[-1][0] == "stored" and lines[-1][2] == kind and int(lines[-1][1]) >= least:
                    break
            stop.touch()
            lines.extend(line.split() for line in process.stdout)
            return lines

        yield ended
        process.kill()


def in_file(folder):
    with closing(sqlite3.connect(folder / "shop.db")) as base:
        (readings,) = base.execute("SELECT count(*) FROM reading").fetchone()
        (timbers,) = base.execute("SELECT count(*) FROM timber").fetchone()
        return readings, timbers


@pytest.mark.parametrize("to", ["influx", "postgres"])
def test_what_listener_and_page_write_during_a_move_is_in_the_new_store_alone(
    broker_yard_dir, sensor, listen, page, server, postgres_url, to, monkeypatch
):
    folder, loaded, sent = broker_yard_dir, config.load(broker_yard_dir), []

    def send(*_):
        """Send while the shop is moved, at every step of it."""
        k = len(sent)
        pack = [{"n": "pin-45/b/moisture", "u": "/", "v": 0.2 + k / 1000, "t": NOW.timestamp() + 60 * k}]
        sent.append(sensor.publish(TOPIC, json.dumps(pack), qos=1))

    for name in ("close", "switch", "then"):
        true = getattr(moving_end.End, name)
        monkeypatch.setattr(
            moving_end.End, name, lambda *a, _true=true, **k: (send(), _true(*a, **k), send())[1]
        )
    listening = listen(folder)
    assert until(listening.ready.is_set)
    send()
    where = {"url": server.url, "org": server.org} if to == "influx" else {"url": postgres_url}
    done = moving.move(loaded, moving.settings_for(loaded, to, **where), send)
    left = in_file(folder)
    send()
    told = page(10, to)
    stored = [int(line[1]) for line in told if line[0] == "stored"]

    def heard():
        with closing(open_store(config.load(folder))) as store:
            return [one for one in store.readings(Owner.TIMBER, "FER-01") if one.source == "mqtt"]

    assert until(lambda: len(heard()) == len(sent)), (len(heard()), len(sent), listening.said)
    assert [
        line[1] for line in told if line[0] == "refused"
    ]  # it was kept out, or found that the shop had left
    with shop.open(folder) as opened:
        found = [one for one in opened.store.readings(Owner.TIMBER, "FER-01") if one.source == "hand"]
        assert [one.value for one in found] == [300 + k for k in range(stored[-1] + 1)]
        assert {f"P-{k}" for k in range(0, stored[-1] + 1, 5)} <= set(opened.register.tags())
    assert done.readings >= left[0]
    now = in_file(folder)
    assert now[0] == left[0]  # and the file has got no reading more, nor a timber where these went too
    assert to == "influx" or now == left


def one(k):
    series = Series.parse("timber/FER-01/weight")
    return Reading(
        series=series, value=300 + k, taken_utc=NOW + k * timedelta(1), arrived_utc=NOW, source="hand"
    )


def test_who_had_the_shop_open_before_a_move_can_not_write_after_it(yard_dir, postgres_url):
    loaded = config.load(yard_dir)
    with shop.open(yard_dir) as before:
        moving.move(loaded, moving.settings_for(loaded, "postgres", url=postgres_url))
        for write in (
            lambda: before.store.append([one(0)]),
            lambda: before.store.note("walk/1", b"1"),
            lambda: before.register.add(timber()),
        ):
            with pytest.raises(
                StoreMoved, match=r"the shop's store went to PostgreSQL, .*, and nothing more"
            ):
                write()
    path = yard_dir / "baulk.toml"
    path.write_text(path.read_text().replace('kind = "postgres"', 'kind = "sqlite"').replace("url =", "#"))
    with pytest.raises(StoreMoved):
        shop.open(yard_dir)
    other = moving.settings_for(config.load(yard_dir), "influx", url="http://127.0.0.1:9", org="yard")
    with pytest.raises(ExchangeError, match=r"the shop went to PostgreSQL, .* already"):
        moving.move(config.load(yard_dir), other)


def test_a_page_says_that_it_has_to_be_done_once_more_and_then_it_is_done(
    yard_dir, postgres_url, monkeypatch
):
    monkeypatch.setattr(shop_access, "LOOK_S", 3600)  # no look at the settings comes in between
    desk, loaded = shop_access._Desk(yard_dir), config.load(yard_dir)
    moving.move(loaded, moving.settings_for(loaded, "postgres", url=postgres_url))
    with pytest.raises(StoreMoved, match="has just been moved to another store, and this was not saved"):
        desk.ask(lambda opened: opened.store.append([one(0)]))
    assert desk.ask(lambda opened: opened.store.append([one(0)])) == 1
    desk.ask(lambda opened: opened.close())
    with shop.open(yard_dir) as opened:
        assert opened.store.readings(Owner.TIMBER, "FER-01") == [one(0)]


def test_a_store_that_was_left_is_taken_up_again_by_its_command(yard_dir, postgres_url, capsys):
    loaded, path = config.load(yard_dir), yard_dir / "baulk.toml"
    text = path.read_text()
    moving.move(loaded, moving.settings_for(loaded, "postgres", url=postgres_url))
    path.write_text(text)
    with pytest.raises(Unlikely, match=r"what came since the move is not in the file shop.db"):
        store_command.reopen(shop=yard_dir)
    store_command.reopen(yes=True, shop=yard_dir)
    assert "the file shop.db is written to again, not PostgreSQL, " in capsys.readouterr().out
    with shop.open(yard_dir) as opened:
        assert opened.store.append([one(0)]) == 1


def test_settings_that_can_not_be_written_leave_the_shop_where_it_was(yard_dir, postgres_url, monkeypatch):
    loaded = config.load(yard_dir)
    with monkeypatch.context() as patch:
        patch.setattr(moving, "toml_for", lambda *_: (_ for _ in ()).throw(ExchangeError("odd")))
        with pytest.raises(ExchangeError, match="odd"):
            moving.move(loaded, moving.settings_for(loaded, "postgres", url=postgres_url))
    with shop.open(yard_dir) as opened:
        assert opened.store.append([one(0)]) == 1
    moving.move(loaded, moving.settings_for(loaded, "postgres", url=postgres_url))
    with shop.open(yard_dir) as opened:
        assert opened.store.readings(Owner.TIMBER, "FER-01") == [one(0)]


def test_a_move_that_was_killed_while_it_kept_others_out_does_so_for_a_minute(yard_dir):
    with closing(open_store(config.load(yard_dir))) as store:
        with store.database.alone() as at:
            gate.close(at.run, "a new place", "key")
        with pytest.raises(StoreLocked, match="the shop is being moved to a new place"):
            store.append([one(0)])
        held = json.loads(store.noted(gate.CLOSED))
        store.database.gate.moves = True
        past = (NOW - timedelta(days=1)).isoformat()
        store.note(gate.CLOSED, json.dumps({**held, "until": past}).encode())
        store.database.gate.moves = False
        assert store.append([one(0)]) == 1
