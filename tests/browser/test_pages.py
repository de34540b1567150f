"""Every page in a real browser, on a phone and on a desk: opens, keeps to itself, fits, is within reach."""

import importlib.util
import re
from pathlib import Path

import pytest
from playwright.sync_api import expect

from baulk.ingest import shop as shop_module
from baulk.models.quantity import Owner

pytestmark = pytest.mark.browser

_HERE = Path(__file__).parent


def _load(path):
    spec = importlib.util.spec_from_file_location(path.stem + "_of_browser_tests", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


browse = _load(_HERE / "conftest.py")
busy = _load(_HERE / "busy.py")
invented = _load(_HERE.parent / "dashboard" / "invented.py")

WIDTHS = (390, 1280)


@pytest.fixture(scope="module")
def full(tmp_path_factory):
    folder = busy.shop(tmp_path_factory.mktemp("full") / "shop", invented)
    pages = browse.Pages(folder, folder.parent / "pages.log")
    pages.folder = folder
    yield pages
    pages.close()


@pytest.fixture(scope="module")
def empty(tmp_path_factory):
    folder = invented.shop(tmp_path_factory.mktemp("empty") / "shop", units="metric", full=False)
    pages = browse.Pages(folder, folder.parent / "pages.log")
    yield pages
    pages.close()


def inspect(page, name):
    """Keep a picture, and hold the page to everything that holds for each of them."""
    browse.settled(page)
    browse.shoot(page, name)
    assert page.get_by_test_id("stException").count() == 0
    assert page.faults == []
    assert page.strangers == []
    assert browse.too_wide(page) == []
    assert browse.unreachable(page) == []
    if page.viewport_size["width"] < 500:
        assert browse.too_small(page) == []
    assert browse.lost_at_twice_the_size(page) == []


def unfold(page):
    """Open every fold."""
    for fold in page.locator("[data-testid=stExpander] summary").all():
        if not fold.evaluate("e => e.parentElement.open"):
            fold.click()


def type_in(page, name, text):
    field = page.locator(f".st-key-{name} input")
    field.fill(text)
    field.press("Tab")
    browse.settled(page)


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
    expect(box).to_have_value(re.compile(f"^{option}"), timeout=60_000)


FOLDS = "why.forecast.stays.readings.earlier.if.checks.lies.history.source.files"


def open_all(page):
    """Come to a timber by an address that opens every fold."""
    page.goto(f"{page.url}&open={FOLDS}")
    expect(page.get_by_text("Drying record")).to_be_visible(timeout=60_000)
    expect(page.locator("[data-testid=stVegaLiteChart] svg.marks").last).to_be_visible(timeout=60_000)


def ask_what_if(page):
    page.locator(".st-key-fold-if summary").click()
    page.get_by_role("button", name="Calculate").click(timeout=60_000)  # while the fold is still being drawn
    page.locator(".st-key-fold-lies summary").click()  # a new run takes the place of the one that was pressed
    expect(page.get_by_text("Nothing of this is kept")).to_be_visible(timeout=120_000)
    browse.settled(page)
    page.locator(".st-key-fold-lies summary").click()
    browse.settled(page)
    expect(page.get_by_text("Nothing of this is kept")).to_be_visible()


def tap_the_pith(page):
    type_in(page, "arrival_green", "8 x 7 3/4")
    page.get_by_text("tap it on a picture").click()
    drawn = page.locator(".st-key-arrival_tap_box img")
    expect(drawn).to_be_visible(timeout=60_000)
    browse.settled(page)
    box = drawn.bounding_box()
    drawn.click(position={"x": 0.6 * box["width"], "y": 0.4 * box["height"]})
    expect(page.get_by_text(re.compile("Pith .* right and .* above of the centre"))).to_be_visible(
        timeout=60_000
    )


def read_one(page):
    choose(page, "reading_tag", "FER-01")
    expect(page.get_by_label("Meter says")).to_be_visible(timeout=60_000)
    page.get_by_label("Meter says").fill("7")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("button", name="Save anyway")).to_be_visible(timeout=60_000)


def plan_the_air(page):
    page.get_by_role("button", name=re.compile("Calculate( again)?")).click()
    expect(page.get_by_text("What could be done")).to_be_visible(timeout=90_000)
    unfold(page)


def size_to_order(page):
    type_in(page, "plan_finished", "6 x 6")
    type_in(page, "plan_length", "10 ft")
    choose(page, "plan_species", "white oak")
    expect(page.locator("img.b-picture")).to_be_visible(timeout=60_000)
    unfold(page)


def from_a_timber(page):
    page.get_by_text("From a timber").click()
    expect(page.locator("img.b-drawing")).to_be_visible(timeout=60_000)


def parts_and_buying(page):
    page.get_by_role("radio", name="Parts").click()
    expect(page.get_by_text("can be cut from the yard")).to_be_visible(timeout=60_000)


PAGES = {
    "yard": ("", "FER-03", {"open": unfold}),
    "yard-plan": ("?view=plan", "New place", {}),
    "timber": ("timber?tag=FER-01", "Add reading", {"open": open_all}),
    "timber-ready": ("timber?tag=FER-03", "Add reading", {"what-if": ask_what_if}),
    "add": ("add", "Save timber", {"tapped": tap_the_pith}),
    "readings": ("readings", "Walk: read timber after timber", {"one": read_one}),
    "air": ("air", "History", {"plan": plan_the_air}),
    "plans": (
        "plans",
        "I need a piece of",
        {"order": size_to_order, "timber": from_a_timber, "parts": parts_and_buying},
    ),
    "sensors": ("sensors", "report as they should", {"open": unfold}),
    "files": ("files", "Import and export", {"open": unfold}),
}
EMPTY = {
    "yard": "No timber is entered yet",
    "timber": "enter the first one",
    "add": "Save timber",
    "readings": "enter the first one",
    "air": "No air has been measured yet",
    "plans": "Type the finished size",
    "sensors": "No sensor has spoken yet",
}


def at_both_widths(page, name):
    """Inspect what is shown as a phone shows it and as a desk does; it is the phone's again after."""
    height = page.viewport_size["height"]
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": height})
        inspect(page, name)
    page.set_viewport_size({"width": WIDTHS[0], "height": height})


@pytest.mark.parametrize("name", PAGES)
def test_every_page_opens_keeps_to_itself_fits_and_is_within_reach(full, tab, name):
    path, sign, states = PAGES[name]
    for width in reversed(WIDTHS):  # the phone's is gone on with: what is reached there is reached on a desk
        page = tab(width, 844)
        page.goto(f"{full.base}/{path}")
        expect(page.get_by_text(sign).first).to_be_visible(timeout=60_000)
        inspect(page, name)
    page.emulate_media(color_scheme="dark")
    page.wait_for_timeout(300)
    assert browse.unreachable(page) == []
    page.emulate_media(color_scheme="light")
    for state, reach in states.items():
        reach(page)
        at_both_widths(page, f"{name}-{state}")


@pytest.mark.parametrize("name", EMPTY)
def test_an_empty_shop_says_what_to_do_next(empty, tab, name):
    page = tab(WIDTHS[0], 844)
    page.goto(f"{empty.base}/{name if name != 'yard' else ''}")
    expect(page.get_by_text(EMPTY[name]).first).to_be_visible(timeout=60_000)
    at_both_widths(page, f"empty-{name}")


def test_the_menu_of_a_phone_is_within_reach_of_a_thumb_and_more_holds_the_rest(full, tab):
    page = tab(390, 844)
    page.goto(full.base)
    menu = page.locator(".st-key-menu")
    expect(menu).to_be_visible(timeout=60_000)
    browse.settled(page)
    box = menu.bounding_box()
    assert box["y"] + box["height"] == pytest.approx(844, abs=1)
    assert box["height"] < 70
    shown = [each.inner_text() for each in menu.locator("a, button").all() if each.is_visible()]
    assert shown[:3] == ["Yard", "Walk", "Add"]
    page.get_by_role("button", name="More").click()
    expect(page.get_by_text("millimetres, kilograms")).to_be_visible(timeout=60_000)
    browse.settled(page)
    browse.shoot(page, "more")
    page.get_by_role("link", name="Sensors").click()
    expect(page.get_by_text("report as they should")).to_be_visible(timeout=60_000)
    expect(page.get_by_text("millimetres, kilograms")).to_be_hidden()
    assert page.url.endswith("/sensors")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_paper_is_white_under_the_guide_and_its_words_are_dark(full, tab, scheme):
    page = tab()
    page.emulate_media(color_scheme=scheme)
    page.goto(f"{full.base}/guide?page=operating")
    expect(page.locator(".b-guide pre").first).to_be_visible(timeout=60_000)
    page.emulate_media(media="print", color_scheme=scheme)
    behind, words = page.evaluate(
        """() => {
          const style = (e) => getComputedStyle(e), behind = new Set(), words = new Set();
          for (const said of document.querySelectorAll('.b-guide :is(h1, h2, p, li, td, pre, code)')) {
            words.add(style(said).color);
            for (let e = said; e; e = e.parentElement) behind.add(style(e).backgroundColor);
          }
          return [[...behind], [...words]];
        }"""
    )
    assert set(behind) <= {"rgb(255, 255, 255)", "rgba(0, 0, 0, 0)"}
    assert "rgb(255, 255, 255)" in behind
    for each in words:
        assert max(int(part) for part in re.findall(r"\d+", each)[:3]) < 80, each


def test_a_tag_in_the_yard_leads_to_its_timber(full, tab):
    page = tab(390, 844)
    page.goto(full.base)
    page.locator(".b-timber", has_text="FER-02").click()
    expect(page.get_by_role("heading", name="FER-02")).to_be_visible(timeout=60_000)
    assert page.url.endswith("/timber?tag=FER-02")
    expect(page.locator(".b-verdict")).to_contain_text("◧")
    expect(page.locator(".b-verdict")).to_contain_text("Rough out")


def test_a_timber_answers_on_the_first_screen_of_a_phone_and_a_reading_pressed_twice_is_stored_once(
    full, tab
):
    page = tab(390, 844)
    page.goto(f"{full.base}/timber?tag=FER-03")
    add = page.get_by_role("button", name="Add reading")
    expect(add).to_be_visible(timeout=60_000)
    browse.settled(page)
    menu = page.locator(".st-key-menu").bounding_box()["y"]
    for what in ("h1", ".b-verdict", "img.b-picture", ".st-key-timber-do"):
        box = page.locator(what).first.bounding_box()
        assert box["y"] + box["height"] <= menu, what
    main = page.get_by_test_id("stMain")
    assert main.evaluate("e => e.scrollHeight") <= 2.5 * 844
    assert len(main.inner_text().split()) <= 250
    natural = page.locator("img.b-picture").evaluate("e => e.naturalWidth / e.naturalHeight")
    shown = page.locator("img.b-picture").bounding_box()
    assert shown["width"] / shown["height"] == pytest.approx(natural, rel=0.01)
    add.click()
    page.get_by_text("Weight", exact=True).click()
    weight = page.get_by_label("Weight", exact=True)
    weight.fill("180 lb")
    browse.settled(page)
    save = page.get_by_role("button", name="Save", exact=True)
    before = save.bounding_box()
    weight.press("End")
    page.wait_for_timeout(600)
    assert save.is_enabled()
    assert save.bounding_box() == before  # it does not move under the finger
    save.dblclick()
    told = page.locator(".b-saved")
    expect(told).to_contain_text("Saved for FER-03: 180 lb", timeout=60_000)
    box = told.bounding_box()
    assert 0 <= box["y"] < box["y"] + box["height"] <= 844
    browse.settled(page)
    with shop_module.open(full.folder) as s:
        found = s.store.readings(Owner.TIMBER, "FER-03")
        assert [each.value for each in found if each.source == "hand"] == [pytest.approx(81.65, abs=0.01)]
    browse.shoot(page, "timber-saved")


def test_work_is_recorded_in_four_taps_and_taken_back_with_a_fifth(full, tab):
    page = tab(390, 844, fresh=True)
    page.goto(f"{full.base}/timber?tag=FER-02")
    page.get_by_role("button", name="Record work").click(timeout=60_000)
    page.get_by_text("Cut to length", exact=True).click()
    page.get_by_label("Length that is left").fill("7 ft")
    save = page.get_by_role("button", name="Save", exact=True)
    expect(save).to_be_in_viewport()
    save.click()
    expect(page.locator(".b-saved")).to_contain_text("Saved: cut to 7 ft", timeout=60_000)
    page.locator(".st-key-saved button").click()
    expect(page.locator(".b-saved")).to_contain_text("Undone: cut to 7 ft", timeout=60_000)
    with shop_module.open(full.folder) as s:
        assert s.register.get("FER-02").length_mm == pytest.approx(2438.4)


LOW = "(e) => e.getBoundingClientRect().top + document.querySelector('[data-testid=stMain]').scrollTop"


def test_a_timber_is_tagged_in_with_fractions_on_a_phone(full, tab):
    page = tab(390, 844)
    page.goto(f"{full.base}/add")
    expect(page.get_by_label("Tag", exact=True)).to_have_value("FER-10", timeout=60_000)
    save_button = page.get_by_role("button", name="Save timber")
    for name, option in (("arrival_species", "white oak"), ("arrival_use", "Deck")):
        choose(page, name, option)
    for name, typed in (("green", "8 x 7 3/4"), ("finished", "6 x 6"), ("length", "8 ft")):
        field = page.locator(f".st-key-arrival_{name} input")
        field.fill(typed)
        field.press("Enter")
        page.wait_for_timeout(300)
        if name == "finished":
            page.get_by_text("boxed at the centre").click()
            browse.settled(page)
            where = save_button.evaluate(LOW)
    expect(page.get_by_text("Not a lift for one")).to_be_visible(timeout=60_000)
    browse.settled(page)
    assert save_button.evaluate(LOW) == where  # nothing above it comes and goes while somebody types
    browse.shoot(page, "arrival-filled")
    save_button.click()
    expect(page.get_by_text("FER-10 is saved. Fix the tag")).to_be_in_viewport(timeout=60_000)
    for name, next_one in (("tag", "FER-11"), ("green", ""), ("finished", ""), ("length", "")):
        expect(page.locator(f".st-key-arrival_{name} input")).to_have_value(next_one)
    page.get_by_text("Open FER-10").click()
    expect(page.get_by_text("being computed")).to_be_visible(timeout=60_000)
    browse.shoot(page, "timber-new")
