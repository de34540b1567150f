"""A filled yard worked out wholly, and all that asks of it afterwards: issue 22, line 2. One command.

``BAULK_BENCH_KEEP=FOLDER BAULK_BENCH_SIZES=2000 pytest -s -m bench tests/bench/test_whole_round.py``; years,
series and what is kept as filled_yard.py says, ``BAULK_BENCH_WORKERS=2``. Whatever was worked out of a kept
yard before is taken out first; ``BAULK_BENCH_RESUME=1`` leaves it there and goes on with a round that was
broken off. How far it is stands in lines of their own each minute. ``BAULK_BENCH_BACKUP=1`` makes a backup as
well.

Processor time is that of the process named, so that it holds on a busy machine too; the clock tells only on a
quiet one. The second round of a yard leans on what the first one taught, which no timber of a first has.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from datetime import timedelta
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
import many_workers
from filled_yard import DEPTHS_MM, NOW, SIZES, YEARS, bytes_of, fill, folder_of, fresh
from test_big_yard import cpu_s, resident_mb

from baulk.ingest import shop
from baulk.ingest.evaluation import batch, yard_memory
from baulk.ingest.evaluation.executors import LocalProcesses
from baulk.ingest.evaluation.gather import gather
from baulk.ingest.monitoring import health, notices
from baulk.models.quantity import Owner
from baulk.models.reading import Reading

WORKERS = int(os.environ.get("BAULK_BENCH_WORKERS", "2"))
BACKUP = bool(os.environ.get("BAULK_BENCH_BACKUP"))
RESUME = bool(os.environ.get("BAULK_BENCH_RESUME"))
TELL_S = 60.0
TAUGHT = 20  # timbers of the second round
PAGE = """
import time
from datetime import UTC, datetime
from baulk.dashboard.queries import yard_groups, yard_rows
from baulk.dashboard.server import shop_access
from baulk.models.quantity import Owner
from baulk.models.reading import Reading
now = datetime(2026, 6, 1, 12, tzinfo=UTC)
def one_more(s):
    last = s.store.latest(Owner.TIMBER, s.register.list()[0].tag)[0]
    at = datetime.now(UTC)
    s.store.append([Reading(series=last.series, value=last.value, taken_utc=at, arrived_utc=at)])
    return last.series, at
def took(what):
    began = time.process_time()
    what()
    return time.process_time() - began
def asked():
    return yard_groups.today(yard_rows.rows(now))
times = [took(asked), took(asked)]
series, at = shop_access.ask(one_more)
times.append(took(asked))
most = open("/proc/self/status").read().split("VmHWM:")[1].split()[0]
print(len(yard_rows.rows(now)), *times, int(most) / 1e3)
"""


class Took:
    """Processor time of this process and the clock, of what runs inside."""

    def __enter__(self):
        self._began, self._used = time.perf_counter(), cpu_s()
        return self

    def __exit__(self, *_):
        self.clock_s, self.s = time.perf_counter() - self._began, cpu_s() - self._used


def of_processes(pids):
    """Give processor time and the most memory of each of these processes so far."""
    used_s, most_mb = 0.0, 0.0
    for pid in pids:
        after_name = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        used_s += (int(after_name[11]) + int(after_name[12])) / os.sysconf("SC_CLK_TCK")
        peak = Path(f"/proc/{pid}/status").read_text().split("VmHWM:")[1].split()[0]
        most_mb = max(most_mb, int(peak) / 1e3)
    return used_s, most_mb


def apart(folder, *words):
    """Run something in a process of its own; give its answer and its processor time."""
    env = {**os.environ, "BAULK_SHOP": str(folder)}
    with tempfile.TemporaryFile() as out:
        done = subprocess.Popen([sys.executable, *words], env=env, stdout=out, stderr=subprocess.DEVNULL)
        _, status, used = os.wait4(done.pid, 0)
        done.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        return out.read().decode(), used.ru_utime + used.ru_stime


def say(what, figure):
    print(f"| {what} | {figure} |", flush=True)


class HowFar:
    """Tells every minute how many of a number are done."""

    def __init__(self, what, count):
        self._what, self._count, self._done = what, count, 0
        self._began = self._told = time.perf_counter()

    def __call__(self, *_):
        self._done += 1
        if (now := time.perf_counter()) > self._told + TELL_S:
            self._told = now
            took = f"{now - self._began:.0f} s, parent {cpu_s():.0f} s so far, load {os.getloadavg()[0]:.0f}"
            print(f"{self._what}: {self._done} of {self._count} after {took}", flush=True)


def one_more(yard, tag):
    """Let a pin of a timber speak, an hour after the last time."""
    last = yard.store.latest(Owner.TIMBER, tag)[0]
    at = last.taken_utc + timedelta(minutes=30)
    yard.store.append([Reading(series=last.series, value=last.value, taken_utc=at, arrived_utc=at)])


def gathered(yard, tags):
    """Gather every timber for the first time, and again."""
    airs, some = {}, len(tags) - 1
    with Took() as air:
        gather(tags[0], yard, NOW, airs=airs)
    for when in ("first time", "from then on"):
        far = HowFar(f"gathering, {when}", some)
        with Took() as took:
            for tag in tags[1:]:
                gather(tag, yard, NOW, airs=airs)
                far()
        say(f"gathering, {when}, parent: s a timber; s", f"{took.s / some:.4f}; {took.s:.1f}")
    say("the first timber, with the air of its place, s", f"{air.s:.2f}")


def worked_out(yard, tags):
    """Work every timber out on processes beside this one."""
    team = LocalProcesses(WORKERS)
    try:
        batch.run(yard, tags[: 2 * WORKERS], NOW, team=team, again=True)  # loads and compiles
        pids = list(team._pool._processes)
        before_s, _ = of_processes(pids)
        with Took() as whole:
            far = HowFar("a round", len(tags))
            made = batch.run(yard, tags, NOW, team=team, again=not RESUME, done=far)
        after_s, worker_mb = of_processes(pids)
    finally:
        team.close()
    assert sorted(made.done + made.unchanged) == sorted(tags), made.failed
    worked_s, count = after_s - before_s, max(len(made.done), 1)
    say("worked out now; worked out by an earlier run", f"{len(made.done)}; {len(made.unchanged)}")
    say("a round, workers: s of processor a timber; s", f"{worked_s / count:.3f}; {worked_s:.0f}")
    say("a round, parent: s of processor a timber; s", f"{whole.s / count:.4f}; {whole.s:.1f}")
    say(f"a round by the clock, {WORKERS} workers, s", f"{whole.clock_s:.0f}")
    print(many_workers.told(worked_s / count, whole.s / count))
    most_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    say(
        "memory: parent, its most, a worker's most, MB",
        f"{resident_mb():.0f}, {most_mb:.0f}, {worker_mb:.0f}",
    )
    return whole.s / count


def little_changed(yard, tags):
    """Look over a yard in which nothing has changed, or one timber has."""
    batch.run(yard, tags, NOW)
    with Took() as looked:
        assert sorted(batch.run(yard, tags, NOW).unchanged) == sorted(tags)
    say("nothing changed: ms a timber; s", f"{looked.s / len(tags) * 1e3:.2f}; {looked.s:.2f}")
    one_more(yard, tags[0])
    with Took() as stale:
        assert yard.store.stale() == tags[:1]
    with Took() as alone:
        batch.run(yard, tags[:1], NOW)
    say("one changed: to know which; all the rest, s", f"{stale.s:.3f}; {alone.s:.2f}")


def looked_after(yard, tags):
    """What the yard teaches, and what is looked after in it."""
    with Took() as taught:
        yard_memory.refresh(yard, NOW)
    say("what the yard teaches, put together, s", f"{taught.s:.2f}")
    airs = {}
    gather(tags[0], yard, NOW, airs=airs)
    some = tags[-TAUGHT:]
    with Took() as leaned:
        for tag in some:
            gather(tag, yard, NOW, airs=airs)
    say("gathering with what the yard teaches, s a timber", f"{leaned.s / len(some):.4f}")
    for name, what in (("notices", notices.look), ("health", health.look)):
        with Took() as took:
            what(yard, NOW)
        say(f"{name} looked after, s", f"{took.s:.2f}")


@pytest.mark.bench
@pytest.mark.timeout(6 * 3600)
@pytest.mark.parametrize("timbers", SIZES)
def test_a_whole_round(tmp_path, timbers):
    folder = folder_of(timbers, tmp_path)
    with Took() as filled:
        held, size = fill(folder, timbers)
    if not RESUME:
        fresh(folder)
    print(f"\nload {os.getloadavg()[0]:.1f}\n")
    print(f"| {timbers} timbers, {YEARS:g} years, {len(DEPTHS_MM)} series each | |\n|---|---|")
    say(
        "filling (none where it was kept), s of processor, by the clock",
        f"{filled.s:.0f}, {filled.clock_s:.0f}",
    )
    say("readings; MB of the file; bytes each", f"{held:,}; {size / 1e6:.0f}; {size / held:.1f}")
    with shop.open(folder) as yard:
        tags = [each.tag for each in yard.register.list()]
        gathered(yard, tags)
        with_days = bytes_of(yard)
        parent_s = worked_out(yard, tags)
        little_changed(yard, tags)
        looked_after(yard, tags)
        grown = bytes_of(yard) - with_days
        say("kept days; all that was worked out, MB", f"{(with_days - size) / 1e6:.0f}; {grown / 1e6:.0f}")
        ((kept,),) = yard.store.database.ask("SELECT avg(length(payload)) FROM past_evaluation")
        say("an evaluation, kept for each week, bytes", f"{kept:.0f}")
    said, _ = apart(folder, "-c", PAGE)
    count, cold, warm, changed, peak = (float(each) for each in said.split())
    assert count == timbers
    say("Yard page asks: first, again, after one reading, s", f"{cold:.2f}, {warm:.3f}, {changed:.3f}")
    say("memory of a process that asks for the page, MB", f"{peak:.0f}")
    some = [("timber", "list"), ("verdict", tags[0]), ("doctor",)]
    for words in [*some, *([("backup", "--out", str(tmp_path / "kept.zip"))] if BACKUP else [])]:
        _, used = apart(folder, "-m", "baulk.dashboard.commands", *words)
        say(
            f"`baulk {' '.join(words[:2] if words[0] == 'timber' else words[:1])}`, s of processor",
            f"{used:.2f}",
        )
    print(f"\nload {os.getloadavg()[0]:.1f}")
    assert parent_s < 0.1
