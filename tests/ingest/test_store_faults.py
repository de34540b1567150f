"""What goes wrong with a store is one sentence, loses nothing, and is over when its cause is."""

from __future__ import annotations

import os
import sqlite3
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from datetime import UTC, datetime, timedelta

import pytest
from pydantic import SecretStr

from baulk.ingest import config
from baulk.ingest import shop as shops
from baulk.ingest.config import STORE_PASSWORD, StorePart
from baulk.ingest.errors import (
    StoreAway,
    StoreBroken,
    StoreFull,
    StoreLocked,
    StoreMissing,
    StoreRefused,
)
from baulk.ingest.store import open_store, postgres_server
from baulk.ingest.store.postgres_server import connect
from baulk.ingest.wire import RawMessage
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
WOOD = Series.parse("timber/FER-01/wood-temp")


def some(number, start=0, **more):
    return [
        Reading(series=WOOD, value=k, taken_utc=NOW + k * MINUTE, arrived_utc=NOW, **more)
        for k in range(start, start + number)
    ]


@pytest.fixture
def settings(tmp_path):
    return config.load(shops.init(tmp_path / "yard", name="Ferry yard"))


@pytest.fixture
def postgres(settings, postgres_url):
    def made(**changes):
        given = {
            "kind": "postgres",
            "url": postgres_url,
            "password": SecretStr(os.environ[STORE_PASSWORD]),
            "wait_s": 0.2,
            **changes,
        }
        return settings.model_copy(update={"store": StorePart(**given)})

    return made


def refused(kind, says, store, *, by=None):
    with pytest.raises(kind, match=says) as caught:
        (by or (lambda: store.append(some(3))))()
    assert "\n" not in str(caught.value)
    assert caught.value.__cause__ is not None


# --- two writers, on whichever server


@pytest.fixture(params=["sqlite", "postgres"])
def shared(request, settings):
    return settings if request.param == "sqlite" else request.getfixturevalue("postgres")(wait_s=5)


def test_two_writers_at_once_store_every_reading_once(shared):
    def write(turn):
        with closing(open_store(shared)) as store:
            return sum(store.append(some(20, start=k * 10)) for k in range(turn, 30, 2))

    with ThreadPoolExecutor(2) as team:
        new = sum(team.map(write, range(2)))
    with closing(open_store(shared)) as store:
        assert new == 310
        assert len(store.read(WOOD)) == 310
        assert store.quarantine_count() == 0
        assert store.revision() == 30


def test_threads_of_one_process_share_a_store(shared):
    with closing(open_store(shared)) as store, ThreadPoolExecutor(4) as team:
        new = list(team.map(lambda k: store.append(some(10, start=k * 10)), range(20)))
        assert new == [10] * 20
        assert len(store.readings(Owner.TIMBER, "FER-01")) == 200


def test_a_reader_goes_on_beside_a_writer(shared):
    with closing(open_store(shared)) as store, closing(open_store(shared)) as other:
        store.append(some(3))
        with other._sql.write() as (at, _):
            at.run("DELETE FROM reading")
            assert len(store.read(WOOD)) == 3


# --- SQLite


def test_a_full_disk_keeps_what_is_there_and_takes_more_when_there_is_room(settings):
    with closing(open_store(settings)) as store:
        store.append(some(10))
        pages = store._sql.ask("PRAGMA page_count")[0][0]
        store._sql.ask(f"PRAGMA max_page_count = {pages}")
        big = RawMessage(topic="t", payload=b"x" * 100_000, arrived_utc=NOW)
        refused(
            StoreFull, "can't be written .*full.*; make room", store, by=lambda: store.quarantine(big, "why")
        )
        assert (len(store.read(WOOD)), store.quarantine_count(), store.revision()) == (10, 0, 1)
        store._sql.ask("PRAGMA max_page_count = 1073741823")
        store.quarantine(big, "why")
        assert store.quarantine_count() == 1


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_may_only_be_read_says_so(settings):
    settings.store_path.chmod(0o440)
    settings.shop_dir.chmod(0o550)
    try:
        with closing(open_store(settings)) as store:
            refused(StoreFull, "can't be written", store)
    finally:
        settings.shop_dir.chmod(0o750)


def test_a_store_that_turns_read_only_says_so(settings):
    with closing(open_store(settings)) as store:
        store._sql.ask("PRAGMA query_only = 1")
        refused(StoreFull, "can't be written .*readonly.*give write permission", store)
        store._sql.ask("PRAGMA query_only = 0")
        assert store.append(some(3)) == 3


def test_a_damaged_file_says_so(settings):
    with closing(open_store(settings)) as store:
        store.append(some(5000))
    with closing(sqlite3.connect(settings.store_path)) as base:
        base.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    size = settings.store_path.stat().st_size
    with settings.store_path.open("r+b") as file:
        file.seek(size // 4)
        file.write(os.urandom(size // 2))
    with closing(open_store(settings)) as store:
        refused(
            StoreBroken, "not a readable Baulk store .*restore a backup", store, by=lambda: store.read(WOOD)
        )


# --- PostgreSQL


@pytest.mark.parametrize(
    ("changes", "kind", "says"),
    [
        ({"password": SecretStr("guess")}, StoreRefused, f"does not let us in.*look at .*{STORE_PASSWORD}"),
        ({"password": None}, StoreRefused, "does not let us in"),
        ({"url": "postgresql://nobody@127.0.0.1:{port}/{name}"}, StoreRefused, "does not let us in"),
        (
            {"url": "postgresql://baulk@127.0.0.1:{port}/barn"},
            StoreMissing,
            "barn on .* does not exist; make it",
        ),
        (
            {"url": "postgresql://baulk@127.0.0.1:1/{name}"},
            StoreAway,
            "is away .*; see whether the server runs",
        ),
    ],
)
def test_a_server_that_will_not_have_us_says_why(postgres, postgres_url, changes, kind, says):
    host, _, name = postgres_url.rpartition("/")
    if "url" in changes:
        changes = {"url": changes["url"].format(port=host.rpartition(":")[2], name=name)}
    with pytest.raises(kind, match=says) as caught:
        open_store(postgres(**changes))
    assert "\n" not in str(caught.value)
    assert os.environ[STORE_PASSWORD] not in str(caught.value)


def test_a_server_gone_mid_way_is_used_again_when_it_is_back(postgres, postgres_server):
    with closing(open_store(postgres())) as store:
        assert store.append(some(10)) == 10
        postgres_server.stop()
        try:
            refused(StoreAway, "is away", store)
            with pytest.raises(StoreAway, match="is away"):
                store.read(WOOD)
        finally:
            postgres_server.start()
        assert store.append(some(13)) == 3
        assert len(store.read(WOOD)) == 13


def test_a_connection_cut_inside_a_transaction_leaves_nothing_of_it(postgres):
    with closing(open_store(postgres())) as store, closing(open_store(postgres())) as other:

        def cut():
            with store._sql.write() as (at, _):
                at.run("INSERT INTO series (text, owner, name) VALUES ('x', 'air', 'x')")
                ((pid,),) = at.run("SELECT pg_backend_pid()")
                other._sql.ask("SELECT pg_terminate_backend(CAST(:pid AS INTEGER))", {"pid": pid})
                at.run("SELECT 1")

        refused(StoreAway, "is away", store, by=cut)
        assert other._sql.ask("SELECT 1 FROM series") == []
        assert store.append(some(3)) == 3


def test_an_idle_connection_that_was_cut_is_made_anew_without_a_word(postgres):
    with closing(open_store(postgres())) as store, closing(open_store(postgres())) as other:
        for work in (lambda: store.append(some(3)), store.revision):
            ((pid,),) = store._sql.ask("SELECT pg_backend_pid()")
            other._sql.ask("SELECT pg_terminate_backend(CAST(:pid AS INTEGER))", {"pid": pid})
            work()
        assert len(store.read(WOOD)) == 3


def test_another_writer_that_takes_too_long_is_named(postgres):
    with closing(open_store(postgres())) as store, closing(open_store(postgres())) as other:
        with other._sql.write():
            refused(StoreLocked, "locked by another program; wait", store)
        assert store.append(some(3)) == 3


def test_a_role_without_rights_and_a_database_set_read_only(postgres, postgres_url, postgres_server):
    with closing(open_store(postgres())) as store:
        with postgres_server.connect() as base:
            base.execute("CREATE ROLE looker LOGIN PASSWORD 'look'")
        with connect(postgres().store) as base:
            base.execute("GRANT SELECT ON ALL TABLES IN SCHEMA public TO looker")
        looker = postgres(url=postgres_url.replace("baulk@", "looker@"), password=SecretStr("look"))
        with closing(open_store(looker)) as eyes:
            assert eyes.series() == []
            refused(StoreRefused, "does not give us the right .*grant it as deploy/postgres", eyes)
        store._sql._base.execute("SET default_transaction_read_only = on")
        refused(StoreFull, "may only be read just now", store)


def test_a_database_of_a_newer_baulk_is_left_alone(postgres):
    with closing(open_store(postgres())) as store, store._sql.write() as (at, _):
        at.run("UPDATE form SET n = 99")
    with pytest.raises(StoreBroken, match=r"newer Baulk \(form 99\)"):
        open_store(postgres())


def test_openers_at_once_raise_the_tables_once(postgres):
    with ThreadPoolExecutor(4) as team:
        for store in team.map(lambda _: open_store(postgres()), range(4)):
            store.close()


def test_a_long_message_is_quarantined_whole(postgres):
    long = RawMessage(topic="t" * 5000, payload=os.urandom(300_000), arrived_utc=NOW)
    with closing(open_store(postgres())) as store:
        for _ in range(2):
            store.quarantine(long, "not \0 JSON" + "x" * 9000)
        (row,) = store.quarantined()
    assert row.raw == long


def test_a_batch_with_old_and_new_and_other_values_is_told_apart_in_few_round_trips(postgres):
    with closing(open_store(postgres())) as store:
        store.append(some(4000))
        again = [*some(4002), Reading(series=WOOD, value=-1, taken_utc=NOW, arrived_utc=NOW), *some(4001)]
        began = time.monotonic()
        assert store.append(again) == 2
        assert time.monotonic() - began < 5
        assert [row.reason for row in store.quarantined()] == [
            f"{WOOD} at {NOW:%Y-%m-%d %H:%M:%S} is stored as 0 °C already and came again as -1 °C"
        ]


def test_words_for_states_that_are_hard_to_bring_about():
    class Said(Exception):
        sqlstate = "53100"

    url = "postgresql://baulk@db/yard"
    assert str(postgres_server.in_words(url, Said("no space"))) == (
        "the store yard on db:5432 has no room on its disk; make room there, then try again"
    )
    Said.sqlstate = "57P03"
    assert isinstance(postgres_server.in_words(url, Said("starting up")), StoreAway)
    Said.sqlstate = "53300"
    assert isinstance(postgres_server.in_words(url, Said("too many clients")), StoreAway)
    Said.sqlstate = "22P02"
    assert "can't be used: odd" in str(postgres_server.in_words(url, Said("odd")))


def test_closing_twice_and_asking_afterwards(shared):
    store = open_store(shared)
    store.close()
    store.close()
    with pytest.raises(OSError, match="was closed"):
        store.revision()
