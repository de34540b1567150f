"""Arrival: entered whole or not at all, with first readings, a photograph, the pith by a tap, and labels."""

from __future__ import annotations

import io
from datetime import UTC, datetime

import numpy as np
import pytest
import streamlit as st
from PIL import Image
from streamlit.testing.v1 import AppTest

from baulk.dashboard.queries import arrival
from baulk.dashboard.sections import arrival_label, camera
from baulk.ingest import photos
from baulk.ingest import shop as shops
from baulk.ingest.errors import RegisterError
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.quantity import Owner
from baulk.models.section import Section
from baulk.models.timber import EventKind

SECTION = Section(width_mm=200, depth_mm=180)


def photograph(width=3000, height=2000, kind="JPEG", **how):
    out = io.BytesIO()
    Image.new("RGB", (width, height), (150, 110, 60)).save(out, kind, **how)
    return out.getvalue()


def arrive(shop_folder, monkeypatch, invented, **given):
    monkeypatch.setenv("BAULK_SHOP", str(shop_folder))
    fields = {
        "tag": "FER-20",
        "species_name": "white oak",
        "green": SECTION,
        "finished": "6 x 6",
        "length": "8 ft",
        "use": "backbone-above-water",
        "place": "shed",
        "ends_sealed": True,
        "system": "inch",
        "now": invented.NOW,
    } | given
    return arrival.tag_in(**fields)


def test_a_timber_arrives_with_its_first_readings_and_picture(app, shop_folder, monkeypatch, invented):
    app.run()
    first = arrival.First(weight="210 lb", mc="45 %", depth="1 1/4")
    arrive(shop_folder, monkeypatch, invented, first=first, photo=photograph())
    with shops.open(shop_folder) as shop:
        found = {str(r.series): r.value for r in shop.store.readings(Owner.TIMBER, "FER-20")}
        kinds = [event.kind for event in shop.register.events("FER-20")]
        ((_, path),) = photos.of(shop, "FER-20")
        with Image.open(path) as kept:
            assert max(kept.size) == photos.LONGEST_SIDE
    assert found["timber/FER-20/weight"] == pytest.approx(95.25, abs=0.01)
    assert found["timber/FER-20/pin-31.75/moisture"] == 45.0
    assert kinds == [EventKind.ARRIVED, EventKind.PHOTOGRAPHED]


def test_what_is_unlikely_of_a_timber_wants_a_second_tap_and_what_cannot_be_is_refused(
    app, shop_folder, monkeypatch, invented
):
    app.run()
    with pytest.raises(OutOfRange, match="with every pore full"):
        arrive(shop_folder, monkeypatch, invented, first=arrival.First(weight="1300 lb"), sure=True)
    app.switch_page("views/arrival.py").run()
    for key, value in (
        ("arrival_tag", "FER-20"), ("arrival_green", "8 x 8"), ("arrival_finished", "6 x 6"),
        ("arrival_length", "100 ft"),
    ):  # fmt: skip
        app.text_input(key=key).set_value(value)
    app.selectbox(key="arrival_species").set_value("white oak")
    app.selectbox(key="arrival_use").set_value("backbone-above-water")
    app.button(key="arrival_go").click().run()
    assert app.error[-1].value == "Still missing: where the pith is."  # never taken as boxed without a word
    app.radio(key="arrival_pith").set_value("centre").run()
    assert any(each.value.startswith("Boxed heart") for each in app.caption)
    app.button(key="arrival_go").click().run()
    assert "A length of 100 ft is unusual" in app.warning[0].value
    app.button(key="arrival_sure").click().run()
    assert not app.exception
    assert "FER-20: white oak, 8 x 8 in green, 6 x 6 in finished, 100 ft, about" in app.success[0].value


@pytest.mark.parametrize(
    ("first", "sentence"),
    [
        (arrival.First(weight="heavy"), "heavy"),
        (arrival.First(mc="45"), "needs the depth"),
        (arrival.First(mc="wet", depth="1"), "number such as 28.5"),
        (arrival.First(mc="45", depth="30 in"), "outside the piece"),
    ],
)
def test_a_slip_in_a_first_reading_leaves_nothing_half_entered(
    app, shop_folder, monkeypatch, invented, first, sentence
):
    app.run()
    with pytest.raises(BaulkError, match=sentence):
        arrive(shop_folder, monkeypatch, invented, first=first)
    with shops.open(shop_folder) as shop:
        assert not shop.register.has("FER-20")


def test_a_photograph_is_turned_upright_and_loses_where_it_was_taken():
    exif = Image.Exif()
    exif[274] = 6  # turned by a quarter
    exif[34853] = {1: "N", 2: (51.0, 2.0, 3.0)}  # a place
    kept = photos.upright(photograph(400, 200, exif=exif))
    with Image.open(io.BytesIO(kept)) as opened:
        assert opened.size == (200, 400)
        assert not opened.getexif()


@pytest.mark.parametrize("given", [b"", b"GIF89a no", photograph()[:200]])
def test_what_is_no_picture_is_refused_in_a_sentence(given):
    with pytest.raises(RegisterError, match="no picture that can be read"):
        photos.upright(given)


def test_a_picture_of_an_unknown_timber_is_not_kept(shop_folder):
    with shops.open(shop_folder) as shop, pytest.raises(BaulkError, match="FER-99"):
        photos.keep(shop, "FER-99", photograph(), now_utc=datetime.now(UTC))
    assert not (shop_folder / photos.FOLDER / "FER-99").exists()


def test_the_pith_is_placed_between_the_tapped_corners():
    corners = [(100.0, 900.0), (500.0, 500.0)]  # y up, as the picture's axes are drawn
    middle = camera.placed([*corners, (300.0, 700.0)], SECTION)
    assert (middle.x_mm, middle.y_mm) == (pytest.approx(0), pytest.approx(0))
    high_right = camera.placed([*corners, (400.0, 800.0)], SECTION)
    assert (high_right.x_mm, high_right.y_mm) == (pytest.approx(50), pytest.approx(45))
    outside = camera.placed([*corners, (300.0, 400.0)], SECTION)
    assert outside.y_mm == pytest.approx(-135)
    assert camera.placed([corners[0], (500.0, 900.0), (1.0, 1.0)], SECTION) is None
    upper_right = (corners[1][0], corners[0][1] - 5.0)  # the next corner, where the opposite one is asked for
    assert camera.placed([corners[0], upper_right, (300.0, 700.0)], SECTION) is None
    assert camera.placed([corners[1], corners[0], (300.0, 700.0)], SECTION) is None


def test_two_taps_tell_the_radius_of_the_heartwood(app):
    taps = [(100.0, 900.0), (500.0, 500.0), (300.0, 700.0), (400.0, 800.0)]  # corners, pith, boundary; y up
    seen = {}

    def on_page(session):
        session["arrival_taps"] = taps
        seen["all"] = camera.sapwood_on_photograph(SECTION)
        session["arrival_taps"] = taps[:3]
        seen["three"] = camera.sapwood_on_photograph(SECTION)

    on_page(st.session_state)
    assert seen == {"all": pytest.approx(np.hypot(50, 45)), "three": None}


def test_the_sapwood_is_told_by_its_width_and_makes_the_timber_lighter_or_heavier(app, shop_folder):
    app.run()
    app.switch_page("views/arrival.py").run()
    for key, typed in (("green", "8 x 8"), ("length", "12 ft")):
        app.text_input(key=f"arrival_{key}").set_value(typed)
    app.selectbox(key="arrival_species").set_value("loblolly pine").run()
    assert any("with much sapwood" in each.value for each in app.warning)
    app.radio(key="arrival_sapwood").set_value("width").run()
    app.text_input(key="arrival_sapwood_width").set_value("none").run()
    assert not app.exception
    # all heartwood: 5.333 cu ft of 62.4 lb times 0.47 times 1.33 is 208 lb (Wood Handbook, Table 4-1: 33 %)
    assert any("about 208 lb," in each.value for each in app.warning)
    app.radio(key="arrival_sapwood").set_value("tap").run()
    assert any("Tap where the sapwood begins" in each.value for each in app.caption)
    app.radio(key="arrival_sapwood").set_value("width").run()
    app.text_input(key="arrival_sapwood_width").set_value("2 in").run()
    app.text_input(key="arrival_finished").set_value("6 x 6")
    app.selectbox(key="arrival_use").set_value("frame-outdoors")
    app.text_input(key="arrival_tag").set_value("PIN-09")
    app.radio(key="arrival_pith").set_value("centre").run()
    app.button(key="arrival_go").click().run()
    assert not app.exception
    with shops.open(shop_folder) as shop:
        found = shop.register.get("PIN-09")
    assert found.heartwood_mm == pytest.approx(np.hypot(101.6, 101.6) - 50.8)


def test_the_page_offers_the_labels_at_once(app, shop_folder, monkeypatch, invented):
    app.run()
    app.switch_page("views/arrival.py").run()
    app.session_state["arrival_last"] = "FER-01"
    app.run()
    assert not app.exception
    assert "FER-01 is saved" in app.success[0].value
    assert app.selectbox(key="label_choice") is not None
    assert any("only this machine reaches" in each.value for each in app.warning)


def fill(app, **more):
    given = {
        "green": "8 x 7", "finished": "6 x 6", "length": "8", "weight": "210", "mc": "OL", "depth": "1 1/4",
        "pith_x": "1", "pith_y": "-1/2",
    }  # fmt: skip
    app.radio(key="arrival_pith").set_value("place").run()
    for name, text in (given | more).items():
        app.text_input(key=f"arrival_{name}").set_value(text)
    app.selectbox(key="arrival_species").set_value("white oak")
    app.selectbox(key="arrival_use").set_value("deck")
    return app.run()


def test_after_saving_nothing_measured_stays_and_a_second_press_makes_no_twin(app, shop_folder):
    app.run()
    fill(app.switch_page("views/arrival.py").run())
    app.button(key="arrival_go").click().run()
    assert not app.exception
    with shops.open(shop_folder) as shop:
        before = [each.tag for each in shop.register.list()]
        assert shop.register.get("FER-06").section.pith_x_mm == pytest.approx(25.4)
    for name in ("green", "finished", "length", "weight", "mc", "depth"):
        assert app.text_input(key=f"arrival_{name}").value == ""
    assert app.radio(key="arrival_pith").value is None
    assert (app.text_input(key="arrival_tag").value, app.selectbox(key="arrival_species").value) == (
        "FER-07",
        "white oak",
    )
    app.button(key="arrival_go").click().run()
    assert "the green size" in app.error[-1].value
    app.button(key="saved-undo-1").click().run()
    with shops.open(shop_folder) as shop:
        assert before == [*(each.tag for each in shop.register.list()), "FER-06"]
        assert shop.store.readings(Owner.TIMBER, "FER-06") == []


def scripts(app):
    """Give what the page lets the browser do."""
    return [each.proto.body for each in app.get("html") if "<script>" in each.proto.body]


def test_the_label_comes_with_save_for_whoever_wants_it_so_and_again_another_day(app, monkeypatch):
    app.run()
    page = app.switch_page("views/arrival.py").run()
    assert page.checkbox(key="label_with_save").value is False
    fill(page)
    app.button(key="arrival_go").click().run()
    assert scripts(app) == []  # nobody asked for it
    app.checkbox(key="label_with_save").check().run()
    assert any("baulk_label" in each and "2.4 x 1.1 in" in each for each in scripts(app))
    assert not any("/field/label" in each for each in scripts(app))  # of the one saved before
    fill(app, green="10 x 9", weight="")
    app.button(key="arrival_go").click().run()
    (taken,) = scripts(app)
    assert '"/field/label?tag=FER-07&sheet=2.4+x+1.1+in"' in taken
    assert "link.click()" in taken
    assert "open(" not in taken  # a window would be held back
    monkeypatch.setattr(arrival_label.preferences, "kept", {arrival_label.COOKIE: "62 x 29 mm"}.get)
    anew = AppTest.from_file(app._script_path, default_timeout=60).run()
    anew.switch_page("views/arrival.py").run()
    assert anew.checkbox(key="label_with_save").value is True
    assert anew.session_state["label_sheet"] == "62 x 29 mm"


def test_a_tag_cannot_end_the_script_that_takes_its_label():
    made = arrival_label.taking("</script><b>", "62 x 29 mm", 1)
    assert made.count("<") == 2  # where the script begins and ends


def test_what_is_filled_in_outlives_a_reload_and_another_page(app, shop_folder):
    app.run()
    fill(app.switch_page("views/arrival.py").run(), tag="KEEL-1")
    address = dict(app.query_params)
    app.switch_page("views/readings.py").run()
    app.switch_page("views/arrival.py").run()
    assert app.text_input(key="arrival_green").value == "8 x 7"
    anew = AppTest.from_file(app._script_path, default_timeout=60)  # another session, as after a reload
    anew.run()
    anew.query_params.update(address)
    anew.switch_page("views/arrival.py").run()
    assert not anew.exception
    held = {
        name: anew.text_input(key=f"arrival_{name}").value for name in ("tag", "green", "weight", "pith_y")
    }
    assert held == {"tag": "KEEL-1", "green": "8 x 7", "weight": "210", "pith_y": "-1/2"}
    assert anew.selectbox(key="arrival_use").value == "deck"
    assert anew.radio(key="arrival_pith").value == "place"


@pytest.mark.parametrize("broken", ["{", "[1]", '{"arrival_use": "no such use", "arrival_green": 7}'])
def test_a_broken_address_gives_an_empty_form(app, broken):
    app.run()
    app.query_params["draft"] = broken
    app.switch_page("views/arrival.py").run()
    assert not app.exception
    assert app.text_input(key="arrival_green").value == ""
    assert app.selectbox(key="arrival_use").value is None


def test_the_page_says_at_once_that_little_is_left(app, shop_folder, monkeypatch, invented):
    small = {"green": Section(width_mm=156, depth_mm=156), "tag": "FER-21"}
    arrive(shop_folder, monkeypatch, invented, **small)
    said = arrival.little_left("FER-21", "inch")
    assert said is not None
    assert said.startswith("It no longer comes out at 6 x 6 in")
    arrive(shop_folder, monkeypatch, invented, tag="FER-22", green=Section(width_mm=230, depth_mm=230))
    assert arrival.little_left("FER-22", "inch") is None
    app.run()
    app.switch_page("views/arrival.py").run()
    app.session_state["arrival_last"] = "FER-21"
    app.run()
    assert any("no longer comes out at" in each.value for each in app.warning)


def test_the_pith_can_be_tapped_once_the_size_is_typed(app):
    app.run()
    app.switch_page("views/arrival.py").run()
    app.radio(key="arrival_pith").set_value("tap").run()
    assert any("Type the green size first" in each.value for each in app.caption)
    app.text_input(key="arrival_green").set_value("8 x 7").run()
    assert not app.exception
    assert any("Tap where the growth rings" in each.value for each in app.caption)
