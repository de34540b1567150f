"""`baulk doctor` as a whole: each thing that goes wrong over the years is found, alone, and with its cure.

Each case brings one trouble about in a shop that is otherwise well, as far as a test can: the room on a disk
and the word of a time server are told instead. It could not have found a trouble that is in no row here.
"""

from __future__ import annotations

import json
import os
import shlex
import socket
import subprocess
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.ingest import host_clock
from baulk.ingest import shop as shops
from baulk.ingest.config import FILE
from baulk.ingest.monitoring import machine, nightly
from baulk.models.reading import Reading, Series


class Usage(NamedTuple):
    total: float
    used: float
    free: float


@pytest.fixture
def well(shop_dir, tmp_path, monkeypatch):
    """A shop that is well: a broker that answers, a kept clock, room, a backup on another disk."""
    monkeypatch.setattr(host_clock, "synchronised", lambda: True)
    monkeypatch.setattr(machine.shutil, "disk_usage", lambda _path: Usage(1e12, 5e11, 5e11))
    monkeypatch.setattr(machine, "backup_beside", lambda _config: None)  # both are on the test's disk
    with socket.create_server(("127.0.0.1", 0)) as broker:
        text = (shop_dir / FILE).read_text().replace("port = 1883", f"port = {broker.getsockname()[1]}")
        text = text.replace("[store]", f'[store]\nbackup_dir = "{tmp_path / "usb"}"', 1)
        (shop_dir / FILE).write_text(text)
        note(shop_dir, nightly.BACKUP_KEY, hours=10)
        note(shop_dir, nightly.MESSAGES_KEY, hours=10)
        yield shop_dir


def note(folder, key, *, hours):
    with shops.open(folder) as shop:
        shop.store.note(key, (datetime.now(UTC) - timedelta(hours=hours)).isoformat().encode())


def told(folder):
    """Give the findings as `--json` has them, and the text of the screen with its lines joined."""
    app, env = commands.build(["doctor"]), {"BAULK_SHOP": str(folder), "COLUMNS": "80"}
    data, screen = (CliRunner().invoke(app, ["doctor", *words], env=env) for words in (("--json",), ()))
    assert (data.exit_code, screen.exit_code) == (0, 0), data.output + screen.output
    return json.loads(data.stdout)["findings"], " ".join(screen.stdout.split())


def wrong_clock(_folder, monkeypatch):
    monkeypatch.setattr(host_clock, "synchronised", lambda: False)


def no_broker(folder, _monkeypatch):
    text = (folder / FILE).read_text()
    with socket.socket() as bound:  # nobody listens there
        bound.bind(("127.0.0.1", 0))
        port = bound.getsockname()[1]
    was = next(line for line in text.splitlines() if line.startswith("port = "))
    (folder / FILE).write_text(text.replace(was, f"port = {port}", 1))


def open_files(folder, _monkeypatch):
    (folder / "pages.password").write_text("x")
    folder.chmod(0o755)
    (folder / "pages.password").chmod(0o644)


def little_room(_folder, monkeypatch):
    monkeypatch.setattr(machine.shutil, "disk_usage", lambda _path: Usage(1e10, 9.7e9, 3e8))


def growing(folder, monkeypatch):
    monkeypatch.setattr(machine.shutil, "disk_usage", lambda _path: Usage(1e10, 8.5e9, 1.5e9))
    today = datetime.now(UTC).date()
    sizes = {(today - timedelta(days=14)).isoformat(): 1e8, today.isoformat(): 5e8}
    with shops.open(folder) as shop:
        shop.store.note(machine.SIZES_KEY, json.dumps(sizes).encode())


def silent(folder, _monkeypatch):
    begin = datetime.now(UTC) - timedelta(days=6)
    hourly = [begin + timedelta(hours=hour) for hour in range(72)]
    with shops.open(folder) as shop:
        shop.store.append(
            Reading(
                series=Series.parse("air/shed/temp"), value=12 + hour % 5, taken_utc=at, arrived_utc=at,
                source="mqtt",
            )
            for hour, at in enumerate(hourly)
        )  # fmt: skip


def stale(folder, _monkeypatch):
    note(folder, nightly.MESSAGES_KEY, hours=100)


def no_backup_lately(folder, _monkeypatch):
    note(folder, nightly.BACKUP_KEY, hours=100)
    note(folder, nightly.TRIED, hours=1)


def no_backup_at_all(folder, _monkeypatch):
    text = (folder / FILE).read_text()
    (folder / FILE).write_text(text.replace("backup_dir = ", "# backup_dir = "))


TROUBLES = [  # what happens, the kind that is told, what the cure says
    (wrong_clock, "wrong clock", "timedatectl set-ntp true"),
    (no_broker, "broker", "start it, or correct [broker] in baulk.toml"),
    (open_files, "open files", "chmod"),
    (little_room, "disk", "make room"),
    (growing, "disk", "weeks"),
    (silent, "silent sensor", "check its battery, its radio and the broker"),
    (stale, "forecasts stopped", "start them where Baulk is installed"),
    (no_backup_lately, "backup", "baulk backup -o"),
    (no_backup_at_all, "backup", "name a folder on another disk, backup_dir in [store]"),
]


@pytest.mark.parametrize(("happens", "kind", "cure"), TROUBLES, ids=[row[0].__name__ for row in TROUBLES])
def test_each_trouble_is_told_alone_with_its_cure(happens, kind, cure, well, monkeypatch, oak):
    with shops.open(well) as shop:
        shop.register.add(oak)
    found, screen = told(well)
    assert found == []
    assert "nothing to see to" in screen
    happens(well, monkeypatch)
    found, screen = told(well)
    assert [each["kind"] for each in found] == [kind]
    assert cure in found[0]["sentence"]
    assert f"{kind}: {found[0]['sentence']}" in screen
    assert "nothing to see to" not in screen


@pytest.mark.skipif(os.name != "posix", reason="modes of files are asked of POSIX systems only")
def test_the_cure_of_open_files_is_the_command_that_mends_them(well, monkeypatch):
    open_files(well, monkeypatch)
    found, _ = told(well)
    command = found[0]["sentence"].partition("run: ")[2]
    assert command.startswith("chmod ")
    subprocess.run(shlex.split(command), check=True)
    assert told(well)[0] == []
