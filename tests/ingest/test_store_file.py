"""A shop's own file: locked, gone, foreign, or of another form."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime

import pytest

from baulk.ingest import config, shop
from baulk.ingest.errors import StoreBroken, StoreLocked, StoreMissing
from baulk.ingest.store import open_store, sqlite, sqlite_file
from baulk.ingest.store.moments import to_us
from baulk.ingest.store.statements import NONE
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)


def one():
    return Reading(series=Series.parse("timber/FER-01/weight"), value=96.5, taken_utc=NOW, arrived_utc=NOW)


def quick(tmp_path):
    folder = shop.init(tmp_path / "yard", name="Ferry yard")
    path = folder / "baulk.toml"
    path.write_text(path.read_text().replace('path = "shop.db"', 'path = "shop.db"\nwait_s = 0.05'))
    return config.load(folder)


def test_a_locked_store_says_so_and_works_again_afterwards(tmp_path):
    settings = quick(tmp_path)
    with closing(open_store(settings)) as store, closing(sqlite3.connect(settings.store_path)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreLocked, match="locked by another program") as caught:
            store.append([one()])
        assert "\n" not in str(caught.value)
        assert store.readings(Owner.TIMBER, "FER-01") == []  # reading goes on beside a writer
        other.rollback()
        assert store.append([one()]) == 1


def test_a_missing_store_is_never_made_in_silence(tmp_path):
    settings = quick(tmp_path)
    settings.store_path.unlink()
    with pytest.raises(StoreMissing, match=r"there is no store at .*shop\.db"):
        shop.open(settings.shop_dir)
    assert not settings.store_path.exists()


def test_a_store_taken_away_while_it_is_open_is_noticed_and_its_successor_used(tmp_path):
    settings = quick(tmp_path)
    with closing(open_store(settings)) as store:
        for file in settings.shop_dir.glob("shop.db*"):
            file.unlink()
        with pytest.raises(StoreMissing, match="there is no store"):
            store.append([one()])
        sqlite_file.create(settings.store_path)
        assert store.append([one()]) == 1
    with closing(open_store(settings)) as again:
        assert again.readings(Owner.TIMBER, "FER-01") == [one()]


@pytest.mark.parametrize("content", [b"These are no readings. " * 50, b"\0" * 4096])
def test_a_file_that_is_not_a_store_is_refused_in_words(tmp_path, content):
    settings = quick(tmp_path)
    for file in settings.shop_dir.glob("shop.db*"):
        file.unlink()
    settings.store_path.write_bytes(content)
    with pytest.raises(StoreBroken, match="not a readable Baulk store"):
        shop.open(settings.shop_dir)


def test_a_store_of_the_first_form_is_brought_up_to_date_with_all_it_holds(tmp_path, former_quarantine):
    settings = quick(tmp_path)
    with shop.open(settings.shop_dir) as yard:
        yard.store.save_evaluation("FER-01", NOW, b"{}")
    with closing(sqlite3.connect(settings.store_path)) as base:
        base.execute("DROP INDEX evaluation_in_short")
        base.execute("ALTER TABLE evaluation DROP COLUMN fingerprint")
        base.execute("DROP TABLE past_evaluation")
        base.execute("DROP TABLE note")
        former_quarantine(base)
        base.execute("PRAGMA user_version = 1")
    with closing(open_store(settings)) as store:
        assert store.evaluation("FER-01") == (NOW, b"{}")
        assert (store.fingerprints(), store.past_evaluations("FER-01"), store.notes()) == ({}, [], {})


def goes_past_the_answers(settings, monkeypatch):
    """Say of each question about evaluations in short whether SQLite goes past all of the answers."""
    found = []
    with closing(open_store(settings)) as store:
        ask = store.database.ask

        def planned(sql, values=NONE):
            told = " ".join(row[3] for row in ask(f"EXPLAIN QUERY PLAN {sql}", values))
            short = "COVERING INDEX evaluation_in_short" in told
            found.append(short and "USING PRIMARY KEY (tag=" not in told)
            return ask(sql, values)

        with monkeypatch.context() as looking:
            looking.setattr(store.database, "ask", planned)
            for question in (store.stale, store.fingerprints, store.evaluation_marks, store.evaluated):
                question()
    return found


def test_a_store_of_today_without_its_index_is_given_it(tmp_path, monkeypatch):
    settings = quick(tmp_path)
    with shop.open(settings.shop_dir) as yard:
        yard.store.save_evaluation("FER-01", NOW, b"{}", fingerprint="f")
    assert goes_past_the_answers(settings, monkeypatch) == [True] * 4
    with closing(sqlite3.connect(settings.store_path)) as base:
        base.execute("DROP INDEX evaluation_in_short")
    with monkeypatch.context() as earlier:
        earlier.setattr(sqlite, "add_index", lambda _: None)
        assert goes_past_the_answers(settings, monkeypatch) == [False] * 4
    assert goes_past_the_answers(settings, monkeypatch) == [True] * 4


def test_a_store_that_is_locked_when_it_is_opened_does_without_the_index(tmp_path):
    settings = quick(tmp_path)
    with shop.open(settings.shop_dir) as yard:
        yard.store.save_evaluation("FER-01", NOW, b"{}", fingerprint="f")
    with closing(sqlite3.connect(settings.store_path)) as base:
        base.execute("DROP INDEX evaluation_in_short")
        base.execute("BEGIN IMMEDIATE")
        with closing(open_store(settings)) as store:
            assert store.fingerprints() == {"FER-01": "f"}
            ((made_us, _, size),) = store.evaluation_marks().values()
        base.rollback()
    assert (made_us, size) == (to_us(NOW), 2)


def test_a_store_of_a_newer_baulk_is_left_alone(tmp_path):
    settings = quick(tmp_path)
    with closing(sqlite3.connect(settings.store_path)) as base:
        base.execute("PRAGMA user_version = 99")
    with pytest.raises(StoreBroken, match="newer Baulk"):
        shop.open(settings.shop_dir)
