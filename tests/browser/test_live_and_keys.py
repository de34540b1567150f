"""Pages that go live without flicker and lose nothing that is being typed; and all of it without a mouse."""

import importlib.util
import re
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest
from playwright.sync_api import expect

from baulk.ingest import shop as shop_module
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series

pytestmark = pytest.mark.browser

_HERE = Path(__file__).parent
SOON_S = 10.0  # promised are 5 s; a loaded machine gets twice that


def _load(path):
    spec = importlib.util.spec_from_file_location(path.stem + "_of_live_tests", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


browse = _load(_HERE / "conftest.py")
busy = _load(_HERE / "busy.py")
invented = _load(_HERE.parent / "dashboard" / "invented.py")


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    return busy.shop(tmp_path_factory.mktemp("live") / "shop", invented)


@pytest.fixture(scope="module")
def pages(shop):
    running = browse.Pages(shop, shop.parent / "pages.log")
    yield running
    running.close()


def weigh(shop, tag, kg):
    """Let a weight of this moment come in, as the listener would store it."""
    at = datetime.now(UTC)
    series = Series(owner=Owner.TIMBER, name=tag, quantity=Quantity.WEIGHT)
    with shop_module.open(shop) as s:
        s.store.append([Reading(series=series, value=kg, taken_utc=at, arrived_utc=at)])


# Keeps the fewest rows that the page ever had, at every change of its tree and every picture it paints.
FEWEST_ROWS = """() => {
  const count = () => document.querySelectorAll('.b-yard tbody tr, .b-timber').length;
  window.fewest = count(); window.changes = 0; window.neverReloaded = true;
  const look = () => { window.fewest = Math.min(window.fewest, count()); };
  new MutationObserver((all) => { window.changes += all.length; look(); })
    .observe(document.body, {childList: true, subtree: true, characterData: true});
  const paint = () => { look(); requestAnimationFrame(paint); };
  requestAnimationFrame(paint);
}"""


@pytest.mark.parametrize(
    ("path", "tag", "kg", "before", "after"),
    [
        ("", "FER-08", 61.0, "48 days ago", "just now"),
        ("sensors", "FER-07", 67.5, "42 days ago", "149 lb"),
    ],
)
def test_a_reading_shows_soon_and_the_table_is_never_empty_meanwhile(
    shop, pages, tab, path, tag, kg, before, after
):
    page = tab(1280, 900)
    page.goto(f"{pages.base}/{path}")
    every = page.locator(".b-yard tbody tr" if path else ".b-timber")
    row = every.filter(has_text=tag).filter(has_text="weight" if path else tag).first
    expect(row).to_contain_text(before, timeout=60_000)
    browse.settled(page)
    if path:
        page.locator(".st-key-every-sensor summary").click()
        expect(row).to_be_visible()
    rows = every.count()
    page.evaluate(FEWEST_ROWS)
    weigh(shop, tag, kg)
    began = time.monotonic()
    row = every.filter(has_text=tag).filter(has_text=after).first
    expect(row).to_be_visible(timeout=60_000)
    took = time.monotonic() - began
    page.wait_for_timeout(3300)  # over one more look
    print(f"{path or 'yard'}: shown after {took:.1f} s")
    assert took < SOON_S
    assert page.evaluate("window.changes") > 0
    assert page.evaluate("window.fewest") == rows
    assert page.evaluate("window.neverReloaded") is True
    assert page.faults == []


@pytest.mark.parametrize(
    ("path", "field", "fold"),
    [
        ("readings?tag=FER-01", ".st-key-reading-FER-01-pins-mc-0 input", None),
        ("timber?tag=FER-01&do=reading", ".st-key-reading-FER-01-pins-mc-0 input", None),
        ("timber?tag=FER-01", ".st-key-work-FER-01-sourced-note-0 input", ".st-key-fold-source summary"),
    ],
)
def test_what_is_being_typed_outlives_readings_that_arrive(shop, pages, tab, path, field, fold):
    page = tab(390, 844)
    page.goto(f"{pages.base}/{path}")
    box = page.locator(field)
    if fold:
        page.locator(fold).click(timeout=60_000)
    expect(box).to_be_visible(timeout=60_000)
    browse.settled(page)
    box.click()
    for n, letter in enumerate("28.55"):
        page.keyboard.type(letter)
        weigh(shop, "FER-01", 81.0 - n / 100)
        page.wait_for_timeout(1100)
    assert box.input_value() == "28.55"
    assert box.evaluate("e => e === document.activeElement")
    assert page.faults == []


def test_a_form_on_a_desk_outlives_a_cut_line_and_a_reload(shop, tab, tmp_path):
    pages = browse.Pages(shop, tmp_path / "before.log")
    page = tab(1280, 900, fresh=True)
    page.goto(f"{pages.base}/add")
    typed = {"green": "8 x 7 3/4", "finished": "6 x 6"}
    for name, said in typed.items():
        page.locator(f".st-key-arrival_{name} input").press_sequentially(said)  # the last one is not left
    expect(page).to_have_url(re.compile("arrival_finished"), timeout=60_000)
    pages.close()
    expect(page.locator("#b-away")).to_contain_text("What you typed stays here", timeout=60_000)

    def there():
        return {name: page.locator(f".st-key-arrival_{name} input").input_value() for name in typed}

    assert there() == typed
    pages = browse.Pages(shop, tmp_path / "after.log", port=pages.port)
    try:
        expect(page.locator("#b-away")).to_be_hidden(timeout=60_000)
        browse.settled(page)
        assert there() == typed
        page.reload()
        expect(page.locator(".st-key-arrival_finished input")).to_have_value("6 x 6", timeout=60_000)
        assert there() == typed
    finally:
        pages.close()


NOW_AT = """() => {
  const e = document.activeElement;
  if (!e || e === document.body) return null;
  const edge = (x) => { const c = getComputedStyle(x);
    return c.outlineStyle === 'solid' && parseFloat(c.outlineWidth) >= 2; };
  let seen = false;
  for (let x = e, n = 0; x && n < 6; x = x.parentElement, n++) seen = seen || edge(x);
  const label = e.getAttribute('aria-label')
    || (e.labels && e.labels[0] && e.labels[0].innerText) || e.innerText || '';
  const r = e.getBoundingClientRect();
  return {tag: e.tagName, label: label.trim(), seen, key: (e.closest('[class*=st-key-]') || e).className};
}"""


def tab_to(page, wanted, most=60):
    """Press Tab until what has the focus is called so; return the names on the way."""
    way = []
    for _ in range(most):
        page.keyboard.press("Tab")
        at = page.evaluate(NOW_AT)
        if at is None:
            continue
        way.append(at)
        if wanted(at):
            return way
    raise AssertionError(f"not reached in {most} steps: {[each['label'][:30] for each in way]}")


def called(label):
    """Return what tells an element of this name; a fold's begins with that of its arrow."""
    return lambda at: at["tag"] != "MAIN" and any(line.startswith(label) for line in at["label"].split("\n"))


# Notes whatever gets the focus, by a name that outlives its being drawn anew, until Tab has come round; asked
# after several presses at once, since each question costs more than the press.
NOTE_FOCUS = """() => {
  window.nameOf = (e) => [e.tagName, e.getAttribute('href') || e.innerText || e.getAttribute('aria-label'),
    (e.closest('[class*=st-key-]') || {}).className].join(' ');
  const now = %s;
  window.stepped = []; window.way = []; window.round = false;
  document.addEventListener('focusin', (event) => {
    const name = window.nameOf(event.target);
    if (window.round || (window.round = name === window.stepped[0])) return;
    window.stepped.push(name);
    window.way.push(now());
  });
}"""
# What a mouse could press and Tab never came to. Of a group that the arrow keys go through, one is enough.
LEFT_OUT = """() => {
  const what = ':is(a[href], button, input, select, textarea, summary, [tabindex]):not([disabled])';
  const been = (e) => window.stepped.includes(window.nameOf(e));
  const beenIn = (e) => [...e.querySelectorAll('*')].some(been);
  const group = (e) => e.closest('[role=radiogroup], [data-testid=stButtonGroup], [role=group]');
  return [...document.querySelectorAll(what)].filter((e) => {
    const r = e.getBoundingClientRect();
    if (been(e) || r.width < 2 || r.height < 2) return false;
    if (e.tagName === 'MAIN') return false;  // its name is all its text, which readings change
    if (getComputedStyle(e).visibility === 'hidden') return false;
    if (e.closest('[inert], [aria-hidden=true], [data-testid=stVegaLiteChart]')) return false;
    if (e.tabIndex < 0) {  // a part of a field that answers as a whole, or of a group
      const whole = group(e) || e.closest('.stSelectbox, .stNumberInput, .stDateInput, .stFileUploader');
      const answers = whole && beenIn(whole);
      return !answers && e.matches('a, button, input');
    }
    const one_of = e.type === 'radio' || e.role === 'radio';
    return !(one_of && group(e) && beenIn(group(e)));
  }).map((e) => `${e.tagName} ${(e.innerText || e.getAttribute('aria-label') || e.type || '').slice(0, 40)}`);
}"""


# a field page draws what it kept first, and then what the shop says
STILL = """() => new Promise((done) => {
  let wait;
  const over = () => { watch.disconnect(); done(true); };
  const again = () => { clearTimeout(wait); wait = setTimeout(over, 700); };
  const watch = new MutationObserver(again);
  watch.observe(document.body, {subtree: true, childList: true, attributes: true, characterData: true});
  again();
})"""


def round_by_tab(page, most=150, at_once=12):
    """Go once through the page by Tab alone; return the names on the way."""
    page.evaluate(NOTE_FOCUS % NOW_AT)
    for _ in range(0, most, at_once):
        for _ in range(at_once):
            page.keyboard.press("Tab")
        # out of the page it comes in again at its beginning; what is drawn anew is come to once more
        if page.evaluate("window.round"):
            return page.evaluate("window.way.filter((at) => at)")
    raise AssertionError(f"Tab never leaves: {page.evaluate('window.stepped.slice(-5)')}")


@pytest.mark.parametrize(
    ("path", "first", "button"),
    [
        ("", "FER-03", "Export"),
        ("timber?tag=FER-01", "Add reading", "Another timber"),
        ("add", "Tag", "Save timber"),
        ("readings?tag=FER-01", "Meter says", "Save"),
        ("air", "Place", "Calculate"),
        ("plans", "Finished size", "Pieces that hold the size"),
        ("sensors", "Every sensor", "Import, export, back up"),
        ("guide", "Pins in a square timber", "Pins in a square timber"),
        ("field/walk", "List", "Save, next"),
        ("field/add", "1 Photo", "No photograph, next"),
    ],
)
def test_tab_alone_comes_to_everything_in_order_and_out_again_and_is_seen(pages, tab, path, first, button):
    page = tab(1280, 900)
    page.goto(f"{pages.base}/{path}")
    in_the_yard = path.startswith("field")
    expect(page.locator("header" if in_the_yard else ".st-key-menu")).to_be_visible(timeout=60_000)
    last = page.get_by_text(button, exact=True).or_(page.get_by_label(button, exact=True))
    expect(last.filter(visible=True).first).to_be_enabled(timeout=60_000)
    if in_the_yard:
        page.wait_for_load_state("networkidle")
        page.evaluate(STILL)
    else:
        browse.settled(page)
    way = round_by_tab(page)
    said = [each["label"] for each in way]
    if not in_the_yard:
        assert said[0] == "Skip to main content"
        menu = [each["label"] for each in way if each["tag"] == "A"][1:10]
        assert menu == [
            "Yard",
            "Timber",
            "Add timber",
            "Readings",
            "Shop air",
            "Plans",
            "Sensors",
            "Files",
            "Walk",
        ]
    begins = next((n for n, each in enumerate(way) if called(first)(each)), None)
    assert begins is not None, said
    assert [n for n, each in enumerate(way) if n >= begins and called(button)(each)], said
    # MAIN is the page itself, in reach for scrolling by arrow keys
    assert [each for each in way if not each["seen"] and each["tag"] != "MAIN"] == []
    assert page.evaluate(LEFT_OUT) == []
    assert page.locator('[tabindex]:not([tabindex="0"]):not([tabindex="-1"])').count() == 0


def test_the_field_pages_are_worked_by_the_keyboard_alone(shop, pages, tab):
    page = tab(1280, 900, fresh=True)
    page.goto(f"{pages.base}/field/walk?tag=FER-01")
    expect(page.locator("#tag")).to_have_text("FER-01")
    page.keyboard.type("31")
    page.keyboard.press("Enter")
    expect(page.locator("#done")).to_contain_text("Saved FER-01: 31 %")
    page.goto(f"{pages.base}/field/add")
    expect(page.locator("#next")).to_be_enabled()
    tab_to(page, called("No photograph, next"))
    page.keyboard.press("Enter")
    for number in ("8", "7", "9"):
        page.keyboard.type(number)
        tab_to(page, called("Next field") if number != "9" else called("Tap the pith"), 90)
        page.keyboard.press("Enter")
    expect(page.locator("#canvas")).to_be_visible()
    tab_to(page, lambda at: at["tag"] == "CANVAS")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    expect(page.locator("#pith-says")).to_contain_text("Boxed heart")
    tab_to(page, called("Next"), 90)


def test_a_timber_is_found_and_read_by_keyboard_alone(shop, pages, tab):
    page = tab(1280, 900)
    page.goto(pages.base)
    expect(page.locator(".b-timber", has_text="FER-02")).to_be_visible(timeout=60_000)
    browse.settled(page)
    tab_to(page, called("FER-02"))
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="FER-02")).to_be_visible(timeout=60_000)
    browse.settled(page)
    tab_to(page, called("Add reading"))
    page.keyboard.press("Enter")
    expect(page.get_by_label("Meter says")).to_be_visible(timeout=60_000)
    browse.settled(page)
    tab_to(page, called("Meter says"))
    page.keyboard.type("27.4")
    tab_to(page, called("Pin depth"), 3)
    page.keyboard.type("2 1/2 in")
    tab_to(page, called("Save"), 8)
    page.keyboard.press("Enter")
    expect(page.locator(".b-saved")).to_contain_text("Saved for FER-02", timeout=60_000)
    with shop_module.open(shop) as s:
        found = [r for r in s.store.latest(Owner.TIMBER, "FER-02") if r.value == pytest.approx(27.4)]
    assert [r.series.depth_mm for r in found] == [pytest.approx(63.5)]
