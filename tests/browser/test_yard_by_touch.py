"""The yard by touch on a phone: filter and Back, the plan drawn by dragging, a connection lost."""

import importlib.util
import re
from pathlib import Path

import pytest
from playwright.sync_api import expect

from baulk.ingest import shop as shop_module

pytestmark = pytest.mark.browser

_HERE = Path(__file__).parent


def _load(path):
    spec = importlib.util.spec_from_file_location(path.stem + "_of_touch_tests", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


browse = _load(_HERE / "conftest.py")
busy = _load(_HERE / "busy.py")
invented = _load(_HERE.parent / "dashboard" / "invented.py")


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    return busy.shop(tmp_path_factory.mktemp("touch") / "shop", invented)


@pytest.fixture(scope="module")
def pages(shop):
    running = browse.Pages(shop, shop.parent / "pages.log")
    yield running
    running.close()


@pytest.fixture
def phone(chromium, pages):
    context = chromium.new_context(viewport={"width": 390, "height": 600}, has_touch=True, is_mobile=True)
    yield browse.watch(context.new_page())
    context.close()


def drag(page, start, end, steps=6):
    """Move one finger over the screen."""
    line = page.context.new_cdp_session(page)

    def touch(kind, *at):
        line.send(
            "Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": x, "y": y} for x, y in at]}
        )

    touch("touchStart", start)
    for n in range(1, steps + 1):
        share = n / steps
        touch("touchMove", tuple(a + (b - a) * share for a, b in zip(start, end, strict=True)))
        page.wait_for_timeout(30)
    touch("touchEnd")


def middle(box):
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def scrolled(page):
    return page.get_by_test_id("stMain").evaluate("e => e.scrollTop")


def test_a_tile_filters_a_row_opens_and_back_restores_filter_and_place(pages, phone):
    phone.goto(pages.base)
    rows = phone.locator(".b-timber")
    expect(rows).to_have_count(9, timeout=60_000)
    phone.locator(".b-tile", has_text="Read these").tap()
    expect(rows).to_have_count(5)
    assert phone.url.endswith("/?show=read")
    phone.get_by_test_id("stMain").evaluate("e => { e.scrollTop = 350; }")
    phone.wait_for_timeout(400)
    before = scrolled(phone)
    assert before > 100
    rows.filter(has_text="FER-07").tap()
    expect(phone.get_by_role("heading", name="FER-07")).to_be_visible(timeout=60_000)
    assert phone.title() == "FER-07 · Baulk"
    phone.go_back()
    expect(rows).to_have_count(5, timeout=60_000)
    phone.wait_for_function("document.querySelector('[data-testid=stMain]').scrollTop > 100")
    assert scrolled(phone) == pytest.approx(before, abs=5)
    phone.reload()
    expect(rows).to_have_count(5, timeout=60_000)
    phone.go_back()
    expect(rows).to_have_count(9, timeout=60_000)
    phone.locator(".st-key-q input").press_sequentially("rack", delay=20)
    expect(rows).to_have_count(2)  # while typing, no key pressed after it
    assert phone.faults == []


def test_a_tag_is_changed_by_touch_and_undone(pages, phone):
    phone.goto(f"{pages.base}/timber?tag=FER-05&open=history")
    phone.get_by_text("Edit timber", exact=True).tap()
    box = phone.get_by_role("textbox", name="Tag", exact=True)
    expect(box).to_have_value("FER-05", timeout=60_000)
    browse.settled(phone)
    box.fill("FER-50")
    browse.shoot(phone, "timber-edit-tag")
    save, bar = phone.get_by_role("button", name="Save", exact=True), phone.locator(".st-key-saved")
    assert min(each.bounding_box()["height"] for each in (save, box)) >= 44
    save.tap()
    expect(bar).to_contain_text("Saved for FER-50: tag changed from FER-05 to FER-50.", timeout=60_000)
    expect(phone.get_by_role("heading", name="FER-50")).to_be_visible(timeout=60_000)
    assert "tag=FER-50" in phone.url
    bar.get_by_role("button", name="Undo").tap()
    expect(phone.get_by_role("heading", name="FER-05")).to_be_visible(timeout=60_000)
    assert phone.faults == []


def test_a_timber_is_dragged_undo_brings_it_back_and_a_lost_connection_is_told(shop, pages, phone, tmp_path):
    phone.goto(f"{pages.base}/?view=plan")
    chip = phone.locator("a.chip", has_text="FER-03")
    expect(chip).to_be_visible(timeout=60_000)
    browse.settled(phone)
    phone.locator(".plan").scroll_into_view_if_needed()
    to = phone.locator(".place[data-name=rack] .name")
    drag(phone, middle(chip.bounding_box()), middle(to.bounding_box()))
    bar = phone.locator(".st-key-saved")
    expect(bar).to_contain_text("FER-03 is moved to rack.", timeout=60_000)
    expect(phone.get_by_role("status").filter(has_text="FER-03 is moved")).to_be_attached()
    box, menu = bar.bounding_box(), phone.locator(".st-key-menu").bounding_box()
    assert box["y"] + box["height"] <= menu["y"]
    main = phone.locator(".stMain")
    phone.wait_for_function("document.documentElement.dataset.saved === 'yes'")
    assert main.bounding_box()["y"] + main.bounding_box()["height"] <= box["y"]  # it covers no button
    browse.shoot(phone, "yard-moved")
    undo = bar.get_by_role("button", name="Undo")
    assert undo.bounding_box()["height"] >= 44
    undo.tap()
    expect(bar).to_contain_text("FER-03 is where it was.", timeout=60_000)
    with shop_module.open(shop) as s:
        assert s.register.get("FER-03").place == "shed"
    # the same by keyboard: selected, a place chosen, left, and put there
    browse.settled(phone)
    said = phone.locator(".told")
    chip.focus()
    for key, told in (
        (" ", "FER-03 is selected, on shed"),
        ("ArrowRight", "FER-03: to rack?"),
        ("Escape", "FER-03 stays on shed."),
    ):
        phone.keyboard.press(key)
        expect(said).to_contain_text(told)
    for key in (" ", "ArrowRight", "Enter"):
        phone.keyboard.press(key)
    expect(bar).to_contain_text("FER-03 is moved to rack.", timeout=60_000)
    expect(chip).to_be_focused()
    # the connection is lost, and comes back
    pages.close()
    expect(phone.get_by_role("alert")).to_have_text(re.compile("No connection to the shop"), timeout=60_000)
    assert phone.get_by_role("dialog").count() == 0
    expect(bar).to_be_hidden(timeout=60_000)
    again = browse.Pages(shop, tmp_path / "again.log", port=pages.port)
    try:
        expect(phone.get_by_text("No connection to the shop")).to_be_hidden(timeout=60_000)
        assert phone.get_by_role("dialog").count() == 0
    finally:
        again.close()
