"""A backup while others write, proved by restoring it; a zip that is torn, foreign or wicked."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
import subprocess
import sys
import time
import zipfile
from contextlib import closing
from datetime import UTC, datetime, timedelta

import pytest

from baulk.ingest import config as settings
from baulk.ingest import pipeline, shop
from baulk.ingest.errors import BackupError
from baulk.ingest.exchange import backup, drill, manifest, restore, snapshot
from baulk.ingest.monitoring import nightly
from baulk.ingest.mqtt import spool
from baulk.ingest.wire import RawMessage
from baulk.models.errors import BaulkError
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
WRITER = """
import sys
from datetime import UTC, datetime, timedelta
from baulk.ingest import shop
from baulk.models.reading import Reading, Series
series, start = Series.parse("air/shed/temp"), datetime(2026, 1, 1, tzinfo=UTC)
with shop.open(sys.argv[1]) as opened:
    print("begun", flush=True)
    for k in range(1_000_000):
        at = start + timedelta(seconds=k)
        opened.store.append([Reading(series=series, value=k % 40, taken_utc=at, arrived_utc=start)])
"""


def fill(yard_dir):
    photo = yard_dir / "photos" / "FER-01" / "a.jpg"
    photo.parent.mkdir(parents=True)
    photo.write_bytes(b"\xff\xd8picture")
    (yard_dir / "broker").mkdir()
    for name in manifest.SECRETS:
        (yard_dir / name).write_text("5e" * 32)
    with shop.open(yard_dir) as opened:
        opened.store.append(
            Reading(
                series=Series.parse("air/shed/temp"),
                value=k,
                taken_utc=NOW + timedelta(minutes=k),
                arrived_utc=NOW,
            )
            for k in range(40)
        )
        opened.store.quarantine(RawMessage(topic="t", payload=b"\0x", arrived_utc=NOW), "no sense")


@pytest.fixture
def full_dir(yard, yard_dir):
    fill(yard_dir)
    return yard_dir


def make(folder, file):
    return backup.make(settings.load(folder), file, NOW)


def rezipped(source, target, *, change=None, drop=(), add=None):
    """The same zip, something in it another; the manifest fits again unless it is what is changed."""
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(target, "w") as new:
        said = json.loads(old.read(manifest.NAME))
        for name in said["members"].copy():
            body = old.read(name)
            if change and name in change:
                body = change[name](body)
            if name in drop:
                del said["members"][name]
                continue
            new.writestr(name, body)
        for name, body in (add or {}).items():
            new.writestr(name, body)
            said["members"][name] = {"size": len(body), "sha256": hashlib.sha256(body).hexdigest()}
        if change and manifest.NAME in change:
            said = change[manifest.NAME](said)
        new.writestr(manifest.NAME, json.dumps(said))
    return target


def test_what_is_restored_is_the_shop_that_was_backed_up_without_its_secrets(full_dir, tmp_path):
    made = make(full_dir, tmp_path / "out" / "yard.zip")
    assert (made.counts["timber"], made.counts["reading"], made.counts["quarantine"]) == (1, 40, 1)
    assert "pages.password, login.toml, notices.urls" in made.left_out[0]
    assert [each.name for each in made.file.parent.iterdir()] == ["yard.zip"]
    done = restore.restore(made.file, tmp_path / "again")
    assert done.counts == made.counts
    assert not any((tmp_path / "again" / name).exists() for name in manifest.SECRETS)
    assert (tmp_path / "again" / "photos" / "FER-01" / "a.jpg").read_bytes() == b"\xff\xd8picture"
    with shop.open(full_dir) as old, shop.open(tmp_path / "again") as new:
        assert new.register.list() == old.register.list()
        assert new.register.events() == old.register.events()
        assert new.store.readings(Owner.AIR, "shed") == old.store.readings(Owner.AIR, "shed")
        assert new.store.quarantined() == old.store.quarantined()
    with closing(sqlite3.connect(tmp_path / "again" / "shop.db")) as base:
        assert base.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_a_backup_while_somebody_writes_all_the_time_is_one_moment_of_it(yard, yard_dir, tmp_path):
    writer = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(yard_dir)], stdout=subprocess.PIPE, cwd=tmp_path
    )
    try:
        assert writer.stdout.readline() == b"begun\n"
        made = []
        for turn in range(3):
            time.sleep(0.3)
            made.append(make(yard_dir, tmp_path / f"{turn}.zip"))
        assert writer.poll() is None, "the writer was stopped by the backup"
    finally:
        writer.kill()
        writer.wait()
        writer.stdout.close()
    sizes = [each.counts["reading"] for each in made]
    assert 0 < sizes[0] < sizes[1] < sizes[2]
    for each in made:
        restore.restore(each.file, tmp_path / f"{each.file.stem}-again")
        with shop.open(tmp_path / f"{each.file.stem}-again") as opened:
            found = opened.store.readings(Owner.AIR, "shed")
        start = datetime(2026, 1, 1, tzinfo=UTC)
        assert [one.taken_utc for one in found] == [start + timedelta(seconds=k) for k in range(len(found))]
        assert len(found) == each.counts["reading"]


def test_messages_that_wait_in_a_spool_are_backed_up_too(full_dir, tmp_path):
    kept = spool.Spool(full_dir / "spool-yard.db", room_mb=1)
    kept.keep([RawMessage(topic="t", payload=b"1", arrived_utc=NOW)])
    make(full_dir, tmp_path / "yard.zip")
    kept.close()
    restore.restore(tmp_path / "yard.zip", tmp_path / "again")
    again = spool.Spool(tmp_path / "again" / "spool-yard.db", room_mb=1)
    assert again.waiting == 1
    again.close()


def test_what_a_listener_stores_from_its_spool_meanwhile_is_in_the_backup_once(
    full_dir, tmp_path, monkeypatch
):
    """The spool is emptied between the two copies; restored and emptied again, each reading is there once."""
    topic, body = "baulk/v1/ferry-yard/timber/", b'[{"n":"weight","u":"kg","v":%d}]'
    waiting = [
        RawMessage(
            topic=f"{topic}FER-01", payload=body % (90 + k), arrived_utc=NOW + timedelta(hours=k), mid=k + 1
        )
        for k in range(5)
    ]
    kept = spool.Spool(full_dir / "spool-yard.db", room_mb=1)
    kept.keep([*waiting, RawMessage(topic=f"{topic}NIX", payload=body % 1, arrived_utc=NOW)])
    take, taken = snapshot.take, []

    def drained(source, target, **how):
        counts = take(source, target, **how)
        if not taken:
            empty(kept, full_dir)
        taken.append(source.name)
        return counts

    monkeypatch.setattr(backup.snapshot, "take", drained)
    make(full_dir, tmp_path / "yard.zip")
    kept.close()
    assert len(taken) == 2
    restore.restore(tmp_path / "yard.zip", tmp_path / "again")
    again = spool.Spool(tmp_path / "again" / "spool-yard.db", room_mb=1)
    empty(again, tmp_path / "again")
    again.close()
    with shop.open(tmp_path / "again") as opened:
        found = opened.store.readings(Owner.TIMBER, "FER-01")
        assert sorted(one.value for one in found) == [90, 91, 92, 93, 94]
        assert sorted(row.raw.topic[-3:] for row in opened.store.quarantined()) == ["NIX", "t"]


def empty(waiting, folder):
    """Store what waits in a spool, as the listener does."""
    with shop.open(folder) as opened:
        raws, last = waiting.oldest(100)
        pipeline.handle_batch(raws, opened)
        waiting.drop(last)


def test_a_store_that_lies_elsewhere_comes_back_in_the_folder_and_the_old_one_is_left_alone(
    yard_dir, tmp_path
):
    elsewhere = tmp_path / "disk" / "yard.db"
    elsewhere.parent.mkdir()
    shutil.move(yard_dir / "shop.db", elsewhere)
    path = yard_dir / "baulk.toml"
    path.write_text(path.read_text().replace('path = "shop.db"', f'path = "{elsewhere}"  # the big disk'))
    make(yard_dir, tmp_path / "yard.zip")
    done = restore.restore(tmp_path / "yard.zip", tmp_path / "again")
    assert done.notes == (f"[store] path is now shop.db; it was {elsewhere}",)
    assert "# the big disk" in (tmp_path / "again" / "baulk.toml").read_text()
    assert settings.load(tmp_path / "again").store_path == tmp_path / "again" / "shop.db"


def test_nothing_is_ever_overwritten(full_dir, tmp_path):
    make(full_dir, tmp_path / "yard.zip")
    with pytest.raises(BackupError, match="is not empty"):
        restore.restore(tmp_path / "yard.zip", full_dir)
    (tmp_path / "empty").mkdir()
    restore.restore(tmp_path / "yard.zip", tmp_path / "empty")


def test_a_backup_that_can_not_be_restored_is_none(full_dir, tmp_path, monkeypatch):
    def torn(archive, path, name):
        return manifest.Member(size=1, sha256="0" * 64) if name == "shop.db" else put(archive, path, name)

    put = manifest.put
    monkeypatch.setattr(manifest, "put", torn)
    with pytest.raises(BackupError):
        make(full_dir, tmp_path / "yard.zip")
    assert sorted(each.name for each in tmp_path.iterdir()) == ["yard"]


@pytest.mark.parametrize("where", [0.1, 0.5, 0.95])
def test_a_torn_zip_is_refused(full_dir, tmp_path, where):
    made = make(full_dir, tmp_path / "yard.zip")
    body = made.file.read_bytes()
    made.file.write_bytes(body[: int(len(body) * where)])
    refused(made.file, tmp_path, "torn or no zip")


def test_a_zip_with_a_flipped_byte_is_refused(full_dir, tmp_path):
    made = make(full_dir, tmp_path / "yard.zip")
    body = bytearray(made.file.read_bytes())
    body[len(body) // 3] ^= 0xFF
    made.file.write_bytes(body)
    refused(made.file, tmp_path, "torn|damaged")


def refused(file, tmp_path, why):
    with pytest.raises(BaulkError, match=why) as err:
        restore.restore(file, tmp_path / "again")
    assert "\n" not in str(err.value)
    assert not (tmp_path / "again").exists()
    assert not list(tmp_path.glob(".again*"))


@pytest.mark.parametrize(
    ("alter", "why"),
    [
        ({"drop": ["shop.db"]}, "no shop.db"),
        ({"drop": ["baulk.toml"]}, "no baulk.toml"),
        ({"add": {"../evil.txt": b"x"}}, "lies outside the folder"),
        ({"add": {"/etc/evil": b"x"}}, "lies outside the folder"),
        ({"add": {"..\\evil": b"x"}}, "lies outside the folder"),
        ({"add": {"photos/../../evil": b"x"}}, "lies outside the folder"),
        ({"add": {"C:evil": b"x"}}, "lies outside the folder"),
        ({"add": {"pages.password": b"x"}}, "is not restored"),
        ({"add": {".streamlit/config.toml": b"x"}}, "no file of a shop"),
        ({"add": {"shop.db-wal": b"x"}}, "no file of a shop"),
        ({"add": {"photos/.hidden.jpg": b"x"}}, "no file of a shop"),
        ({"add": {"photos/FER-01/run.sh": b"x"}}, "no file of a shop"),
        ({"add": {"spool-a/b.db": b"x"}}, "no file of a shop"),
        ({"add": {"sitecustomize.py": b"x"}}, "no file of a shop"),
        ({"add": {"before-upgrade/shop-form1-register0001.db": b"x"}}, "no file of a shop"),
        ({"add": {"year.csv": b"x"}}, "no file of a shop"),
        ({"change": {"shop.db": lambda body: body[:-1] + b"!"}}, "damaged"),
        ({"change": {manifest.NAME: lambda said: {**said, "format": 99}}}, "newer Baulk"),
        (
            {"change": {manifest.NAME: lambda said: {**said, "counts": {**said["counts"], "reading": 7}}}},
            "40 rows in reading, not the 7",
        ),
        ({"change": {manifest.NAME: lambda _: {"hello": 1}}}, "no backup of Baulk that can be read"),
        (
            {
                "change": {
                    manifest.NAME: lambda said: {
                        **said,
                        "members": {**said["members"], "x": said["members"]["shop.db"]},
                    }
                }
            },
            "not whole",
        ),
    ],
)
def test_a_zip_that_is_not_what_it_says_is_refused_and_nothing_is_written(full_dir, tmp_path, alter, why):
    made = make(full_dir, tmp_path / "yard.zip")
    refused(rezipped(made.file, tmp_path / "other.zip", **alter), tmp_path, why)
    assert not (tmp_path / "evil.txt").exists()


def test_a_zip_that_holds_a_file_twice_says_so(full_dir, tmp_path):
    made = make(full_dir, tmp_path / "yard.zip")
    with zipfile.ZipFile(made.file, "a") as archive, pytest.warns(UserWarning, match="Duplicate name"):
        archive.writestr("baulk.toml", b"another")
    refused(made.file, tmp_path, "holds 'baulk.toml' twice, and which of the two is right can't be told")


def test_a_typical_year_that_the_settings_name_comes_along(full_dir, tmp_path):
    (full_dir / "weather").mkdir()
    (full_dir / "weather" / "year.csv").write_text("hour,temp,humidity")
    with (full_dir / "baulk.toml").open("a") as text:
        text.write('\n[climate]\ntypical_year = "weather/year.csv"\n')
    make(full_dir, tmp_path / "yard.zip")
    restore.restore(tmp_path / "yard.zip", tmp_path / "again")
    assert (tmp_path / "again" / "weather" / "year.csv").read_text() == "hour,temp,humidity"


@pytest.mark.parametrize("where", [".streamlit/config.toml", "photos/a.jpg", "spool-a.db", "login.toml"])
def test_the_settings_of_a_backup_have_its_database_lie_nowhere_odd(where, full_dir, tmp_path):
    made = make(full_dir, tmp_path / "yard.zip")

    text = (full_dir / "baulk.toml").read_text().replace('path = "shop.db"', f'path = "{where}"')
    rezipped(made.file, tmp_path / "other.zip", drop=["baulk.toml"], add={"baulk.toml": text.encode()})
    done = restore.restore(tmp_path / "other.zip", tmp_path / "again")
    assert any("path is now shop.db" in note for note in done.notes)
    assert (tmp_path / "again" / "shop.db").is_file()
    assert not (tmp_path / "again" / where).exists() or where == "photos/a.jpg"


def test_what_is_no_photograph_is_said_to_be_left_out(full_dir, tmp_path):
    (full_dir / "photos" / "FER-01" / "notes.txt").write_text("mine")
    made = make(full_dir, tmp_path / "yard.zip")
    assert any("no photograph" in each and "notes.txt" in each for each in made.left_out)


def test_spools_and_backups_are_for_their_owner_alone(full_dir, tmp_path):
    older = full_dir / "spool-old.db"
    older.touch(mode=0o644)
    for name in ("spool-yard.db", older.name):
        kept = spool.Spool(full_dir / name, room_mb=1)
        kept.keep([RawMessage(topic="t", payload=b"1", arrived_utc=NOW)])
        assert {each.stat().st_mode & 0o777 for each in full_dir.glob(f"{name}*")} == {0o600}
        kept.close()
    made = make(full_dir, tmp_path / "yard.zip")
    assert made.file.stat().st_mode & 0o777 == 0o600
    restore.restore(made.file, tmp_path / "again")
    found = tmp_path / "again"
    assert found.stat().st_mode & 0o777 == 0o700
    assert {each.stat().st_mode & 0o777 for each in found.rglob("*") if each.is_file()} == {0o600}


def test_a_foreign_file_is_refused(tmp_path):
    refused(tmp_path / "none.zip", tmp_path, "there is no file")
    (tmp_path / "text.zip").write_text("hello")
    refused(tmp_path / "text.zip", tmp_path, "torn or no zip")
    with zipfile.ZipFile(tmp_path / "other.zip", "w") as other:
        other.writestr("a.txt", "hello")
    refused(tmp_path / "other.zip", tmp_path, "no backup of Baulk")


def test_a_store_of_a_newer_form_is_refused(full_dir, tmp_path):
    with closing(sqlite3.connect(full_dir / "shop.db")) as base:
        base.execute("PRAGMA user_version = 99")
    with pytest.raises(BaulkError, match="newer Baulk"):
        make(full_dir, tmp_path / "yard.zip")


def test_a_shop_of_an_older_form_is_brought_up_to_date(full_dir, tmp_path, former_quarantine):
    with closing(sqlite3.connect(full_dir / "shop.db")) as base:
        base.execute("DROP INDEX evaluation_in_short")
        base.execute("ALTER TABLE evaluation DROP COLUMN fingerprint")
        former_quarantine(base)
        base.execute("PRAGMA user_version = 1")
    with closing(sqlite3.connect(full_dir / "shop.db")) as base:
        assert base.execute("PRAGMA user_version").fetchone() == (1,)
    make(full_dir, tmp_path / "yard.zip")
    restore.restore(tmp_path / "yard.zip", tmp_path / "again")
    with shop.open(tmp_path / "again") as opened:
        assert opened.store.fingerprints() == {}


# --- every night


def nightly_zip(file, made_utc, revision):
    """A backup of which only what it says of itself matters."""
    said = manifest.Manifest(
        format=1, made_utc=made_utc, baulk="0.1.0", shop="Ferry yard", kind="sqlite", books="sqlite",
        counts={}, members={}, revision=revision,
    )  # fmt: skip
    with zipfile.ZipFile(file, "w") as archive:
        archive.writestr(manifest.NAME, said.model_dump_json())


def nightly_shop(yard_dir, folder):
    path = yard_dir / "baulk.toml"
    path.write_text(
        path.read_text().replace('path = "shop.db"', f'path = "shop.db"\nbackup_dir = "{folder}"')
    )
    return shop.open(yard_dir)


def test_a_night_makes_one_backup_and_a_fortnight_of_them_stays(full_dir, tmp_path):
    folder = tmp_path / "nights"
    folder.mkdir()
    (folder / "mine.zip").write_text("not ours")
    night = datetime(2026, 5, 14, 2, 0).astimezone()
    (folder / "baulk-ferry-yard-20250101-010203.zip").write_text("torn: nobody can say how old it is")
    for k in range(1, 16):
        nightly_zip(folder / f"baulk-ferry-yard-202601{k:02}-010203.zip", datetime(2026, 1, k, tzinfo=UTC), k)
    with nightly_shop(full_dir, folder) as opened:
        assert "made and proved" in nightly.back_up(opened, night)
        assert nightly.back_up(opened, night + timedelta(hours=1)) is None
        assert nightly.back_up(opened, night + timedelta(days=1)) is not None
    left = sorted(each.name for each in folder.iterdir())
    assert "mine.zip" in left
    assert len(left) == 16
    assert left[:2] == ["baulk-ferry-yard-20250101-010203.zip", "baulk-ferry-yard-20260104-010203.zip"]
    assert all(each.stat().st_mode & 0o777 == 0o600 for each in folder.glob("baulk-ferry-yard-20260514*"))


@pytest.mark.parametrize("year", [1970, 2093])
def test_a_wrong_clock_takes_no_good_backup_and_not_the_newest(year, full_dir, tmp_path):
    """A host whose clock was lost writes names and times of another year; the store knows what came later."""
    folder = tmp_path / "nights"
    folder.mkdir()
    good = [folder / f"baulk-ferry-yard-202601{k:02}-010203.zip" for k in range(1, 15)]
    for k, file in enumerate(good):
        nightly_zip(file, datetime(2026, 1, k + 1, tzinfo=UTC), 0)
    wrong = datetime(year, 1, 2, 2, 0, tzinfo=UTC)
    with nightly_shop(full_dir, folder) as opened:
        for night in range(3):
            assert "made and proved" in nightly.back_up(opened, wrong + timedelta(days=3 * night))
            opened.store.quarantine(RawMessage(topic="t", payload=b"%d" % night, arrived_utc=NOW), "no sense")
        right = datetime(2026, 1, 20, 2, 0, tzinfo=UTC)
        opened.store.forget(nightly.BACKUP_KEY)
        assert "made and proved" in nightly.back_up(opened, right)
    left = {each.name for each in folder.iterdir()}
    assert len({name for name in left if f"-{year}" in name}) == 3
    assert "baulk-ferry-yard-20260120-020000.zip" in left
    assert len(left & {each.name for each in good}) >= 10


def test_a_fortnight_ahead_of_time_takes_no_backup_made_once_the_clock_is_right(full_dir, tmp_path):
    folder = tmp_path / "nights"
    folder.mkdir()
    for k in range(1, 16):
        nightly_zip(folder / f"baulk-ferry-yard-209301{k:02}-010203.zip", datetime(2093, 1, k, tzinfo=UTC), 0)
    with nightly_shop(full_dir, folder) as opened:
        for night in range(3):
            when = datetime(2026, 1, 20, 2, 0, tzinfo=UTC) + timedelta(days=3 * night)
            assert "made and proved" in nightly.back_up(opened, when)
    assert len(list(folder.glob("baulk-ferry-yard-2026*.zip"))) == 3


def test_backups_of_a_restored_shop_stay_though_its_revision_went_back(full_dir, tmp_path):
    folder = tmp_path / "nights"
    folder.mkdir()
    for k in range(1, 20):  # of the shop that was given up
        file = folder / f"baulk-ferry-yard-202601{k:02}-010203.zip"
        nightly_zip(file, datetime(2026, 1, k, tzinfo=UTC), 1_000_000 + k)
    with nightly_shop(full_dir, folder) as opened:
        for night in range(4):
            when = datetime(2026, 2, 1, 2, 0, tzinfo=UTC) + timedelta(days=3 * night)
            assert "made and proved" in nightly.back_up(opened, when)
    assert len(list(folder.glob("baulk-ferry-yard-202602*.zip"))) == 4


def test_a_name_that_a_clock_gives_twice_replaces_no_backup(full_dir, tmp_path):
    folder = tmp_path / "nights"
    with nightly_shop(full_dir, folder) as opened:
        for _ in range(2):
            assert "made and proved" in nightly.back_up(opened, NOW)
            opened.store.forget(nightly.BACKUP_KEY)
    assert sorted(each.name for each in folder.iterdir()) == [
        "baulk-ferry-yard-20260514-093000-2.zip",
        "baulk-ferry-yard-20260514-093000.zip",
    ]


def test_a_night_that_fails_is_said_and_tried_again_later(full_dir, tmp_path):
    (tmp_path / "file").write_text("in the way")
    with nightly_shop(full_dir, tmp_path / "file") as opened:
        assert nightly.back_up(opened, NOW).startswith("no backup tonight: ")
        assert nightly.back_up(opened, NOW + timedelta(minutes=5)) is None
        assert nightly.back_up(opened, NOW + timedelta(minutes=70)) is not None


def test_without_a_folder_nothing_is_made(full_dir):
    with shop.open(full_dir) as opened:
        assert nightly.back_up(opened, NOW) is None


# --- servers


def test_a_postgres_database_goes_into_the_zip_and_out_into_another(
    postgres_server, postgres_url, yard_dir, tmp_path
):
    path = yard_dir / "baulk.toml"
    path.write_text(path.read_text().replace('kind = "sqlite"', f'kind = "postgres"\nurl = "{postgres_url}"'))
    fill(yard_dir)
    made = make(yard_dir, tmp_path / "yard.zip")
    assert made.counts["reading"] == 40
    with pytest.raises(BackupError, match="--database"):
        restore.restore(made.file, tmp_path / "again")
    with pytest.raises(BackupError, match="is not empty"):
        restore.restore(made.file, tmp_path / "again", database=postgres_url)
    other = postgres_server.database()
    restore.restore(made.file, tmp_path / "again", database=other)
    assert settings.load(tmp_path / "again").store.url == other
    with shop.open(tmp_path / "again") as opened:
        assert len(opened.store.readings(Owner.AIR, "shed")) == 40
        assert opened.store.quarantined()[0].raw.payload == b"\0x"


def test_readings_on_an_influx_server_are_said_to_be_elsewhere(yard, yard_dir, tmp_path):
    path = yard_dir / "baulk.toml"
    path.write_text(
        path.read_text().replace(
            'kind = "sqlite"', 'kind = "influx"\nurl = "http://127.0.0.1:9"\norg = "yard"'
        )
    )
    made = make(yard_dir, tmp_path / "yard.zip")
    assert any("InfluxDB" in each and "own tool" in each for each in made.left_out)
    restore.restore(made.file, tmp_path / "again")


def test_a_restore_is_tried_whole_and_leaves_nothing_behind(full_dir, tmp_path):
    file = make(full_dir, tmp_path / "kept" / "yard.zip").file
    before = sorted(each.name for each in file.parent.iterdir())
    done = drill.drill(file, NOW)
    with shop.open(full_dir) as opened:
        standing = [each.tag for each in opened.register.list()]
        assert opened.store.evaluated() == {}, "nothing of it goes into the shop"
    assert done.tag in standing
    assert done.verdict is not None
    assert done.counts["reading"] == 40
    assert done.left_out
    assert sorted(each.name for each in file.parent.iterdir()) == before


def test_a_tried_restore_of_a_torn_file_says_so_and_leaves_nothing_behind(full_dir, tmp_path):
    file = make(full_dir, tmp_path / "kept" / "yard.zip").file
    file.write_bytes(file.read_bytes()[:-2000])
    with pytest.raises(BackupError, match=r"torn|whole|damaged"):
        drill.drill(file, NOW)
    assert [each.name for each in file.parent.iterdir()] == [file.name]
