"""A yard at rest under `baulk serve` with a broker: processor and memory of each part.

``python at_rest.py --timbers 200 --seconds 120`` makes an invented yard, waits until every timber has its
verdict, then sends each timber's pin every ten minutes and prints what listener, forecasts and pages took.
``--one-core`` pins them to the first core; ``--limit-mb 1000`` puts them into a memory group of their own
(cgroup 1 or 2, where this user may make one), and says so where that can't be. ``--visit`` opens every page
in a browser afterwards, and measures again.

Memory is counted in pages of the machine's memory, by their numbers (/proc/PID/pagemap, for root): a page
that several of our processes have is one, divided among them, and it counts whole whoever else on the machine
has it. Shares as Linux gives them (Pss) would fall while other programs on the same libraries run beside.
Where the numbers can't be read, every process counts whole (Rss), which is too much.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from baulk.ingest import shop as shops
from baulk.ingest.demo import broker
from baulk.ingest.demo.shed import Message, Publisher
from baulk.models.reading import Reading, Series
from baulk.models.section import Finished, Section
from baulk.models.timber import Timber

DAYS = 90  # of history
EVERY_S = 600.0
SETTLED_S = 0.5  # of processor in ten seconds
READY_WITHIN_S = 900.0
SAMPLE_S = 2.0
GONE_S = 150.0  # until a process that came for some work has gone
PAGES = ("", "timber", "add", "readings", "air", "plans", "sensors", "files", "guide")
PAGE, PRESENT, NUMBER = os.sysconf("SC_PAGE_SIZE"), np.uint64(1 << 63), np.uint64((1 << 55) - 1)
PARTS = {
    "serve ": "serve",
    "listen": "listener",
    "forecast": "forecasts",
    "page_server": "pages",
    "worker_process": "worker",
    "resource_tracker": "tracker",
}


@dataclass(frozen=True)
class Took:
    """What a process took meanwhile."""

    part: str
    cpu_pct: float
    mb: float


def yard(folder: Path, timbers: int, port: int) -> str:
    """Make the shop; return its name in topics."""
    shops.init(folder, name="Ferry yard")
    settings = folder / "baulk.toml"
    settings.write_text(re.sub(r"(?m)^port = \d+", f"port = {port}", settings.read_text(), count=1))
    rng, now = np.random.default_rng(3), datetime.now(UTC)
    came = now - timedelta(days=DAYS)
    with shops.open(folder) as shop:
        found = []
        for hour in range(0, DAYS * 24, 3):
            at = came + timedelta(hours=hour)
            found.append(_reading("air/shed/temp", 15 + 5 * np.sin(hour / 200), at))
            found.append(_reading("air/shed/humidity", 65 + 8 * np.sin(hour / 300), at))
        for tag in tags(timbers):
            shop.register.add(
                Timber(
                    tag=tag, species="white oak", section=Section(width_mm=203, depth_mm=190), length_mm=3000,
                    finished=Finished(width_mm=152, depth_mm=152), use_class="backbone-above-water",
                    place="shed", arrived_utc=came,
                )
            )  # fmt: skip
            for day in range(DAYS):
                shown = 26 - day / 30 + rng.normal(0, 0.4)
                found.append(_reading(f"timber/{tag}/pin-30/b/moisture", shown, came + timedelta(days=day)))
        for start in range(0, len(found), 20_000):
            shop.store.append(found[start : start + 20_000])
        return shop.config.slug


def tags(timbers: int) -> list[str]:
    return [f"T-{number:03d}" for number in range(timbers)]


def _reading(series: str, value: float, at: datetime) -> Reading:
    return Reading(
        series=Series.parse(series), value=float(value), taken_utc=at, arrived_utc=at, source="mqtt"
    )


def below(pid: int) -> list[int]:
    """Return the processes that one started, and theirs."""
    said = subprocess.run(["pgrep", "-P", str(pid)], capture_output=True, text=True, check=False).stdout
    return [each for child in map(int, said.split()) for each in (child, *below(child))]


def all_of(pid: int) -> list[int]:
    """Return a process and those below it."""
    return [pid, *below(pid)]


def cpu_s(pid: int) -> float:
    """Return the processor time of a process and of its children that have ended."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    except OSError:  # it has just ended: its parent has its time
        return 0.0
    return sum(int(each) for each in fields[11:15]) / os.sysconf("SC_CLK_TCK")


def frames(pid: int) -> np.ndarray:
    """Return the numbers of the pages of memory that a process has; all 0 where they are not to be known."""
    found = []
    with Path(f"/proc/{pid}/pagemap").open("rb", buffering=0) as file:
        for line in Path(f"/proc/{pid}/maps").read_text().splitlines():
            begin, end = (int(each, 16) for each in line.split(" ", 1)[0].split("-"))
            if begin >= 1 << 63:  # the kernel's own
                continue
            file.seek(begin // PAGE * 8)
            entries = np.frombuffer(file.read((end - begin) // PAGE * 8), np.uint64)
            found.append(entries[(entries & PRESENT) != 0] & NUMBER)
    return np.unique(np.concatenate(found)) if found else np.empty(0, np.uint64)


def memory_mb(pids: list[int]) -> dict[int, float]:
    """Return the memory of each; what several of them share is divided among them, and counted once."""
    held = {}
    for pid in pids:
        with suppress(OSError, ValueError):  # it has just ended
            held[pid] = frames(pid)
    if not held:
        return {}
    numbers, shared = np.unique(np.concatenate(list(held.values())), return_counts=True)
    if numbers.size <= 1:
        return {pid: rss_mb(pid) for pid in held}
    return {
        pid: float((1 / shared[np.searchsorted(numbers, own)]).sum()) * PAGE / 1e6
        for pid, own in held.items()
    }


def rss_mb(pid: int) -> float:
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * PAGE / 1e6


class Most:
    """Looks every two seconds how much memory a process and those below it have, and keeps the most."""

    def __init__(self, pid: int) -> None:
        self.mb, self.parts = 0.0, {}
        self._pid, self._end = pid, threading.Event()
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._thread.start()

    def _look(self) -> None:
        while not self._end.wait(SAMPLE_S):
            with suppress(OSError):
                found = memory_mb(all_of(self._pid))
                if sum(found.values()) > self.mb:
                    self.mb = sum(found.values())
                    self.parts = {f"{part_of(pid)} {pid}": round(each) for pid, each in found.items()}

    def close(self) -> None:
        self._end.set()
        self._thread.join()
        print(f"most at once, looked at every {SAMPLE_S:.0f} s: {self.mb:.0f} MB {self.parts}")


def part_of(pid: int) -> str:
    try:
        line = Path(f"/proc/{pid}/cmdline").read_text().replace("\0", " ")
    except OSError:
        return "?"
    return next((name for word, name in PARTS.items() if f" {word}" in line or f".{word}" in line), "?")


def memory_group(limit_mb: float) -> Path | None:
    """Make a memory group with a limit; None where this machine or user has none."""
    for root, file in (("/sys/fs/cgroup/memory", "memory.limit_in_bytes"), ("/sys/fs/cgroup", "memory.max")):
        group = Path(root) / f"baulk-bench-{os.getpid()}"
        try:
            group.mkdir()
        except OSError:
            continue
        try:
            (group / file).write_text(str(int(limit_mb * 1e6)))
        except OSError:
            group.rmdir()
            continue
        return group
    return None


def send(slug: str, port: int, timbers: int, seconds: float) -> int:
    """Send each timber's pin every ten minutes, evenly spread; return how many messages."""
    begun, sent, names = time.monotonic(), 0, tags(timbers)
    with Publisher("127.0.0.1", port) as out:
        while (gone := time.monotonic() - begun) < seconds:
            while sent < gone * timbers / EVERY_S:
                pin = [{"n": "pin-30/b/moisture", "u": "/", "v": 0.231 + sent % 7 * 0.001}]
                topic = f"baulk/v1/{slug}/timber/{names[sent % timbers]}"
                out.send([Message(topic=topic, payload=json.dumps(pin).encode())])
                sent += 1
            time.sleep(0.5)
    return sent


def wait_for_all(folder: Path, timbers: int) -> None:
    until = time.monotonic() + READY_WITHIN_S
    with shops.open(folder) as shop:
        while len(shop.store.evaluated()) < timbers or shop.store.stale():
            assert time.monotonic() < until, "the first round did not end"
            time.sleep(3)


def measured(
    folder: Path,
    timbers: int,
    seconds: float,
    *,
    one_core: bool = False,
    limit_mb: float | None = None,
    visit: bool = False,
) -> list[Took]:
    """Run a yard at rest in a folder that is empty or was used for this before."""
    port, web = broker.free_port(), broker.free_port()
    slug = yard(folder / "yard", timbers, port)
    plan = broker.plan(folder, port, mosquitto=broker.find_mosquitto())
    group = None if limit_mb is None else memory_group(limit_mb)
    if limit_mb is not None and group is None:
        print("no memory group can be made here: the limit is not tried")

    heard = subprocess.Popen(plan.argv, stdin=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    serve = subprocess.Popen(
        [sys.executable, "-P", "-m", "baulk.dashboard.commands", "serve", "--shop", folder / "yard",
         "--port", str(web)],
        stdout=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        if group is not None:  # before it starts a part
            (group / "cgroup.procs").write_text(str(serve.pid))
        if one_core:
            os.sched_setaffinity(serve.pid, {min(os.sched_getaffinity(0))})
        most = Most(serve.pid)
        wait_for_all(folder / "yard", timbers)
        wait_for_rest(serve.pid)
        before, begun = {pid: cpu_s(pid) for pid in all_of(serve.pid)}, time.monotonic()
        sent = send(slug, port, timbers, seconds)
        took_s = time.monotonic() - begun
        memory = memory_mb(all_of(serve.pid))
        found = [
            Took(part_of(pid), 100 * (cpu_s(pid) - before.get(pid, 0.0)) / took_s, mb)
            for pid, mb in memory.items()
        ]
        most.close()
        print(f"{timbers} timbers, {sent} messages in {took_s:.0f} s")
        for each in found:
            print(f"{each.part:10} {each.cpu_pct:5.2f} % of a core, {each.mb:4.0f} MB")
        print(
            f"together   {sum(each.cpu_pct for each in found):5.2f} % of a core, "
            f"{sum(each.mb for each in found):4.0f} MB"
        )
        if visit:
            visited(web, serve.pid)
        if group is not None:
            told(group)
        return found
    finally:
        serve.terminate()
        serve.wait(30)
        heard.terminate()
        heard.wait(10)
        if group is not None:
            with suppress(OSError):
                group.rmdir()


def visited(port: int, pid: int) -> None:
    """Open each page in a browser, and print the memory meanwhile, and once what came for it has gone."""
    from playwright.sync_api import sync_playwright  # noqa: PLC0415 - only for --visit

    most = Most(pid)
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        page = browser.new_page()
        for path in PAGES:
            page.goto(f"http://127.0.0.1:{port}/{path}")
            page.get_by_role("heading").first.wait_for(timeout=120_000)
            page.wait_for_timeout(4000)
        browser.close()
    time.sleep(GONE_S)
    most.close()
    after = memory_mb(all_of(pid))
    print("after a visit of every page", {f"{part_of(each)} {each}": round(mb) for each, mb in after.items()})
    print(f"together {sum(after.values()):.0f} MB")


def wait_for_rest(pid: int) -> None:
    """Wait until what is done once after the start is done, and what came for it has gone."""
    until, used = time.monotonic() + READY_WITHIN_S, 1e9
    while (used > SETTLED_S or "worker" in map(part_of, below(pid))) and time.monotonic() < until:
        before = sum(map(cpu_s, below(pid)))
        time.sleep(10)
        used = sum(map(cpu_s, below(pid))) - before


def told(group: Path) -> None:
    """Print the most memory that the group had at once, and how often the limit was met."""
    for name in ("memory.max_usage_in_bytes", "memory.peak"):
        with suppress(OSError):
            print(f"most at once, files in memory included: {int((group / name).read_text()) / 1e6:.0f} MB")
    for name in ("memory.failcnt", "memory.events"):
        with suppress(OSError):
            print(f"{name}: {(group / name).read_text().strip()}")


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    asked.add_argument("--timbers", type=int, default=200)
    asked.add_argument("--seconds", type=float, default=120.0)
    asked.add_argument("--one-core", action="store_true")
    asked.add_argument("--limit-mb", type=float)
    asked.add_argument("--visit", action="store_true")
    given = asked.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # what it started is ended
    with tempfile.TemporaryDirectory() as folder:
        measured(
            Path(folder), given.timbers, given.seconds, one_core=given.one_core, limit_mb=given.limit_mb,
            visit=given.visit,
        )  # fmt: skip


if __name__ == "__main__":
    main()
