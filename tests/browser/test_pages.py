"""Every page in a real browser, on a phone and on a desk: opens, keeps to itself, fits."""

import importlib.util
import re
from pathlib import Path

import pytest
from playwright.sync_api import expect

pytestmark = pytest.mark.browser

_HERE = Path(__file__).parent


def _load(path):
    spec = importlib.util.spec_from_file_location(path.stem + "_of_browser_tests", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


browse = _load(_HERE / "conftest.py")
invented = _load(_HERE.parent / "dashboard" / "invented.py")

PAGES = {
    "yard": ("", "FER-03"),
    "timber": ("timber?tag=FER-01", "Enter a reading"),
    "arrival": ("arrival", "Tag it in"),
    "air": ("air", "History"),
}
WIDTHS = (390, 1280)


@pytest.fixture(scope="module")
def full(tmp_path_factory):
    folder = invented.shop(tmp_path_factory.mktemp("full") / "shop")
    pages = browse.Pages(folder, folder.parent / "pages.log")
    yield pages
    pages.close()


@pytest.fixture(scope="module")
def empty(tmp_path_factory):
    folder = invented.shop(tmp_path_factory.mktemp("empty") / "shop", units="metric", full=False)
    pages = browse.Pages(folder, folder.parent / "pages.log")
    yield pages
    pages.close()


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", PAGES)
def test_every_page_opens_keeps_to_itself_and_fits(full, tab, name, width):
    path, sign = PAGES[name]
    page = tab(width, 844)
    page.goto(f"{full.base}/{path}")
    expect(page.get_by_text(sign).first).to_be_visible(timeout=30_000)
    if name in {"timber", "air"}:
        expect(page.locator("[data-testid=stVegaLiteChart] canvas, [data-testid=stVegaLiteChart] svg").last).to_be_visible(timeout=30_000)  # fmt: skip # noqa: E501
    page.wait_for_timeout(1000)
    browse.shoot(page, name)
    assert page.get_by_test_id("stException").count() == 0
    assert page.faults == []
    assert page.strangers == []
    assert browse.too_wide(page) == []


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", PAGES)
def test_an_empty_shop_says_what_to_do_next(empty, tab, name, width):
    page = tab(width, 844)
    page.goto(f"{empty.base}/{name if name != 'yard' else ''}")
    sign = {"yard": "tag it in", "timber": "tag the first one in", "arrival": "Tag it in", "air": "sensor"}[
        name
    ]
    expect(page.get_by_text(sign).first).to_be_visible(timeout=30_000)
    browse.shoot(page, f"empty-{name}")
    assert page.get_by_test_id("stException").count() == 0
    assert page.faults == []
    assert page.strangers == []
    assert browse.too_wide(page) == []


def test_a_tag_in_the_yard_leads_to_its_timber(full, tab):
    page = tab(390, 844)
    page.goto(full.base)
    page.get_by_role("link", name="FER-02", exact=True).click()
    expect(page.get_by_role("heading", name="FER-02")).to_be_visible(timeout=30_000)
    assert page.url.endswith("/timber?tag=FER-02")
    expect(page.locator(".b-verdict")).to_contain_text("◧")
    expect(page.locator(".b-verdict")).to_contain_text("Rough out")


def test_the_moisture_picture_keeps_the_timber_in_proportion(full, tab):
    page = tab(1280, 900)
    page.goto(f"{full.base}/timber?tag=FER-01")
    picture = page.get_by_test_id("stVegaLiteChart").first
    expect(picture).to_be_visible(timeout=30_000)
    page.wait_for_timeout(1000)
    box = picture.bounding_box()
    assert 300 < box["width"] < 420
    assert box["height"] > 300


def choose(page, name, option):
    """Pick from a list as a person does: look whether it took, and again if the page drew itself anew."""
    box = page.locator(f".st-key-{name} input")
    for _ in range(5):
        box.click()
        box.fill(option)
        page.keyboard.press("Enter")
        page.wait_for_timeout(800)
        if box.input_value().startswith(option):
            return
    expect(box).to_have_value(re.compile(f"^{option}"), timeout=5_000)


def test_a_timber_is_tagged_in_with_fractions_on_a_phone(full, tab):
    page = tab(390, 844)
    page.goto(f"{full.base}/arrival")
    expect(page.get_by_label("Tag", exact=True)).to_have_value("FER-06", timeout=30_000)
    for name, option in (("arrival_species", "white oak"), ("arrival_use", "Deck")):
        choose(page, name, option)
    for name, typed in (("green", "8 x 7 3/4"), ("finished", "6 x 6"), ("length", "8 ft")):
        field = page.locator(f".st-key-arrival_{name} input")
        field.fill(typed)
        field.press("Enter")
        page.wait_for_timeout(300)
    expect(page.get_by_text("Not a lift for one")).to_be_visible(timeout=15_000)
    browse.shoot(page, "arrival-filled")
    page.get_by_role("button", name="Tag it in").click()
    expect(page.get_by_text("FER-06 is tagged in")).to_be_visible(timeout=15_000)
    page.get_by_text("Open FER-06").click()
    expect(page.get_by_text("being worked out")).to_be_visible(timeout=15_000)
    browse.shoot(page, "timber-new")


def test_a_weight_typed_on_the_timber_page_is_listed(full, tab):
    page = tab(390, 844)
    page.goto(f"{full.base}/timber?tag=FER-03")
    page.locator(".st-key-hand_kind").get_by_text("Weight").click(timeout=30_000)
    page.locator(".st-key-hand_weight input").fill("171 lb")
    page.get_by_role("button", name="Store it").click()
    expect(page.get_by_text("171 lb").first).to_be_visible(timeout=15_000)
    expect(page.get_by_text("by hand").first).to_be_visible(timeout=15_000)
