"""The power goes, not only a program: at any moment, the disk keeps what was synced and anything of the rest.

Every write, truncation, sync and removal of files in the shop folder is taken down in its order with its
bytes (strace), while a process stores messages, keeps them in the spool, empties it and enters timbers, and
says what it has acknowledged. For moments between two syncs the folder is then made again as a disk could
have it: what a sync had covered, and of the writes since then none, all, or any of their sectors. Whatever
was acknowledged before that moment must be there, once, and every file whole.

What it can't find: a disk that lies about its syncs, a file system that loses the name of a file whose bytes
it has synced, and what a broker had not saved.
"""

from __future__ import annotations

import os
import random
import re
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from baulk.ingest import pipeline, shop
from baulk.ingest.mqtt.spool import Spool
from baulk.models.errors import NotFound
from baulk.models.quantity import Owner

SECTOR = 512
CALLS = "write,pwrite64,ftruncate,fsync,fdatasync,unlinkat,?unlink,?rename,renameat2"
_LINE = re.compile(r"^\d+ +(?P<call>\w+)\((?P<rest>.*)$")
_BYTES = re.compile(r'"((?:\\x[0-9a-f]{2})*)"(\.\.\.)?')
_PATH = re.compile(r"^(?:AT_FDCWD(?:<[^>]*>)?, )?(?:\d+<(?P<fd>[^>]*)>|\"(?P<name>(?:\\x[0-9a-f]{2})*)\")")


@dataclass(frozen=True)
class Step:
    """One call on a file of the folder."""

    call: str
    name: str
    at: int = 0
    data: bytes = b""


@dataclass
class Disk:
    """Files as the disk surely has them, and what it may have besides."""

    sure: dict[str, bytearray]
    pending: dict[str, list[Step]] = field(default_factory=dict)
    now: dict[str, bytearray] = field(default_factory=dict)  # as programs see them

    def do(self, step):
        name = step.name
        if step.call == "folder":  # the folder's own sync: what was removed from it stays removed
            for gone in [each for each in self.pending if each not in self.now]:
                del self.pending[gone]
                self.sure.pop(gone, None)
            return
        if step.call == "sync":
            if name in self.now:
                self.sure[name] = bytearray(self.now[name])
                self.pending.pop(name, None)
            return
        self.pending.setdefault(name, []).append(step)
        apply(self.now, step)

    def after_a_cut(self, how, rng):
        """One of the states in which the disk may be found."""
        found = {name: bytearray(body) for name, body in self.sure.items()}
        for steps in self.pending.values():
            for step in steps:
                if how == "all":
                    apply(found, step)
                elif how == "some":
                    for sector in sectors(step):
                        if rng.random() < 0.5:
                            apply(found, sector)
        return found


def apply(files, step):
    if step.call == "unlink":
        files.pop(step.name, None)
        return
    body = files.setdefault(step.name, bytearray())
    if step.call == "ftruncate":
        if step.at < len(body):
            del body[step.at :]
        body.extend(bytes(step.at - len(body)))
    elif step.call == "write":
        end = step.at + len(step.data)
        body.extend(bytes(max(0, end - len(body))))
        body[step.at : end] = step.data


def sectors(step):
    """A disk writes sector by sector."""
    if step.call != "write":
        return [step]
    cuts = range(0, len(step.data), SECTOR)
    return [Step("write", step.name, step.at + k, step.data[k : k + SECTOR]) for k in cuts]


def plain(text):
    return bytes.fromhex(text.replace("\\x", ""))


def steps_of(trace, folder):
    """The calls on files of the folder, in their order; an appended write has no place of its own."""
    ends, found = {}, []
    for line in trace.read_text().splitlines():
        match = _LINE.match(line)
        assert "unfinished" not in line, "one process with one thread was meant"
        if match is None or re.search(r"\) += -1 ", line):
            continue
        call, rest = match["call"], match["rest"]
        at = _PATH.match(rest)
        if at is None:
            continue
        path = Path((plain(at["fd"]) if "\\x" in (at["fd"] or "") else (at["fd"] or "").encode()).decode()
                    if at["fd"] is not None else plain(at["name"]).decode())  # fmt: skip
        if path == folder and call in {"fsync", "fdatasync"}:
            found.append(Step("folder", "."))
            continue
        if path.parent != folder or path.name.endswith("-shm"):
            continue
        name = path.name
        if call in {"fsync", "fdatasync"}:
            found.append(Step("sync", name))
        elif call in {"unlink", "unlinkat"}:
            found.append(Step("unlink", name))
        elif call == "ftruncate":
            found.append(Step(call, name, int(re.findall(r", (\d+)\)", rest)[-1])))
        elif call in {"write", "pwrite64"}:
            data = _BYTES.search(rest[at.end() :])
            assert data is not None
            assert not data[2], "a write was longer than what was taken down"
            numbers = re.findall(r", (\d+)", rest[at.end() :].split('"')[-1])
            place = int(numbers[1]) if call == "pwrite64" else ends.get(name, 0)
            body = plain(data[1])
            ends[name] = place + len(body)
            found.append(Step("write", name, place, body))
        else:
            pytest.fail(f"{call} is a case that this test does not know yet")
    return found


def traced(tmp_path, folder):
    if shutil.which("strace") is None:
        if os.environ.get("CI") == "true":
            pytest.fail("strace is missing, and CI must see what reaches the disk")
        pytest.skip("strace is not on this machine")
    before = {each.name: bytearray(each.read_bytes()) for each in folder.iterdir() if each.is_file()}
    trace = tmp_path / "calls.txt"
    child = [sys.executable, "-P", str(Path(__file__).with_name("power_child.py")), str(folder)]
    done = subprocess.run(
        ["strace", "-f", "-y", "-xx", "-s", "70000", "-e", f"trace={CALLS}", "-o", str(trace), *child],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
    )
    if "ptrace" in done.stderr.lower() and "not permitted" in done.stderr.lower():
        pytest.skip(f"no process may be traced here: {done.stderr[:200]}")
    assert done.returncode == 0, done.stderr[-2000:]
    return before, steps_of(trace, folder)


def acknowledged(steps):
    """What was acknowledged by the moment behind each step."""
    told, by_then = b"", []
    for step in steps:
        if step.name == "acknowledged.log" and step.call == "write":
            told += step.data
        by_then.append(told)
    return by_then


def check(folder, told):
    """Open what the disk has, store what waits in the spool, and compare with what was acknowledged."""
    readings = {int(line.split()[1]) for line in told.splitlines() if line.startswith(b"reading")}
    timbers = {line.split()[1].decode() for line in told.splitlines() if line.startswith(b"timber")}
    with shop.open(folder) as opened:
        if (folder / "spool-yard.db").exists():
            waiting = Spool(folder / "spool-yard.db", room_mb=5)
            raws, _ = waiting.oldest(500)
            waiting.close()
            pipeline.handle_batch(raws, opened)
        found = [round((one.value - 20) * 1000) for one in opened.store.readings(Owner.TIMBER, "FER-01")]
        assert len(found) == len(set(found))
        assert readings <= set(found), f"lost: {sorted(readings - set(found))[:10]}"
        for tag in timbers:
            try:
                opened.register.get(tag)
            except NotFound:
                pytest.fail(f"{tag} was entered and is gone")
    for name in ("shop.db", "spool-yard.db"):
        if (folder / name).exists():
            with closing(sqlite3.connect(folder / name)) as base:
                assert base.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def cut_everywhere(tmp_path, yard_dir, moments, seed):
    """Cut the power at so many moments, three ways each; return how many states were looked at."""
    before, steps = traced(tmp_path, yard_dir)
    by_then = acknowledged(steps)
    rng = random.Random(seed)  # noqa: S311 - the same states every time
    last = len(steps)
    chosen = {*rng.sample(range(last - 1), min(moments, last - 1)), last - 1}
    disk, looked = Disk(sure=dict(before), now={name: bytearray(body) for name, body in before.items()}), 0
    for k, step in enumerate(steps):
        if step.name != "acknowledged.log":
            disk.do(step)
        if k not in chosen:
            continue
        for how in ("none", "all", "some"):
            folder = tmp_path / "cut"
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()
            for name, body in disk.after_a_cut(how, rng).items():
                (folder / name).write_bytes(body)
            try:
                check(folder, by_then[k])
            except BaseException as err:
                err.add_note(
                    f"power cut behind call {k} of {last} ({step.call} {step.name}), {how} of the rest"
                )
                raise
            looked += 1
    return looked, len(steps), len(by_then[-1].splitlines())


def test_what_was_acknowledged_survives_a_power_cut(tmp_path, yard_dir):
    looked, _, told = cut_everywhere(tmp_path, yard_dir, moments=25, seed=3)
    assert looked == 78
    assert told == 143


@pytest.mark.bench
@pytest.mark.timeout(1800)
def test_what_was_acknowledged_survives_a_power_cut_at_any_call(tmp_path, yard_dir, capsys):
    looked, calls, told = cut_everywhere(tmp_path, yard_dir, moments=10**6, seed=4)
    with capsys.disabled():
        print(
            f"\n{looked} states after {calls} calls, {told} acknowledgements: nothing lost, nothing doubled"
        )
