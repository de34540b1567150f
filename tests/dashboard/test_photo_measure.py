"""Measuring on a kept photograph from the page: taps become sizes, an event or a correction."""

import importlib.util
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from baulk.dashboard.printing import labels
from baulk.ingest import operations, photos
from baulk.ingest import shop as shop_module
from baulk.models.timber import EventKind

_SPEC = importlib.util.spec_from_file_location(
    "rendered_butt_of_the_page", Path(__file__).parents[1] / "ingest/rendered_butt.py"
)
rendered = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(rendered)

TAG = "FER-01"
CAMERA = rendered.Camera(tilt=20, turn=-10)


def tapped(places):
    """Return places of the wood as shares of the picture's width and height."""
    return [tuple(each) for each in (CAMERA.seen_at(np.array(places)) + 0.5) / np.array(rendered.SIZE_PX)]


@pytest.fixture
def measuring(app, shop_folder, invented):
    """Return the Timber page with a photograph, and a function that sets taps and runs it."""
    words = labels.address("http://192.0.2.20:8501", TAG, 31.2)
    with shop_module.open(shop_folder) as s:
        given = rendered.picture(CAMERA, words, 31.2)
        name = photos.keep(s, TAG, given, now_utc=invented.NOW - timedelta(hours=1)).name

    def measure(what, **taps):
        for each, places in {"section": rendered.CORNERS, **taps}.items():
            app.session_state[f"measure_{name}_{each.replace('_', ' ')}"] = tapped(places)
        app.selectbox(key="measure_what").set_value(what).run()
        assert not app.exception
        return app

    app.run()
    app.switch_page("views/timber.py")
    app.query_params["tag"], app.query_params["open"] = TAG, "files"
    app.run()
    app.toggle(key="measure_on").set_value(True).run()
    assert not app.exception
    return measure


def save(app):
    """The one button that saves what was measured; its key counts how often it did."""
    (found,) = [
        each for each in app.button if (each.key or "").startswith("measured-") and "-save-" in each.key
    ]
    return found


def newest(shop_folder, kind):
    with shop_module.open(shop_folder) as s:
        return next(e for e in reversed(s.register.events(TAG)) if e.kind is kind)


def test_corners_pith_and_a_check_are_read_off_the_picture_and_saved(measuring, shop_folder):
    app = measuring("section")
    assert any("perspective is taken out" in each.value for each in app.caption)
    assert any("It measures 7 7/8 x 7 1/2 in today" in each.value for each in app.info)
    save(app).click().run()
    detail = newest(shop_folder, EventKind.MEASURED).detail
    assert (detail["width_mm"], detail["depth_mm"]) == (
        pytest.approx(200, rel=0.01),
        pytest.approx(190, rel=0.01),
    )

    app = measuring("check depth", check_depth=[(20.0, 95.0), (15.0, 40.0)])
    save(app).click().run()
    assert not app.exception
    detail = newest(shop_folder, EventKind.CHECKED).detail
    assert (detail["face"], detail["depth_mm"]) == ("a", pytest.approx(55.2, rel=0.01))

    # a bevel leaves face c 40 mm from the corner and face d 24 mm above it, tapped in whichever order
    app = measuring("wane", wane=[(-100.0, -71.0), (-60.0, -95.0)])
    assert any("Wane at corner cd" in each.value for each in app.info)
    save(app).click().run()
    assert not app.exception
    detail = newest(shop_folder, EventKind.MEASURED).detail
    assert detail["wane_cd_mm"] == pytest.approx(40 * 203.2 / 200, abs=1.5)
    assert detail["wane_cd_down_mm"] == pytest.approx(24 * 196.85 / 190, abs=1.5)

    app = measuring("pith", pith=[(10.0, -15.0)])
    save(app).click().run()
    assert not app.exception
    with shop_module.open(shop_folder) as s:
        section = s.register.get(TAG).section
    # the pith lies in the section as entered, 203.2 x 196.85 mm; today's is 200 x 190
    assert section.pith_x_mm == pytest.approx(10.0 * 203.2 / 200, abs=1.0)
    assert section.pith_y_mm == pytest.approx(-15.0 * 196.85 / 190, abs=1.0)
    with shop_module.open(shop_folder) as s:  # the label on the picture goes on to be this timber's
        operations.edit_timber(s, TAG, tag="FER-61", now_utc=datetime.now(UTC))
    app.run()
    assert any("perspective is taken out" in each.value for each in app.caption)
    assert not any("The code in this picture" in each.value for each in app.warning)


def test_without_a_code_two_places_and_the_corners_take_the_slant_out(app, shop_folder, invented):
    camera = rendered.Camera(tilt=-20, turn=25)
    with shop_module.open(shop_folder) as s:
        given = rendered.picture(camera, "x", 4.0)  # too small to be read
        name = photos.keep(s, TAG, given, now_utc=invented.NOW - timedelta(hours=1)).name

    def taps(places):
        return [tuple(each) for each in (camera.seen_at(np.array(places)) + 0.5) / np.array(rendered.SIZE_PX)]

    app.run()
    app.switch_page("views/timber.py")
    app.query_params["tag"], app.query_params["open"] = TAG, "files"
    app.run()
    app.session_state[f"measure_{name}_known"] = taps([(-95.0, 90.0), (95.0, 90.0)])
    app.toggle(key="measure_on").set_value(True).run()
    app.text_input(key="measure_known").set_value("190 mm").run()
    app.session_state[f"measure_{name}_section"] = taps(rendered.CORNERS[::-1])
    app.selectbox(key="measure_what").set_value("section").run()
    assert any("clockwise" in each.value for each in app.error)
    assert app.button(key=f"measure_{name}_section_undo")  # a wrong tap can still be taken back
    app.session_state[f"measure_{name}_section"] = taps(rendered.CORNERS)
    app.run()
    assert not app.exception
    save(app).click().run()
    detail = newest(shop_folder, EventKind.MEASURED).detail
    assert (detail["width_mm"], detail["depth_mm"]) == (
        pytest.approx(200, rel=0.02),
        pytest.approx(190, rel=0.02),
    )
