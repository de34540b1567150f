"""The job by hand on a phone's page: seven timbers entered, read, checked and judged, counted and timed.

The half by commands is tests/bench/test_job_by_hand.py. Nothing is checked against it but that each step does
what it is asked; a tap is a finger on the glass, a key one of a number pad or a letter, and seconds are the
machine's, without thinking or looking.
"""

import importlib.util
import os
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import expect

from baulk.ingest import shop as shop_module
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series
from baulk.models.timber import EventKind

pytestmark = [pytest.mark.browser, pytest.mark.bench, pytest.mark.timeout(1800)]
WEIGHTS = ("231", "215", "247", "224", "260", "206", "239")
SHOWN = ("28", "30", "27", "31", "29", "26", "30")


def _load(path):
    spec = importlib.util.spec_from_file_location(path.stem + "_of_job_tests", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


_HERE = Path(__file__).parent
browse, adding, walking = (_load(_HERE / name) for name in ("conftest.py", "test_add.py", "test_walk.py"))
invented = _load(_HERE.parent / "dashboard" / "invented.py")


@pytest.fixture
def yard(tmp_path):
    """A shop with one timber and a year of air; the seven of the job come beside it."""
    folder = invented.shop(tmp_path / "shop", full=False)
    with shop_module.open(folder) as s:
        one = invented.piece("FER-1", place="loft")
        s.register.add(one)
        s.store.append(invented.readings(one.tag, 48.0, last=invented.NOW - timedelta(days=40)))
        s.store.save_evaluation(one.tag, invented.NOW, invented.evaluation(one))
        now = datetime.now(UTC)
        for place in s.register.places():
            for what, value in (("temp", 14.0), ("humidity", 70.0)):
                series = Series.parse(f"air/{place.name}/{what}")
                s.store.append(
                    Reading(series=series, value=value + k % 3, taken_utc=at, arrived_utc=at)
                    for k in range(4 * 365)
                    for at in (now - k * timedelta(hours=6),)
                )
    return folder


@pytest.fixture
def served(yard):
    running = browse.Pages(yard, yard.parent / "pages.log")
    yield running
    running.close()


class Told:
    """What each part of the job took."""

    def __init__(self):
        self.rows = []

    def part(self, name, taps, keys, began):
        self.rows.append((name, taps, keys, time.monotonic() - began))

    def __str__(self):
        rows = [f"{name}: {taps} taps, {keys} keys, {s:.0f} s" for name, taps, keys, s in self.rows]
        taps, keys, seconds = (sum(row[n] for row in self.rows) for n in (1, 2, 3))
        return "\n".join((*rows, f"in all: {taps} taps, {keys} keys, {seconds:.0f} s of machine"))


class Weighed(adding.Add):
    """A finger that enters a timber with its weight; pins come with the walk."""

    def type(self, *numbers):
        super().type(*(numbers[:1] if ["OL"] in numbers else numbers))


def enter_seven(page, served, told):
    began = time.monotonic()
    add = Weighed(page, served)
    for n, weight in enumerate(WEIGHTS):  # of one wood and size: another weight tells it from those before
        if n:
            add.tap("#another")
        add.fill(weight=weight)
        label = f"/field/label?tag=FER-{n + 2}"  # once it is in the register
        expect(page.locator("#label")).to_have_attribute("href", label, timeout=60_000)
    told.part("seven timbers with their weights", add.taps, add.keys, began)


def walk_seven(page, served, told):
    began = time.monotonic()
    walk = walking.Walk(page, served)
    tags = [walk.save(shown) for shown in SHOWN]
    walk.says("All sent")
    told.part("a walk of seven", walk.taps, walk.keys, began)
    return tags


def check_and_undo(page, served, told):
    began, taps, keys = time.monotonic(), 0, 0
    page.goto(f"{served.base}/timber?tag=FER-2")
    page.get_by_role("button", name="Record work").tap(timeout=60_000)
    page.get_by_text("Check seen", exact=True).tap()
    taps += 2
    for label, typed in (("So wide", "1/8"), ("So deep", "2"), ("So long", "24")):
        field = page.get_by_label(label)
        field.tap()
        field.press_sequentially(typed)
        taps, keys = taps + 1, keys + len(typed)
    page.get_by_role("button", name="Save").tap()
    expect(page.locator(".b-saved")).to_contain_text("check", timeout=60_000)
    told.part("a check", taps + 1, keys, began)
    began = time.monotonic()
    page.get_by_role("button", name="Undo").first.tap()
    expect(page.locator(".b-saved")).to_contain_text("Undone", timeout=60_000)
    told.part("its undo", 1, 0, began)


def test_seven_timbers_on_a_phones_page(yard, served, phone, capfd):
    page, told = phone().pages[0], Told()
    enter_seven(page, served, told)
    with shop_module.open(yard) as s:
        assert [one.tag for one in s.register.list()] == [f"FER-{n}" for n in range(1, 9)]
    tags = walk_seven(page, served, told)
    assert len(set(tags)) == len(SHOWN)
    check_and_undo(page, served, told)
    with shop_module.open(yard) as s:
        (check,) = s.register.events("FER-2", undone=True, kind=EventKind.CHECKED)
        read = [one for tag in tags for one in s.store.readings(Owner.TIMBER, tag) if one.source == "hand"]
    assert check.undone_utc is not None
    assert {f"{one.value:g}" for one in read} >= set(SHOWN)
    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "baulk.dashboard.commands", "forecast", "--all"],
        env={**os.environ, "BAULK_SHOP": str(yard)}, check=False, capture_output=True, text=True, timeout=900,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-800:]
    told.part("the forecasts of eight, which no one waits for", 0, 0, began)
    began = time.monotonic()
    page.goto(f"{served.base}/?find=FER-2")
    page.get_by_role("link", name="FER-2").first.tap(timeout=60_000)
    expect(page.locator(".b-verdict")).to_be_visible(timeout=60_000)
    told.part("a verdict looked up", 1, 0, began)
    with capfd.disabled():
        print(f"\n{told}")
