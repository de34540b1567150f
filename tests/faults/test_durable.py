"""What the listener has acknowledged is on the disk: nothing goes to the broker ahead of an fdatasync."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from baulk.ingest import shop

_CALL = re.compile(r"(fdatasync|sendto|sendmsg|write)\(\d+<([^>]*)>(?:, \"((?:\\x[0-9a-f]{2})*))?")


def traced(tmp_path, yard_dir):
    """A listener whose writes to disk and network are written down in their order."""
    if shutil.which("strace") is None:
        if os.environ.get("CI") == "true":
            pytest.fail("strace is missing, and CI must see what reaches the disk")
        pytest.skip("strace is not on this machine")
    seen = tmp_path / "calls.txt"
    program = [sys.executable, "-P", "-m", "baulk.dashboard.commands", "listen", "--shop", str(yard_dir)]
    calls = "trace=fdatasync,sendto,sendmsg,write"
    with (tmp_path / "said.txt").open("w") as said:
        process = subprocess.Popen(
            ["strace", "-f", "-y", "-xx", "-s", "64", "-e", calls, "-o", str(seen), *program],
            stdout=said,
            stderr=subprocess.STDOUT,
            cwd=tmp_path,
        )
    return process, seen


@pytest.mark.broker
def test_a_message_is_acknowledged_only_once_the_disk_has_it(kit, sender, yard_dir, tmp_path):
    process, seen = traced(tmp_path, yard_dir)
    try:
        ready = kit.until(lambda: "taking readings" in (tmp_path / "said.txt").read_text(), 60)
        said = (tmp_path / "said.txt").read_text()
        if "ptrace" in said.lower():  # the component is there, and this kernel or container forbids it
            pytest.skip(f"no process may be traced here: {said[:200]}")
        assert ready, said[:500]
        for count in range(5):
            sender.send(kit.timed(count, count + 1))
            assert kit.until(lambda count=count: kit.stored(yard_dir) == count + 1)
    finally:
        # strace passes nothing on to what it started, which ends when its own child is asked to
        (child,) = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
        os.kill(int(child), 15)
        process.wait(30)
    synced, acknowledged = 0, 0
    for line in seen.read_text().splitlines():
        found = _CALL.search(line)
        if found is None:
            continue
        call, where, sent = found.groups()
        where = bytes.fromhex(where.replace("\\x", "")).decode() if "\\x" in where else where
        if call == "fdatasync" and where.endswith("shop.db-wal"):
            synced += 1
        elif "socket" in where or "TCP" in where:
            acknowledged += len(re.findall(r"\\x40\\x0[234]", sent or ""))  # PUBACK and its length
            assert acknowledged <= synced
    assert acknowledged == 5


def test_only_whoever_acknowledges_waits_for_the_disk(shop_dir):
    for durable, level in ((False, 1), (True, 2)):
        with shop.open(shop_dir, durable=durable) as opened:
            sql = opened.store._sql
            assert sql.ask("PRAGMA synchronous") == [(level,)]
            # the file is put back from a copy under our feet: the new connection is as careful
            (shop_dir / "copy.db").write_bytes((shop_dir / "shop.db").read_bytes())
            (shop_dir / "copy.db").replace(shop_dir / "shop.db")
            assert sql.ask("PRAGMA synchronous") == [(level,)]
