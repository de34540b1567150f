"""A backup from a stranger connects the shop to nobody; a signed one that was changed is refused."""

from __future__ import annotations

import json
import tracemalloc
import zipfile
from datetime import UTC, datetime

import pytest

from baulk.ingest import config as settings
from baulk.ingest.errors import BackupError
from baulk.ingest.exchange import backup, manifest, restore, signature

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
ELSEWHERE = '[broker]\nhost = "203.0.113.7"\n[dashboard]\nhost = "0.0.0.0"\nurl = "http://yard.invalid"\n'
WRITINGS = {
    "tables": ELSEWHERE,
    "dotted": 'broker.host = "203.0.113.7"\ndashboard.host = "0.0.0.0"\n"dashboard"."url" = "http://yard.invalid"\n',
    "inline": 'broker = {host="203.0.113.7", port=1883}\ndashboard={host="0.0.0.0",url="http://yard.invalid"}\n',
    "quoted": '["broker"]\n"host" = """203.0.113.7"""\n[ "dashboard" ]\nhost = \'0.0.0.0\'\nurl="http://yard.invalid"\n',
}


def made_of(shop_dir, tmp_path, text):
    """A backup of the shop with these settings."""
    (shop_dir / "baulk.toml").write_text(text)
    return backup.make(settings.load(shop_dir), tmp_path / "yard.zip", NOW).file


@pytest.mark.parametrize("writing", WRITINGS)
def test_a_restored_shop_reaches_no_other_machine(writing, shop_dir, tmp_path):
    file = made_of(shop_dir, tmp_path, WRITINGS[writing])
    done = restore.restore(file, tmp_path / "again")
    found = settings.load(tmp_path / "again")
    assert (found.broker.host, found.dashboard.host, found.dashboard.url) == ("127.0.0.1", "127.0.0.1", None)
    assert sorted(each.split(" is ")[0] for each in done.notes) == [
        "[broker] host", "[dashboard] host", "[dashboard] url",
    ]  # fmt: skip
    assert any("it was 203.0.113.7" in each for each in done.notes)


def test_a_zip_sends_no_device_elsewhere(shop_dir, tmp_path):
    file = made_of(shop_dir, tmp_path, '[broker]\ndevices_at = "mqtts://203.0.113.7:8883"\n')
    done = restore.restore(file, tmp_path / "again")
    assert settings.load(tmp_path / "again").broker.devices_at is None
    assert any("mqtts://203.0.113.7:8883" in each for each in done.notes)


def test_no_backup_is_written_outside_the_restored_folder(shop_dir, tmp_path):
    file = made_of(shop_dir, tmp_path, f'[store]\nbackup_dir = "{tmp_path}/nights"\nthin_after_days = 700\n')
    restore.restore(file, tmp_path / "again")
    assert settings.load(tmp_path / "again").store.backup_dir is None
    assert settings.load(tmp_path / "again").store.thin_after_days == 700


@pytest.mark.parametrize(
    ("address", "near"),
    [
        ("http://203.0.113.7:8086", "http://127.0.0.1:8086"),
        ("http://127.0.0.1:8086", "http://127.0.0.1:8086"),
        ("http://[::1]:8086", "http://[::1]:8086"),
        ("https://127.0.0.1.evil.invalid/x", "https://127.0.0.1/x"),
        ("http://127.0.0.1@203.0.113.7/", "http://127.0.0.1@127.0.0.1/"),
    ],
)
def test_a_server_of_readings_becomes_one_of_this_machine(address, near, shop_dir, tmp_path):
    text = (shop_dir / "baulk.toml").read_text()
    file = made_of(shop_dir, tmp_path, text)
    other = tmp_path / "other.zip"
    store = f'[store]\nkind = "influx"\nurl = "{address}"\norg = "yard"\n'
    with zipfile.ZipFile(file) as old, zipfile.ZipFile(other, "w") as new:
        said = json.loads(old.read(manifest.NAME))
        for name in old.namelist():
            body = store.encode() if name == settings.FILE else old.read(name)
            if name == manifest.NAME:
                continue
            with new.open(name, "w") as target:
                target.write(body)
            said["members"][name] = {"size": len(body), "sha256": manifest.hashlib.sha256(body).hexdigest()}
        new.writestr(manifest.NAME, json.dumps({**said, "kind": "influx"}))
    restore.restore(other, tmp_path / "again")
    assert settings.load(tmp_path / "again").store.url == near


@pytest.mark.parametrize("query", ["?host=203.0.113.7", "?hostaddr=203.0.113.7"])
def test_a_database_address_hides_no_second_host(query):
    found = restore.restored_settings._brought_here(f"postgresql://me@127.0.0.1:5432/yard{query}")
    assert found == "postgresql://me@127.0.0.1:5432/yard"


def test_who_trusts_a_zip_keeps_its_addresses(shop_dir, tmp_path):
    file = made_of(shop_dir, tmp_path, ELSEWHERE)
    done = restore.restore(file, tmp_path / "again", keep_addresses=True)
    assert done.notes == ()
    assert settings.load(tmp_path / "again").broker.host == "203.0.113.7"


def test_a_signed_backup_is_checked_and_signs_on(shop_dir, tmp_path):
    key = signature.make_key(shop_dir)
    assert signature.make_key(shop_dir) == key
    assert (shop_dir / manifest.KEY_FILE).stat().st_mode & 0o777 == 0o600
    file = made_of(shop_dir, tmp_path, ELSEWHERE)
    with zipfile.ZipFile(file) as archive:
        assert manifest.KEY_FILE not in archive.namelist()
    restore.restore(file, tmp_path / "again", key_file=shop_dir / manifest.KEY_FILE)
    assert settings.load(tmp_path / "again").broker.host == "203.0.113.7"
    assert signature.key_of(tmp_path / "again") == key
    assert (tmp_path / "again" / manifest.KEY_FILE).stat().st_mode & 0o777 == 0o600
    restore.restore(file, tmp_path / "without")  # who has no key gets the shop, but not its addresses
    assert settings.load(tmp_path / "without").broker.host == "127.0.0.1"


@pytest.mark.parametrize("fault", ["other key", "changed", "unsigned"])
def test_a_backup_that_the_key_did_not_sign_is_refused(fault, shop_dir, tmp_path):
    signature.make_key(shop_dir)
    file = made_of(shop_dir, tmp_path, ELSEWHERE)
    key_file = shop_dir / manifest.KEY_FILE
    if fault == "other key":
        (tmp_path / "elsewhere").mkdir()
        signature.make_key(tmp_path / "elsewhere")
        key_file = tmp_path / "elsewhere" / manifest.KEY_FILE
    else:
        changed = tmp_path / "changed.zip"
        with zipfile.ZipFile(file) as old, zipfile.ZipFile(changed, "w") as new:
            said = json.loads(old.read(manifest.NAME))
            for name in old.namelist():
                body = old.read(name) if name != manifest.NAME else json.dumps({**said, "shop": "x"}).encode()
                new.writestr(name, body)
            new.comment = old.comment if fault == "changed" else b""
        file = changed
    with pytest.raises(BackupError, match=r"no signature|not signed with this key"):
        restore.restore(file, tmp_path / "again", key_file=key_file)
    assert not (tmp_path / "again").exists()


@pytest.mark.parametrize("text", ["", "zz", "ab" * 31])
def test_a_file_that_is_no_key_is_refused(text, tmp_path):
    (tmp_path / "backup.key").write_text(text)
    with pytest.raises(BackupError, match="no key"):
        signature.read_key(tmp_path / "backup.key")


@pytest.mark.parametrize("name", ["baulk.toml", manifest.NAME])
def test_a_zip_that_unpacks_to_hundreds_of_megabytes_takes_no_memory(name, shop_dir, tmp_path):
    """Its list may say what it likes of a file: the zip holds 200 MB of blanks where settings should be."""
    key = signature.make_key(shop_dir)
    file, bomb = made_of(shop_dir, tmp_path, ELSEWHERE), tmp_path / "bomb.zip"
    with zipfile.ZipFile(file) as old, zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as new:
        for each in old.namelist():
            new.writestr(each, b" " * 200_000_000 if each == name else old.read(each))
        signature.sign(new, key, old.read(manifest.NAME))
    tracemalloc.start()
    with pytest.raises(BackupError, match=r"damaged|too large|not signed"):
        restore.restore(bomb, tmp_path / "again", key_file=shop_dir / manifest.KEY_FILE)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < 20_000_000
    assert not (tmp_path / "again").exists()


def test_a_signed_zip_that_is_no_backup_is_refused_in_a_sentence(shop_dir, tmp_path):
    key, file = signature.make_key(shop_dir), tmp_path / "odd.zip"
    with zipfile.ZipFile(file, "w") as new:
        new.writestr("baulk.toml", "x")
        signature.sign(new, key, b"")
    with pytest.raises(BackupError, match="no backup of Baulk"):
        restore.restore(file, tmp_path / "again", key_file=shop_dir / manifest.KEY_FILE)
