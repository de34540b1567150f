"""How soon the pages paint what they are for, on a phone, as ratios to an empty page: issues 18 and 8.

200 timbers, each with two pins read every hour and one weight a week for a year (3.5 million readings), and
a stored evaluation; Shop air and Plans in a yard of nine with a plan of the air. Times run from the browser's
request to the first picture with the first row of the yard, a timber's verdict, the plan's sentence or the
drawing of a size; "first" with an empty browser memory, "warm" with the pages' files in it. Pages take turns
with the empty one of the same platform, and the fastest of each are compared: what else the machine does only
adds. Run by ``tests/run --bench --only-tests tests/bench/test_paint.py``; figures go to tests/out.
"""

from __future__ import annotations

import importlib.util
import json
import os
import sqlite3
import statistics
from datetime import UTC, datetime
from pathlib import Path

import pytest

from baulk.dashboard.server import process
from baulk.ingest import shop as shop_module
from baulk.ingest.planning import humidity, kept_air
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.section import Face

_TESTS = Path(__file__).parents[1]
OUT = _TESTS / "out"
TIMBERS = int(os.environ.get("BAULK_BENCH_TIMBERS", "200"))
HOURS = int(os.environ.get("BAULK_BENCH_HOURS", str(365 * 24)))
LOADS = int(os.environ.get("BAULK_BENCH_LOADS", "5"))
WEEKS, SESSIONS = 52, 10
TIMES = 1.5  # of an empty page


def _load(path):
    spec = importlib.util.spec_from_file_location(path.stem + "_of_paint_bench", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


browse = _load(_TESTS / "browser" / "conftest.py")
busy = _load(_TESTS / "browser" / "busy.py")
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


def with_air_planned(folder):
    """Make a yard of nine with the plan of its air that the night makes."""
    busy.shop(folder, invented)
    now = datetime.now(UTC)
    with shop_module.open(folder) as s:
        wish = kept_air.wish(s, "shed").asked("shed")
        kept_air.keep(s, "shed", kept_air.worked_out(lambda: humidity.gather(s, wish, now), now))


def in_turns(chromium, looks):
    """Return the times of each page, first and warm, in ms, and those of the servers just started."""
    found = {(name, how): [] for name in looks for how in ("first", "warm")}
    cold = {}
    for n in range(LOADS + 1):  # the very first round also loads the servers; it is told, not counted
        for name, (address, wanted) in looks.items():
            context = chromium.new_context(**browse.PHONE)
            for how in ("first", "warm"):
                took = painted_ms(context, address, wanted)
                if n:
                    found[name, how].append(took)
                elif how == "first":
                    cold[name] = took
            context.close()
    return found, cold


def told(found, cold):
    """Print the times, and return those of the fastest loads and their ratios to the empty page."""
    print(f"\nload {os.getloadavg()[0]:.1f}")
    ratio = {}
    for (name, how), times in found.items():
        empty = found["empty", how]
        middle = statistics.median(times)
        said = ""
        if name != "empty":
            ratio[name, how] = min(times) / min(empty)
            said = f"{ratio[name, how]:.2f} x empty, medians {middle / statistics.median(empty):.2f}"
        print(f"{name:7} {how:5} {middle:6.0f} ms ({min(times):.0f} to {max(times):.0f}) {said}")
    print("servers just started: " + ", ".join(f"{name} {ms:.0f} ms" for name, ms in cold.items()))
    return {
        "fastest_ms": {f"{n} {how}": round(min(times)) for (n, how), times in found.items()},
        "median_ms": {f"{n} {how}": round(statistics.median(times)) for (n, how), times in found.items()},
        "ratio": {f"{n} {how}": round(value, 2) for (n, how), value in ratio.items()},
        "just_started_ms": {name: round(ms) for name, ms in cold.items()},
    }


def put_down(name, figures):
    OUT.mkdir(exist_ok=True)
    (OUT / name).write_text(json.dumps(figures, indent=1) + "\n")


@pytest.mark.bench
@pytest.mark.timeout(1200)
def test_a_full_yard_and_a_timber_paint_within_half_as_much_again_as_an_empty_page(tmp_path, chromium):
    folder = tmp_path / "shop"
    held = fill(folder)
    assert held > TIMBERS * 2 * HOURS
    ours, bare = browse.Pages(folder, tmp_path / "ours.log"), EmptyPage(folder, tmp_path / "bare.log")
    looks = {
        "empty": (bare.base, "h1"),
        "yard": (ours.base, ".b-timber"),
        "timber": (f"{ours.base}/timber?tag=FER-077", ".b-verdict"),
    }
    try:
        figures = told(*in_turns(chromium, looks))
        one_mb, each_mb = sessions_mb(ours, chromium, "", ".b-timber")
        _, timber_mb = sessions_mb(ours, chromium, "timber?tag=FER-078", ".b-verdict")
    finally:
        ours.close()
        bare.close()
    print(f"memory: {one_mb:.0f} MB with one yard open, {each_mb:.1f} more a yard, {timber_mb:.1f} a timber")
    figures["session_mb"] = {"yard": round(each_mb, 1), "timber": round(timber_mb, 1)}
    put_down("bench-paint.json", figures | {"readings": held, "one_session_mb": round(one_mb)})
    assert max(figures["ratio"].values()) <= TIMES


@pytest.mark.bench
@pytest.mark.timeout(900)
def test_shop_air_and_plans_paint_within_half_as_much_again_as_an_empty_page(tmp_path, chromium):
    folder = tmp_path / "shop"
    with_air_planned(folder)
    ours, bare = browse.Pages(folder, tmp_path / "ours.log"), EmptyPage(folder, tmp_path / "bare.log")
    looks = {
        "empty": (bare.base, "h1"),
        "air": (f"{ours.base}/air", ".b-verdict"),
        "plans": (f"{ours.base}/plans", ".b-picture"),
    }
    try:
        figures = told(*in_turns(chromium, looks))
    finally:
        ours.close()
        bare.close()
    put_down("bench-paint-plans.json", figures)
    assert max(figures["ratio"].values()) <= TIMES
