"""Add timber by touch: few taps, no signal, a killed browser, sent twice, two phones with one tag."""

import importlib.util
import time
from pathlib import Path

import pytest
from PIL import Image
from playwright.sync_api import expect

from baulk.ingest import photos
from baulk.ingest import shop as shop_module
from baulk.models.quantity import Owner

pytestmark = pytest.mark.browser


def _load(name):
    path = Path(__file__).parent / name
    spec = importlib.util.spec_from_file_location(path.stem + "_of_add_tests", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


browse = _load("conftest.py")


@pytest.fixture
def picture(tmp_path):
    path = tmp_path / "butt.jpg"
    Image.new("RGB", (2400, 1800), (170, 130, 80)).save(path)
    return path


def entered(shop):
    with shop_module.open(shop) as s:
        return s.register.list()


class Add:
    """A finger on the page, which counts what it touches."""

    def __init__(self, page, pages):
        self.page, self.keys, self.taps = page, 0, 0
        page.goto(f"{pages.base}/field/add")
        expect(page.locator("#next")).to_be_enabled()

    def tap(self, where):
        self.page.locator(where).tap()
        self.taps += 1

    def type(self, *numbers):
        for n, number in enumerate(numbers):
            if n:
                self.tap("#onward")
            for key in number:
                self.page.locator(f'[data-key="{key}"]').tap()
                self.keys += 1

    def finger(self, x, y):
        """Touch the picture at a place, slide to another, lift; the magnifier is seen meanwhile."""
        box = self.page.locator("#canvas").bounding_box()
        at = [
            {"x": box["x"] + each[0] * box["width"], "y": box["y"] + each[1] * box["height"]}
            for each in ((x - 0.1, y), (x, y))
        ]
        send = self.page.context.new_cdp_session(self.page).send
        send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [at[0]]})
        send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [at[1]]})
        expect(self.page.locator("#lens")).to_be_visible()
        send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
        self.taps += 1

    def fill(self, picture=None, weight="231"):
        """Go through the four screens."""
        if picture:
            self.page.locator("#camera").set_input_files(str(picture))
            self.taps += 1
            expect(self.page.locator("#preview")).to_be_visible()
        self.tap("#next")
        self.type("8", "8", "8")
        self.tap("#pith")
        if picture:
            self.finger(0.2, 0.1)
            self.finger(0.8, 0.9)
        self.finger(0.55, 0.45)
        expect(self.page.locator("#pith-says")).to_contain_text("Boxed heart: the pith is")
        self.tap("#next")
        self.type("6", "6")
        if self.page.locator("#wood").input_value() != "white oak":
            self.tap('#woods button:text-is("white oak")')
        self.tap("#next")
        self.type(weight, ["OL"], "1")
        self.tap("#next")

    def says(self, text):
        expect(self.page.locator("#status")).to_have_text(text, timeout=60_000)


def test_a_timber_with_photograph_pith_and_first_readings_in_few_taps(
    field_shop, field_pages, phone, picture
):
    page = browse.watch(phone().pages[0])
    add = Add(page, field_pages)
    began = time.monotonic()
    add.fill(picture)
    add.says("All sent")
    took = time.monotonic() - began
    print(f"\na timber: {add.taps} taps, {add.keys} number keys, {took:.1f} s without thinking")
    assert add.taps <= 20
    assert took < 25
    assert page.locator("#label").get_attribute("href") == "/field/label?tag=FER-11"
    expect(page.locator("#label-says")).to_contain_text("only the shop's machine reaches")
    (timber,) = [one for one in entered(field_shop) if one.tag == "FER-11"]
    assert timber.section.boxed_heart
    # across 0.6 of the picture lies the section: the pith 0.35 / 0.6 and 0.35 / 0.8 of it from the corner
    assert timber.section.pith_x_mm == pytest.approx((0.35 / 0.6 - 0.5) * 203.2, abs=3)
    assert timber.section.pith_y_mm == pytest.approx((0.5 - 0.35 / 0.8) * 203.2, abs=3)
    with shop_module.open(field_shop) as s:
        kept = photos.of(s, "FER-11")
        held = {str(one.series): one.value for one in s.store.readings(Owner.TIMBER, "FER-11")}
    assert len(kept) == 1
    assert held == {
        "timber/FER-11/weight": pytest.approx(104.8, abs=0.1),
        "timber/FER-11/pin-25.4/moisture": 30.0,
    }
    add.tap("#same")
    expect(page.locator("#photo-says")).to_be_visible()
    page.locator('[data-step="1"]').tap()
    expect(page.locator('[data-field="width"]')).to_contain_text("8 in")
    expect(page.locator("#pith-says")).to_have_text("Not said yet.")
    add.tap("#next")
    expect(page.locator("#notice")).to_have_text("Still missing: where the pith is: tap it.")
    page.locator('[data-field="width"]').tap()
    add.type("80000")
    add.tap("#next")
    expect(page.locator("#notice")).to_contain_text("A side of")
    assert browse.unreachable(page) == []
    for step in range(4):
        page.locator(f'[data-step="{step}"]').tap()
        assert browse.lost_at_twice_the_size(page) == []
    assert (page.faults, page.strangers) == ([], [])


def lose_the_answer(context, page):
    """Have signal again; the timber arrives, and the answer gets lost on the way back."""
    lost = []

    def lose(route):
        lost.append(route.fetch().status)
        route.abort()

    page.route("**/field/arrivals", lose, times=1)
    context.set_offline(False)
    until = time.monotonic() + 20
    while not lost and time.monotonic() < until:
        page.evaluate("dispatchEvent(new Event('online'))")
        page.wait_for_timeout(200)
    assert lost == [200]
    page.evaluate("dispatchEvent(new Event('online'))")


def test_no_signal_a_killed_browser_sent_twice_and_another_phone_with_the_same_tag(
    field_shop, field_pages, chromium, phone, picture
):
    context = phone()
    page = context.pages[0]
    add = Add(page, field_pages)
    page.wait_for_function("() => navigator.serviceWorker.ready.then(() => true)")
    before = {one.tag for one in entered(field_shop)}
    context.set_offline(True)
    add.fill(picture, "215")
    add.says("1 waiting to be sent")
    wished = page.locator("#got").inner_text()
    add.tap("#same")
    page.locator('[data-step="1"]').tap()
    add.tap("#pith")
    add.tap("#centre")  # the form is left half filled in
    page.wait_for_timeout(300)

    other = chromium.new_context(**browse.PHONE)  # sees the same free tag, and is first
    second = Add(other.new_page(), field_pages)
    second.fill(weight="222")
    second.says("All sent")
    assert second.page.locator("#got").inner_text() == wished
    other.close()

    context = phone()  # killed meanwhile: the page opens without signal, the form as it was left
    context.set_offline(True)
    page = browse.watch(context.pages[0])
    add = Add(page, field_pages)
    add.says("1 waiting to be sent")
    expect(page.locator("#pith-says")).to_contain_text("Boxed heart")
    lose_the_answer(context, page)
    add.says("All sent")
    new = [one.tag for one in entered(field_shop) if one.tag not in before]
    assert len(new) == 2
    add.tap("#status")
    got = next(tag for tag in new if tag != wished)
    expect(page.locator("#got")).to_have_text(got)
    expect(page.locator("#got-says")).to_contain_text(f"{wished} was taken meanwhile: write {got}")
    with shop_module.open(field_shop) as s:
        assert [len(photos.of(s, tag)) for tag in (wished, got)] == [0, 1]
    page.locator("#undo").tap()
    expect(page.locator("#got-says")).to_contain_text("taken back")
    add.says("All sent")
    assert [one.tag for one in entered(field_shop) if one.tag not in before] == [wished]
    assert page.strangers == []
