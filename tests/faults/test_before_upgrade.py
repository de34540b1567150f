"""Before a newer program changes the tables of a store a copy is kept; without one nothing is changed."""

from __future__ import annotations

import shutil
import sqlite3
import threading
from contextlib import closing

import pytest

from baulk.ingest import migrations, shop
from baulk.ingest.errors import StoreFull
from baulk.ingest.store import before_upgrade
from baulk.ingest.store.sqlite_file import FORM


def stands_at(path):
    with closing(sqlite3.connect(path)) as base:
        (form,) = base.execute("PRAGMA user_version").fetchone()
        ((register,),) = base.execute("SELECT version_num FROM alembic_version").fetchall()
        assert base.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        return form, register, base.execute("SELECT count(*) FROM reading").fetchone()[0]


def made_old(folder, former_quarantine):
    """Put the tables of a store back to an older form."""
    with shop.open(folder):  # which makes those of the register
        pass
    with closing(sqlite3.connect(folder / "shop.db")) as base:
        base.execute("DROP INDEX evaluation_in_short")
        base.execute("ALTER TABLE evaluation DROP COLUMN fingerprint")
        former_quarantine(base)
        base.execute("PRAGMA user_version = 1")


def copies(folder):
    return sorted(each.name for each in (folder / before_upgrade.FOLDER).iterdir())


def test_a_store_of_an_older_form_is_kept_as_it_was(shop_dir, former_quarantine):
    made_old(shop_dir, former_quarantine)
    before = stands_at(shop_dir / "shop.db")
    with shop.open(shop_dir):
        pass
    assert stands_at(shop_dir / "shop.db")[0] == FORM
    (name,) = copies(shop_dir)
    assert name == f"shop-form1-register{migrations.HEAD}.db"
    kept = shop_dir / before_upgrade.FOLDER / name
    assert stands_at(kept) == before
    assert kept.stat().st_mode & 0o777 == 0o600
    with shop.open(shop_dir):
        pass
    assert len(copies(shop_dir)) == 1


def test_nothing_is_copied_where_nothing_is_changed(shop_dir):
    with shop.open(shop_dir):
        pass
    assert not (shop_dir / before_upgrade.FOLDER).exists()


def test_without_room_for_the_copy_nothing_is_changed(shop_dir, monkeypatch, former_quarantine):
    made_old(shop_dir, former_quarantine)
    before = stands_at(shop_dir / "shop.db")
    with monkeypatch.context() as full:
        full.setattr(shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(100, 100, 0))
        with pytest.raises(StoreFull, match=r"copy that is kept before .* can't be made .* make room") as err:
            shop.open(shop_dir)
    assert "\n" not in str(err.value)
    assert stands_at(shop_dir / "shop.db") == before
    with shop.open(shop_dir):
        assert len(copies(shop_dir)) == 1


def test_a_folder_that_cannot_be_made_is_a_sentence(shop_dir, former_quarantine):
    made_old(shop_dir, former_quarantine)
    (shop_dir / before_upgrade.FOLDER).write_text("in the way")
    with pytest.raises(StoreFull, match="can't be made"):
        shop.open(shop_dir)
    assert stands_at(shop_dir / "shop.db")[0] == 1


def test_the_copies_do_not_grow_without_end(shop_dir, former_quarantine):
    folder = shop_dir / before_upgrade.FOLDER
    folder.mkdir()
    for form, register in ((1, "0001"), (1, "0002"), (1, "0000")):
        (folder / f"shop-form{form}-register{register}.db").write_text("an older copy")
    (folder / "mine.txt").write_text("not ours")
    made_old(shop_dir, former_quarantine)
    with shop.open(shop_dir):
        pass
    assert copies(shop_dir) == [
        "mine.txt",
        "shop-form1-register0001.db",
        "shop-form1-register0002.db",
        f"shop-form1-register{migrations.HEAD}.db",
    ]


def test_several_programs_that_open_an_old_store_at_once_keep_one_copy_of_it(shop_dir, former_quarantine):
    made_old(shop_dir, former_quarantine)
    errors = []

    def opened():
        try:
            with shop.open(shop_dir):
                pass
        except Exception as err:  # noqa: BLE001 - looked at below
            errors.append(err)

    team = [threading.Thread(target=opened) for _ in range(4)]
    for one in team:
        one.start()
    for one in team:
        one.join()
    assert errors == []
    (name,) = copies(shop_dir)
    assert stands_at(shop_dir / before_upgrade.FOLDER / name)[0] == 1


def test_a_register_of_an_older_migration_is_kept_as_it_was(shop_dir):
    with shop.open(shop_dir):
        pass
    with closing(sqlite3.connect(shop_dir / "shop.db")) as base:
        base.execute("ALTER TABLE event DROP COLUMN settled")
        base.execute("ALTER TABLE timber DROP COLUMN heartwood_mm")
        base.execute("UPDATE alembic_version SET version_num = '0002'")
        base.commit()
    before = stands_at(shop_dir / "shop.db")
    with shop.open(shop_dir):
        pass
    assert stands_at(shop_dir / "shop.db")[1] == migrations.HEAD
    assert copies(shop_dir) == [f"shop-form{FORM}-register0002.db"]
    assert stands_at(shop_dir / before_upgrade.FOLDER / copies(shop_dir)[0]) == before
