"""How soon the pages paint with a full yard: issue 8, line 2. As ratios to an empty page of the same server.

200 timbers, each with two pins read every hour and one weight a week for a year (3.5 million readings), and
a stored evaluation. Times run from the browser's request to the first picture with the first row of the yard,
or with a timber's verdict; "first" with an empty browser memory, "warm" with the pages' files in it. Run by
``tests/run --bench --only-tests tests/bench/test_paint.py``; the figures go to tests/out/bench-paint.json.
"""

from __future__ import annotations

import importlib.util
import json
import os
import sqlite3
import statistics
from datetime import timedelta
from pathlib import Path

import pytest

from baulk.dashboard.server import process
from baulk.ingest import shop as shop_module
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.section import Face

_TESTS = Path(__file__).parents[1]
OUT = _TESTS / "out"
TIMBERS = int(os.environ.get("BAULK_BENCH_TIMBERS", "200"))
HOURS = int(os.environ.get("BAULK_BENCH_HOURS", str(365 * 24)))
LOADS = int(os.environ.get("BAULK_BENCH_LOADS", "5"))
WEEKS, SESSIONS = 52, 10
YARD_TIMES, TIMBER_TIMES = 2.0, 3.0


def _load(path):
    spec = importlib.util.spec_from_file_location(path.stem + "_of_paint_bench", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


browse = _load(_TESTS / "browser" / "conftest.py")
invented = _load(_TESTS / "dashboard" / "invented.py")
chromium = browse.chromium  # the fixture

EMPTY_PAGE = 'import streamlit as st\n\nst.set_page_config(layout="wide")\nst.title("Empty")\n'
# Notes when the first picture with the wanted part was painted, in ms since the page was asked for.
PAINTED = """
const wanted = %s;
const look = () => {
  const e = document.querySelector(wanted);
  if (e && e.getBoundingClientRect().height > 0) requestAnimationFrame((t) => { window.paintedAt = t; });
  else requestAnimationFrame(look);
};
requestAnimationFrame(look);
"""


def fill(folder):
    """Make the shop: one reading a series through the store, the year before it by the database itself."""
    shop_module.init(folder, name="Reedmouth ferry yard", units="inch")
    with shop_module.open(folder) as s:
        path = s.config.store_path
        for n in range(TIMBERS):
            timber = invented.piece(f"FER-{n + 1:03d}", place=f"rack-{n % 8}")
            s.register.add(timber)
            whose = {"owner": Owner.TIMBER, "name": timber.tag}
            series = [
                Series(**whose, quantity=Quantity.MOISTURE, depth_mm=deep, face=Face.B) for deep in (25, 76)
            ]
            series.append(Series(**whose, quantity=Quantity.WEIGHT))
            s.store.append(
                Reading(series=each, value=25.0, taken_utc=invented.NOW, arrived_utc=invented.NOW)
                for each in series
            )
            step = ("leave", "rough out", "square")[n % 3]
            made = invented.evaluation(timber, step=step, core=18.0 + n % 40)
            s.store.save_evaluation(timber.tag, invented.NOW, made)
        s.store.append(invented.air(days=365, step_h=1))
    base = sqlite3.connect(path)
    with base:
        for how, every_s, count in (
            ("NOT LIKE '%weight%'", 3600, HOURS), ("LIKE '%weight%'", 7 * 86_400, WEEKS),
        ):  # fmt: skip
            base.execute(
                "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < ?) "  # noqa: S608
                "INSERT INTO reading SELECT r.series, r.taken_us - i * ? * 1000000, r.value + i / 500.0, "
                "r.arrived_us - i * ? * 1000000, r.source, r.flags FROM reading r JOIN series s "
                f"ON s.id = r.series, n WHERE s.owner = 'timber' AND s.text {how} ORDER BY 1, 2",
                (count, every_s, every_s),
            )
        held = base.execute("SELECT count(*) FROM reading").fetchone()[0]
    base.close()
    return held


class EmptyPage(browse.Pages):
    """The page server with one page that holds nothing but a head, started by the same words."""

    def __init__(self, folder, log):
        page = folder.parent / "empty_page.py"
        page.write_text(EMPTY_PAGE)
        command = process.command
        process.command = lambda *given: [
            str(page) if each.endswith(f"{os.sep}asgi.py") else each for each in command(*given)
        ]
        try:
            super().__init__(folder, log)
        finally:
            process.command = command


def painted_ms(context, address, wanted):
    page = context.new_page()
    page.add_init_script(PAINTED % json.dumps(wanted))
    try:
        page.goto(address)
        page.wait_for_function("window.paintedAt !== undefined", timeout=60_000)
        return float(page.evaluate("window.paintedAt"))
    finally:
        page.close()


def resident_mb(pages):
    status = Path(f"/proc/{pages._process.pid}/status").read_text()
    return int(status.split("VmRSS:")[1].split()[0]) / 1e3


def sessions_mb(pages, chromium, path, wanted):
    """Return the server's memory with one open page, and what each of nine more of other persons adds."""
    opened = []
    try:
        for n in range(SESSIONS):
            page = chromium.new_context().new_page()
            opened.append(page)
            page.goto(f"{pages.base}/{path}", timeout=120_000)
            page.locator(wanted).first.wait_for(timeout=120_000)
            page.wait_for_timeout(1500)
            if n == 0:
                one = resident_mb(pages)
        return one, (resident_mb(pages) - one) / (SESSIONS - 1)
    finally:
        for page in opened:
            page.context.close()


@pytest.mark.bench
@pytest.mark.timeout(1200)
def test_the_yard_paints_within_twice_and_a_timber_within_three_times_an_empty_page(tmp_path, chromium):
    folder = tmp_path / "shop"
    held = fill(folder)
    assert held > TIMBERS * 2 * HOURS
    ours, bare = browse.Pages(folder, tmp_path / "ours.log"), EmptyPage(folder, tmp_path / "bare.log")
    looks = {
        "empty": (bare.base, "h1"),
        "yard": (ours.base, ".b-timber"),
        "timber": (f"{ours.base}/timber?tag=FER-077", ".b-verdict"),
    }
    found = {(name, how): [] for name in looks for how in ("first", "warm")}
    cold = {}
    try:
        for n in range(LOADS + 1):  # the very first round also loads the servers; it is told, not counted
            for name, (address, wanted) in looks.items():
                context = chromium.new_context()
                for how in ("first", "warm"):
                    took = painted_ms(context, address, wanted)
                    if n:
                        found[name, how].append(took)
                    elif how == "first":
                        cold[name] = took
                context.close()
        middle = {key: statistics.median(times) for key, times in found.items()}
        ratio = {(n, how): middle[n, how] / middle["empty", how] for n, how in middle if n != "empty"}
        print(f"\n{held} readings; load {os.getloadavg()[0]:.1f}")
        for (name, how), times in found.items():
            times_of = f"{ratio[name, how]:.2f} x empty" if name != "empty" else ""
            span = f"({min(times):.0f} to {max(times):.0f})"
            print(f"{name:7} {how:5} {middle[name, how]:6.0f} ms {span} {times_of}")
        one_mb, each_mb = sessions_mb(ours, chromium, "", ".b-timber")
        _, timber_mb = sessions_mb(ours, chromium, "timber?tag=FER-078", ".b-verdict")
    finally:
        ours.close()
        bare.close()
    print("servers just started: " + ", ".join(f"{name} {ms:.0f} ms" for name, ms in cold.items()))
    print(f"memory: {one_mb:.0f} MB with one yard open, {each_mb:.1f} more a yard, {timber_mb:.1f} a timber")
    OUT.mkdir(exist_ok=True)
    told = {
        "readings": held,
        "median_ms": {f"{n} {how}": round(ms) for (n, how), ms in middle.items()},
        "ratio": {f"{n} {how}": round(value, 2) for (n, how), value in ratio.items()},
        "just_started_ms": {name: round(ms) for name, ms in cold.items()},
        "one_session_mb": round(one_mb),
        "session_mb": {"yard": round(each_mb, 1), "timber": round(timber_mb, 1)},
        "days": timedelta(hours=HOURS).days,
    }
    (OUT / "bench-paint.json").write_text(json.dumps(told, indent=1) + "\n")
    assert max(ratio["yard", "first"], ratio["yard", "warm"]) <= YARD_TIMES
    assert max(ratio["timber", "first"], ratio["timber", "warm"]) <= TIMBER_TIMES
