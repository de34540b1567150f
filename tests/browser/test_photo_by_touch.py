"""A butt end measured on its photograph by a finger on a phone's page, in a real Chromium."""

import importlib.util
import re
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import expect

from baulk.dashboard.printing import labels
from baulk.ingest import photos
from baulk.ingest import shop as shop_module
from baulk.models.timber import EventKind

pytestmark = [pytest.mark.browser, pytest.mark.timeout(240)]


def _load(path):
    spec = importlib.util.spec_from_file_location(path.stem + "_of_photo_tests", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


_TESTS = Path(__file__).parents[1]
browse = _load(_TESTS / "browser" / "conftest.py")
invented = _load(_TESTS / "dashboard" / "invented.py")
rendered = _load(_TESTS / "ingest" / "rendered_butt.py")
CAMERA = rendered.Camera(tilt=-25, turn=20)


@pytest.fixture
def served(tmp_path):
    folder = invented.shop(tmp_path / "shop", full=False)
    with shop_module.open(folder) as s:
        s.register.add(invented.piece("FER-1", place="loft"))
        words = labels.address("http://192.0.2.20:8501", "FER-1", 31.2)
        photos.keep(s, "FER-1", rendered.picture(CAMERA, words, 31.2), now_utc=datetime.now(UTC))
    running = browse.Pages(folder, tmp_path / "pages.log")
    yield folder, running
    running.close()


def test_four_taps_on_the_photograph_are_the_section_of_today(served, phone):
    folder, running = served
    page = browse.watch(phone().pages[0])
    page.goto(f"{running.base}/timber?tag=FER-1&open=files")
    page.get_by_text("Measure on a photograph").tap(timeout=60_000)
    expect(page.get_by_text("perspective is taken out")).to_be_visible(timeout=60_000)
    picture = page.locator(".tap img").first
    places = (CAMERA.seen_at(rendered.CORNERS) + 0.5) / np.array(rendered.SIZE_PX)
    for n, (x, y) in enumerate(places):
        expect(page.get_by_text(re.compile(rf"corner \({n + 1} of 4\)"))).to_be_visible(timeout=60_000)
        picture.evaluate("each => each.scrollIntoView({ block: 'center' })")
        page.wait_for_timeout(150)  # until it lies still
        box = picture.bounding_box()
        page.touchscreen.tap(box["x"] + x * box["width"], box["y"] + y * box["height"])
    expect(page.get_by_text(re.compile("It measures .* today"))).to_be_visible(timeout=60_000)
    browse.OUT.mkdir(exist_ok=True)
    page.screenshot(path=str(browse.OUT / "photo-measured-390.png"))
    page.get_by_role("button", name="Save", exact=True).tap()
    expect(page.locator(".b-saved")).to_contain_text("measured", timeout=60_000)
    with shop_module.open(folder) as s:
        (event,) = s.register.events("FER-1", kind=EventKind.MEASURED)
    told = [event.detail[name] / true for name, true in (("width_mm", 200.0), ("depth_mm", 190.0))]
    assert told == pytest.approx([1.0, 1.0], abs=0.02)  # the whole pixel of a finger on 390 is in it
    assert (page.faults, page.strangers) == ([], [])
