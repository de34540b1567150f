"""Work in a folder of its own is killed midway; the next takes away what it left, and nothing else.

What a power cut leaves of a folder on the disk is not tried here, and no share of another machine.
"""

from __future__ import annotations

import fcntl
import os
import signal
import socket
import subprocess
import sys
import time
from contextlib import closing, contextmanager
from datetime import UTC, datetime

import pytest

from baulk.ingest import config, shop, working_folder
from baulk.ingest.exchange import backup, drill, restore
from baulk.ingest.monitoring import nightly
from baulk.ingest.store import before_upgrade, sqlite_file

NOW = datetime(2026, 5, 14, 2, 0, tzinfo=UTC)
DAYS_S = 2 * 86_400.0
WORK = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from baulk.ingest import config
from baulk.ingest.exchange import backup, drill, restore
from baulk.ingest.store import before_upgrade
kind, first, second = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])
now = datetime(2026, 5, 14, 2, 0, tzinfo=UTC)

def held(module, name):
    before = getattr(module, name)
    def wait(*given, **more):
        done = before(*given, **more)
        print("half way", flush=True)
        sys.stdin.readline()
        return done
    setattr(module, name, wait)

if kind == "backup":
    held(backup, "_write")
    backup.make(config.load(first), second, now)
elif kind == "restore":
    held(restore, "_unpacked")
    restore.restore(first, second)
elif kind == "drill":
    held(restore, "_unpacked")
    drill.drill(first, now)
else:
    held(before_upgrade.os, "fsync")
    before_upgrade.keep(first, wait_s=5)
print("done", flush=True)
"""


@contextmanager
def half_way(kind, first, second="-"):
    """Begin work in another process and stop in the middle of it; it goes on when its input ends."""
    words = [sys.executable, "-c", WORK, kind, str(first), str(second)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout.readline() == "half way\n"
            yield process
        finally:
            process.kill()


def kill(kind, first, second="-"):
    with half_way(kind, first, second) as process:
        os.kill(process.pid, signal.SIGKILL)


def names(folder):
    return sorted(each.name for each in folder.iterdir())


@pytest.fixture
def kept(shop_dir, tmp_path):
    """A backup in a folder of its own."""
    return backup.make(config.load(shop_dir), tmp_path / "kept" / "b.zip", NOW).file


def aged(path, by_s=DAYS_S):
    then = time.time() - by_s
    os.utime(path, (then, then))


def test_the_next_backup_takes_away_what_a_killed_one_left(shop_dir, kept):
    folder = kept.parent
    before = kept.read_bytes()
    kill("backup", shop_dir, kept)
    first = names(folder)
    kill("backup", shop_dir, folder / "other.zip")  # which takes away what the first left as it begins
    assert (len(first), len(names(folder)), len({*first, *names(folder)})) == (2, 2, 3)
    assert kept.read_bytes() == before
    assert sum(each.stat().st_size for each in folder.rglob("shop.db")) > 0
    backup.make(config.load(shop_dir), kept, NOW)
    assert names(folder) == ["b.zip"]


def test_a_nightly_backup_takes_it_away_too(shop_dir, tmp_path):
    folder = tmp_path / "nights"
    path = shop_dir / "baulk.toml"
    text = path.read_text().replace('path = "shop.db"', f'path = "shop.db"\nbackup_dir = "{folder}"')
    path.write_text(text)
    kill("backup", shop_dir, folder / "baulk-ferry-yard-20260513-020000.zip")
    assert len(names(folder)) == 1
    with shop.open(shop_dir) as opened:
        assert "made and proved" in nightly.back_up(opened, NOW)
    (name,) = names(folder)
    assert name.endswith("-20260514-020000.zip")


def test_a_backup_under_way_beside_is_left_alone_and_ends_well(shop_dir, kept):
    with half_way("backup", shop_dir, kept.with_name("slow.zip")) as process:
        backup.make(config.load(shop_dir), kept, NOW)
        (under_way,) = [name for name in names(kept.parent) if name.startswith(".")]
        aged(kept.parent / under_way)
        backup.make(config.load(shop_dir), kept, NOW)
        assert under_way in names(kept.parent)
        said, _ = process.communicate(timeout=60)
        assert said == "done\n"
    assert names(kept.parent) == ["b.zip", "slow.zip"]


def test_the_next_restore_and_the_next_try_of_one_take_away_what_was_left(kept, tmp_path):
    kill("restore", kept, tmp_path / "again")
    assert len([name for name in names(tmp_path) if name.startswith(".baulk-restore-")]) == 1
    restore.restore(kept, tmp_path / "again")
    assert [name for name in names(tmp_path) if name.startswith(".")] == []
    kill("drill", kept)
    assert len(names(kept.parent)) == 2
    drill.drill(kept, NOW)
    assert names(kept.parent) == ["b.zip"]


def test_a_copy_before_an_upgrade_that_was_killed_goes_with_the_next(shop_dir):
    path = shop_dir / "shop.db"
    with closing(sqlite_file.connect(path, wait_s=5)) as base:
        base.execute(f"PRAGMA user_version = {sqlite_file.FORM - 1}")
    kill("upgrade", path)
    folder = shop_dir / before_upgrade.FOLDER
    assert [each.name for each in folder.rglob("shop.db")] == ["shop.db"]
    (folder / f".{path.name}.0badcafe.part").write_bytes(b"of an earlier version")
    aged(folder / f".{path.name}.0badcafe.part")
    assert before_upgrade.keep(path, wait_s=5) is not None
    (name,) = names(folder)
    assert name.startswith(f"shop-form{sqlite_file.FORM - 1}-register")


def test_nothing_is_taken_away_that_may_be_somebody_elses(shop_dir, kept):
    """Names that are nearly ours, a link, another machine's, what an earlier version left today."""
    folder = kept.parent
    stay = {".baulk-backup-mine", ".baulk-backup-ABCDEFGH", "baulk-backup-abcdefgh", ".baulk-other-abcdefgh"}
    for name in stay:
        (folder / name).mkdir()
        aged(folder / name)
    for name in (".mine.zip.0badcafe.part", ".b.zip.part", ".b.zip.0BADCAFE.part", "b.zip.0badcafe.part"):
        (folder / name).write_bytes(b"x")
        aged(folder / name)
        stay.add(name)
    (folder / ".baulk-backup-linked__").symlink_to(folder / ".baulk-backup-mine")
    (folder / ".baulk-backup-a_file__").write_bytes(b"x")
    for name in (".baulk-backup-no_lock_", ".baulk-backup-far_away"):
        (folder / name).mkdir()
    (folder / ".baulk-backup-far_away" / "under-way").write_text("another-machine")
    young = {".b.zip.0badcafe.part", ".baulk-ferry-yard-20260513-020000.zip.0badcafe.part"}
    for name in young:
        (folder / name).write_bytes(b"x")
    stay |= {".baulk-backup-linked__", ".baulk-backup-a_file__", "b.zip"}
    backup.make(config.load(shop_dir), kept, NOW)
    odd = {".baulk-backup-no_lock_", ".baulk-backup-far_away"}
    assert set(names(folder)) == stay | odd | young
    for name in odd | young:
        aged(folder / name)
    backup.make(config.load(shop_dir), kept, NOW)
    assert set(names(folder)) == stay
    assert names(folder / ".baulk-backup-mine") == []


def test_what_another_user_left_stays(tmp_path, monkeypatch):
    (tmp_path / ".baulk-backup-abcdefgh").mkdir()
    aged(tmp_path / ".baulk-backup-abcdefgh")
    monkeypatch.setattr(working_folder.os, "geteuid", lambda: os.getuid() + 1)
    working_folder.clear(tmp_path)
    assert len(names(tmp_path)) == 1
    monkeypatch.undo()
    working_folder.clear(tmp_path)
    assert names(tmp_path) == []


def test_on_a_share_without_locks_age_alone_decides(tmp_path, monkeypatch):
    def no_locks(*_):
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(fcntl, "flock", no_locks)
    with working_folder.made(tmp_path, "backup") as folder:
        working_folder.clear(tmp_path)
        assert (folder / "under-way").read_text() == socket.gethostname()
        aged(folder)
        working_folder.clear(tmp_path)
        assert not folder.exists()


def test_a_folder_that_is_taken_away_while_its_lock_is_made_is_made_again(tmp_path, monkeypatch):
    flock, taken = fcntl.flock, []

    def late(lock, how):
        if not taken:
            taken.append(names(tmp_path))
            monkeypatch.setattr(fcntl, "flock", flock)
            (folder,) = tmp_path.iterdir()
            (folder / "under-way").write_text(socket.gethostname())  # as far as the other can tell
            working_folder.clear(tmp_path)
        return flock(lock, how)

    monkeypatch.setattr(fcntl, "flock", late)
    with working_folder.made(tmp_path, "backup") as folder:
        assert folder.is_dir()
        assert taken
        assert taken[0] != names(tmp_path)
    assert names(tmp_path) == []
