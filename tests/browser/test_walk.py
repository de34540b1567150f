"""The Walk page by touch: ten readings, no signal, a killed browser, a lost answer, a clock that is wrong."""

import importlib.util
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import segno
from PIL import Image
from playwright.sync_api import expect

from baulk.ingest import photos
from baulk.ingest import shop as shop_module
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import AT_LEAST

pytestmark = pytest.mark.browser
_HERE = Path(__file__).parent
KNOWN = ("28", "30", "27", "31", "29", "26", "30", "28", "25", "27")


def _load(path):
    spec = importlib.util.spec_from_file_location(path.stem + "_of_walk_tests", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


browse = _load(_HERE / "conftest.py")


def by_hand(shop):
    with shop_module.open(shop) as s:
        found = [one for n in range(1, 11) for one in s.store.readings(Owner.TIMBER, f"FER-{n}")]
    return sorted((one for one in found if one.source == "hand"), key=lambda one: one.taken_utc)


class Walk:
    """A finger on the page, which counts what it touches."""

    def __init__(self, page, pages):
        self.page, self.keys, self.taps = page, 0, 0
        page.goto(f"{pages.base}/field/walk")
        expect(page.locator("#tag")).not_to_have_text("\u00a0")

    def tap(self, where):
        self.page.locator(where).tap()
        self.taps += 1

    def type(self, shown):
        for key in [shown] if shown == "OL" else shown:
            self.page.locator(f'[data-key="{key}"]').tap()
            self.keys += 1

    def save(self, shown):
        tag = self.page.locator("#tag").inner_text()
        self.type(shown)
        self.tap("#save")
        expect(self.page.locator("#done")).to_contain_text(f"Saved {tag}:")
        return tag

    def says(self, text):
        expect(self.page.locator("#status")).to_have_text(text, timeout=60_000)


def test_ten_readings_with_few_taps_and_the_camera(field_shop, field_pages, phone, tmp_path):
    page = browse.watch(phone().pages[0])
    walk = Walk(page, field_pages)
    assert browse.unreachable(page) == []
    small = page.evaluate(
        "() => [...document.querySelectorAll('#pad button')]"
        ".filter((e) => e.getBoundingClientRect().height < 56).map((e) => e.textContent)"
    )
    assert small == []
    expect(page.locator("#where")).to_have_text("Face b, 1 1/4\u00a0in deep, 36\u00a0in or more from an end")
    where = page.locator("#save").bounding_box()
    began = time.monotonic()
    tags = []
    for shown in KNOWN:
        tags.append(walk.save(shown))
        assert page.locator("#save").bounding_box() == where
    took = time.monotonic() - began
    print(f"\nten readings: {walk.taps} taps, {walk.keys} number keys, {took:.1f} s without thinking")
    assert tags == [f"FER-{n}" for n in range(1, 11)]
    assert walk.taps <= 25
    assert took < 20
    walk.says("All sent")
    stored = by_hand(field_shop)
    told = [(one.series.name, f"{one.value:g}") for one in stored]
    assert told == list(zip(tags, KNOWN, strict=True))
    assert {(one.series.depth_mm, str(one.series.face)) for one in stored} == {(32.0, "b")}
    browse.OUT.mkdir(exist_ok=True)
    page.screenshot(path=str(browse.OUT / "walk-390.png"))
    assert browse.lost_at_twice_the_size(page) == []
    walk.tap("#sort")
    page.get_by_role("button", name="loft").tap()
    page.get_by_role("button", name="Longest without pins").tap()
    walk.tap("#order-close")
    expect(page.locator("#tag")).to_have_text("FER-1")  # read first of those in the loft, so longest ago
    expect(page.locator("#about")).to_contain_text("loft, 1 of 5")
    shown, tags = tmp_path / "tag.png", tmp_path / "no-tag.png"
    segno.make("http://yard.local:8501/timber?tag=FER-7", micro=False).save(str(shown), scale=8, border=6)
    Image.new("RGB", (400, 300), (170, 130, 80)).save(tags)
    page.locator("#scan").set_input_files(str(tags))
    expect(page.locator("#notice")).to_contain_text("No code is to be seen", timeout=60_000)
    page.locator("#scan").set_input_files(str(shown))
    expect(page.locator("#tag")).to_have_text("FER-7", timeout=60_000)
    page.locator("#photo").set_input_files(str(tags))
    expect(page.locator("#done")).to_have_text("Photograph of FER-7 kept")
    walk.says("All sent")
    with shop_module.open(field_shop) as s:
        assert len(photos.of(s, "FER-7")) == 1
    page.faults = [
        each for each in page.faults if "/field/scan" not in each
    ]  # the answer that says there is none
    assert (page.faults, page.strangers) == ([], [])


def three_without_signal(walk):
    """Type three readings: 285 asks, what is not sent yet is undone, an unlikely weight is kept."""
    walk.type("285")
    expect(walk.page.locator("#better")).to_have_text("28.5?")
    walk.tap("#better")
    walk.save("OL")
    walk.save("29")
    walk.tap("#undo")
    walk.tap("#weight")
    walk.type("290")
    walk.tap("#save")
    expect(walk.page.locator("#question")).to_contain_text("290 lb? Likely is")
    walk.tap("#keep")
    walk.says("3 waiting to be sent")


def lose_an_answer(context, page):
    """Have signal again; the readings arrive, and their answer gets lost on the way back."""
    lost = []

    def lose(route):
        lost.append(route.fetch().status)
        route.abort()

    page.route("**/field/readings", lose, times=1)
    context.set_offline(False)  # the page sends by itself
    page.evaluate("dispatchEvent(new Event('online'))")
    until = time.monotonic() + 20
    while not lost and time.monotonic() < until:
        page.wait_for_timeout(50)
    assert lost == [200]


def put_right(walk):
    """Correct one entry in the list and take another back."""
    rows = walk.page.locator("#entries li")
    walk.tap("#show")
    rows.filter(has_text="28.5").get_by_role("button", name="Edit").tap()
    walk.tap('[data-key="Backspace"]')
    walk.type("4")
    walk.tap("#save")
    walk.tap("#show")
    rows.filter(has_text="lb").get_by_role("button", name="Undo").tap()
    walk.page.screenshot(path=str(browse.OUT / "walk-list-390.png"))
    walk.tap("#close")
    walk.says("All sent")


def test_no_signal_a_killed_browser_and_a_lost_answer_and_each_is_stored_once(field_shop, field_pages, phone):
    context = phone()
    page = context.pages[0]
    walk = Walk(page, field_pages)
    page.wait_for_function("() => navigator.serviceWorker.ready.then(() => true)")
    before = len(by_hand(field_shop))
    context.set_offline(True)
    three_without_signal(walk)
    page.wait_for_timeout(300)

    context = phone()  # killed meanwhile; the page opens without signal and knows what is waiting
    context.set_offline(True)
    page = browse.watch(context.pages[0])
    walk = Walk(page, field_pages)
    walk.says("3 waiting to be sent")
    lose_an_answer(context, page)
    page.evaluate("dispatchEvent(new Event('online'))")
    walk.says("All sent")
    new = by_hand(field_shop)[before:]
    assert [(one.series.quantity, round(one.value, 1), AT_LEAST in one.flags) for one in new] == [
        (Quantity.MOISTURE, 28.5, False),
        (Quantity.MOISTURE, 30.0, True),
        (Quantity.WEIGHT, 131.5, False),
    ]
    put_right(walk)
    left = by_hand(field_shop)[before:]
    assert [(one.value, AT_LEAST in one.flags) for one in left] == [(28.4, False), (30.0, True)]
    assert abs(new[0].taken_utc - left[0].taken_utc) < timedelta(seconds=2)
    assert page.strangers == []


def test_two_phones_one_of_them_with_a_clock_a_year_behind(field_shop, field_pages, chromium):
    before = len(by_hand(field_shop))
    now = datetime.now(UTC)
    for late_days, shown in ((0, "26"), (400, "28")):  # the same number twice would be asked about
        context = chromium.new_context(**browse.PHONE)
        context.add_init_script(f"{{const now = Date.now; Date.now = () => now() - {late_days} * 86400e3;}}")
        walk = Walk(context.new_page(), field_pages)
        walk.save(shown)
        walk.says("All sent")
        context.close()
    with_zone = chromium.new_context(timezone_id="America/New_York")
    page = with_zone.new_page()
    page.goto(f"{field_pages.base}/field/walk")  # today is that of whoever walks, not that of Greenwich
    late, past_midnight = "2026-11-26T23:40:00-05:00", "2026-11-27T00:20:00-05:00"
    told = page.evaluate(
        "([a, b]) => import('/field/measure.js').then((m) => m.ago(Date.parse(a), Date.parse(b)))",
        [late, past_midnight],
    )
    assert told == "yesterday"
    with_zone.close()
    new = by_hand(field_shop)[before:]
    assert [(one.series.name, one.value) for one in new] == [("FER-1", 26.0), ("FER-1", 28.0)]
    assert all(now <= one.taken_utc <= now + timedelta(seconds=60) for one in new)
