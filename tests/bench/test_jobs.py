"""Every job that issue 18 counts, done by touch at 390 px: taps, keys, seconds of machine, screens scrolled.

A tap is a touch, a key one typed letter or digit, on the number keys of the field pages too. Seconds run from
the first touch to the word that it is saved and hold no time to think or to walk. The page of the job is open
before, as the menu or the code on a label opens it. "Before" is what issue 18 counted on the pages as they
were; its seconds are those of a person. ``tests/run --bench --only-tests tests/bench/test_jobs.py`` prints
the table that tests/README.md holds.
"""

from __future__ import annotations

import importlib.util
import json
import os
import re
import time
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from PIL import Image
from playwright.sync_api import expect

from baulk.ingest import shop as shop_module
from baulk.ingest.pairing import asked
from baulk.ingest.pairing.ring import Ring, written
from baulk.ingest.store import mappings

_TESTS = Path(__file__).parents[1]
HIGH = 844
NOT_POSSIBLE = "not possible"
KNOWN = ("28", "30", "27", "31", "29", "26", "30", "28", "25", "27")  # by each forecast


def _load(path):
    spec = importlib.util.spec_from_file_location(path.stem + "_of_jobs_bench", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


browse = _load(_TESTS / "browser" / "conftest.py")
busy = _load(_TESTS / "browser" / "busy.py")
invented = _load(_TESTS / "dashboard" / "invented.py")
chromium = browse.chromium  # the fixture


class Hand:
    """A person at a phone, who counts."""

    def __init__(self, page, base):
        self.page, self.base = page, base
        self.taps = self.keys = self.scrolled = 0

    def tap(self, what):
        found = self.page.locator(what).first if isinstance(what, str) else what.first
        expect(found).to_be_visible(timeout=30_000)
        box = found.bounding_box()
        beyond = max(0.0, box["y"] + box["height"] - HIGH + 60, -box["y"])
        found.tap()
        self.taps, self.scrolled = self.taps + 1, self.scrolled + beyond / HIGH

    def button(self, name):
        self.tap(self.page.get_by_role("button", name=name, exact=True))

    def text(self, words):
        self.tap(self.page.get_by_text(words, exact=True))

    def write(self, label, words):
        field = self.page.get_by_label(label, exact=True).first
        self.tap(field)
        field.fill(words)
        self.keys += len(words)

    def pick(self, key, words):
        """Choose from a list by its first letters."""
        field = self.page.locator(f".st-key-{key} input").first
        self.tap(field)
        field.fill(words)
        self.keys += len(words)
        self.tap(self.page.get_by_role("option").filter(has_text=words))
        browse.settled(self.page)

    def pad(self, shown):
        """Use the number keys of a field page."""
        for key in [shown] if shown == "OL" else shown:
            self.page.locator(f'[data-key="{key}"]').tap()
            self.keys += 1

    def told(self, words):
        expect(self.page.locator(".b-saved")).to_contain_text(words, timeout=30_000)


class Bench:
    """All jobs and what they took."""

    def __init__(self, chromium, pages, rows):
        self.chromium, self.pages, self.rows = chromium, pages, rows

    @contextmanager
    def job(self, name, path, before):
        context = self.chromium.new_context(**browse.PHONE)
        page = context.new_page()
        page.goto(f"{self.pages.base}/{path}")
        if path.startswith("field"):
            page.wait_for_timeout(1500)
        else:
            expect(page.locator("h1").first).to_be_visible(timeout=60_000)
            browse.settled(page)
        hand = Hand(page, self.pages.base)
        with self.counted(name, before, hand):
            yield hand
        context.close()

    @contextmanager
    def counted(self, name, before, hand):
        hand.taps = hand.keys = hand.scrolled = 0
        began = time.monotonic()
        yield
        self.rows.append({
            "job": name, "before": before, "taps": hand.taps, "keys": hand.keys,
            "machine_s": round(time.monotonic() - began, 1), "screens": round(hand.scrolled, 1),
        })  # fmt: skip


def fill_in(hand, picture):
    """A new timber on the field page: photograph, size, pith on the photograph, use, weight and pins."""
    page = hand.page
    page.locator("#camera").set_input_files(str(picture))
    hand.taps += 1
    expect(page.locator("#preview")).to_be_visible()
    hand.tap("#next")
    for n, number in enumerate(("8", "8", "8")):
        if n:
            hand.tap("#onward")
        hand.pad(number)
    hand.tap("#pith")
    for x, y in ((0.2, 0.1), (0.8, 0.9), (0.55, 0.45)):
        box = page.locator("#canvas").bounding_box()
        page.touchscreen.tap(box["x"] + x * box["width"], box["y"] + y * box["height"])
        hand.taps += 1
        page.wait_for_timeout(60)
    hand.tap("#next")
    hand.pad("6")
    hand.tap("#onward")
    hand.pad("6")
    if page.locator("#wood").input_value() != "white oak":
        hand.tap('#woods button:text-is("white oak")')
    hand.tap("#next")
    for n, number in enumerate(("231", "28", "1")):
        if n:
            hand.tap("#onward")
        hand.pad(number)
    hand.tap("#next")
    expect(page.locator("#status")).to_have_text("All sent", timeout=30_000)


def ten_known(bench, folder):
    """Read ten timbers."""
    with bench.job("ten readings, the numbers known", "field/walk", "60 taps (goal: 25, 20 s)") as hand:
        read(hand, KNOWN)
        expect(hand.page.locator("#status")).to_have_text("All sent", timeout=30_000)


def in_the_field(bench, folder):
    """Do the other jobs of the two field pages."""
    picture = folder.parent / "butt.jpg"
    Image.new("RGB", (2400, 1800), (170, 130, 80)).save(picture)
    job = "a timber with photograph, pith and first readings"
    with bench.job("both together", "field/add", "21 taps") as hand:
        with bench.counted(job, "20 taps, 66 keys, 53 s", hand):
            fill_in(hand, picture)
        with bench.counted("its label", "1 tap", hand), hand.page.context.expect_page() as opened:
            hand.tap("#label")
        opened.value.close()
    bench.rows.pop()
    with bench.job("eight timbers with pins and weight", "field/walk", "68 taps, 129 keys, 81 s") as hand:
        read(hand, KNOWN[:8])
        hand.tap("#weight")
        read(hand, 8 * [None])
        expect(hand.page.locator("#status")).to_have_text("All sent", timeout=30_000)


def read(hand, numbers):
    """Read one timber after another; a number that is not known is as it can be expected."""
    for number in numbers:
        said = hand.page.locator("#expected").inner_text()
        ends = [float(each) for each in re.findall(r"\d+(?:\.\d+)?", said)] or [180.0]
        hand.pad(number or f"{sum(ends) / len(ends):.0f}")
        hand.tap("#save")
        if hand.page.locator("#keep").is_visible():
            hand.tap("#keep")
    if hand.page.locator("#status").inner_text().endswith("to look at"):
        hand.tap("#show")
        while hand.page.get_by_role("button", name="Keep it").count():  # what the server asks once more
            hand.tap(hand.page.get_by_role("button", name="Keep it"))
            hand.page.wait_for_timeout(300)
        hand.tap("#close")


def on_a_timber(bench, folder):
    """The jobs of a timber's page."""
    scrolling = "5 to 6 taps after 11 screens"
    with bench.job("move it", "timber?tag=FER-06", scrolling) as hand:
        hand.button("Record work")
        hand.text("Moved")
        hand.tap(
            hand.page.get_by_role("button", name="shed", exact=True).or_(
                hand.page.get_by_role("radio", name="shed")
            )
        )
        hand.button("Save")
        hand.told("Saved: moved")
    with bench.job("cut it to length", "timber?tag=FER-06", scrolling) as hand:
        hand.button("Record work")
        hand.text("Cut to length")
        hand.write("Length that is left", "7 ft")
        hand.button("Save")
        hand.told("Saved: cut")
    with bench.job("plane it", "timber?tag=FER-06", scrolling) as hand:
        hand.button("Record work")
        hand.text("Planed or sawn")
        hand.write("Section that is left, across x deep", "7 1/2 x 7 1/2")
        hand.button("Save")
        hand.told("Saved: ")
    with bench.job("undo that", "timber?tag=FER-06&open=history", "it kept an older choice") as hand:
        hand.tap('[class*="st-key-event_undo-"] button')
        hand.told("Undone")
    with bench.job("edit its length as entered", "timber?tag=FER-08&open=history", NOT_POSSIBLE) as hand:
        hand.text("Edit timber")
        hand.write("Length", "9 ft")
        hand.button("Save")
        hand.told("Saved for FER-08")
    with bench.job("retire it", "timber?tag=FER-08&open=history", NOT_POSSIBLE) as hand:
        hand.text("Retire")
        hand.button("Save")
        hand.told("Saved: ")


def of_the_shop(bench, folder):
    """The plan of the air, which the night has made, and a sensor that nobody knows yet."""
    with bench.job("the air's plan worked out", "air", "36 s after 2.5 screens") as hand:
        hand.tap(hand.page.get_by_role("button", name="Calculate"))
        expect(hand.page.get_by_text("What could be done")).to_be_visible(timeout=120_000)
    with bench.job("the air's plan read, as the night made it", "air", "36 s after 2.5 screens") as hand:
        box = hand.page.locator(".b-verdict").bounding_box()
        assert box["y"] + box["height"] < HIGH  # no tap, no scrolling
    now = datetime.now(UTC)
    with shop_module.open(folder) as s:
        asked.begin(s.store, now)
        ring = Ring()
        at = (now - timedelta(minutes=3)).isoformat(timespec="seconds")
        ring.add("radio/pins-7/up", json.dumps({"mc": 31.2, "at": at}).encode(), now, retained=False)
        s.store.note(asked.HEARD, written(ring, now, None))
    with bench.job("map a sensor", "sensors?attach=FER-03", NOT_POSSIBLE) as hand:
        hand.tap(hand.page.get_by_role("button", name="pins-7"))
        hand.tap(hand.page.get_by_text("mc: 31.2"))
        hand.pick("pair-said-quantity", "Pin m")
        hand.pick("pair-said-unit-moisture", "perc")
        depth = hand.page.locator(".st-key-pair-said-depth input")
        hand.tap(depth)
        depth.fill("1 3/4")
        depth.press("Enter")
        hand.keys += 6
        hand.tap(".st-key-pair-save button")
        hand.told("is mapped")
    with shop_module.open(folder) as s:
        assert len(mappings.all_of(s.store)) == 1


@pytest.mark.bench
@pytest.mark.timeout(900)
def test_every_job_takes_fewer_taps_than_it_took(tmp_path, chromium):
    rows = []
    try:
        for name, make, jobs in (
            ("ten", browse.ten_timbers, (ten_known,)),
            ("eight", browse.ten_timbers, (in_the_field,)),
            ("busy", lambda at: busy.shop(at, invented), (on_a_timber, of_the_shop)),
        ):
            folder = make(tmp_path / name)
            pages = browse.Pages(folder, tmp_path / f"{name}.log")
            try:
                for each in jobs:
                    each(Bench(chromium, pages, rows), folder)
            finally:
                pages.close()
    finally:
        print(f"\nload {os.getloadavg()[0]:.0f}")
        print("| job | before | taps | keys | machine, s | screens scrolled |")
        for row in rows:
            print("| " + " | ".join(str(each) for each in row.values()) + " |")
    browse.OUT.mkdir(exist_ok=True)
    (browse.OUT / "bench-jobs.json").write_text(json.dumps(rows, indent=1) + "\n")
    taken = {row["job"]: row for row in rows}
    assert taken["a timber with photograph, pith and first readings"]["taps"] <= 20
    assert taken["eight timbers with pins and weight"]["taps"] < 68
    assert taken["ten readings, the numbers known"]["taps"] <= 25
    assert max(taken[job]["taps"] for job in ("move it", "cut it to length", "plane it")) < 6
    assert max(taken[job]["screens"] for job in ("move it", "cut it to length", "plane it")) < 1
