"""The Readings page: the right timber by list, address or code; a hint at once; stored like any other."""

from __future__ import annotations

import io

import pytest
import segno

from baulk.dashboard.printing import labels
from baulk.dashboard.sections import camera
from baulk.ingest import photos
from baulk.ingest import shop as shops
from baulk.ingest.evaluation.document import parse
from baulk.ingest.store import notes
from baulk.ingest.walk import plausible
from baulk.models.errors import OutOfRange
from baulk.models.quantity import Owner
from baulk.models.section import Face


def open_page(app, **query):
    app.run()
    app.switch_page("views/readings.py")
    for name, value in query.items():
        app.query_params[name] = value
    app.run()
    assert not app.exception
    return app


def said(app):
    return " ".join(each.value for kind in (app.info, app.warning, app.error, app.success) for each in kind)


def test_the_page_asks_which_timber_and_leads_to_the_walk(app):
    page = open_page(app)
    assert page.selectbox(key="round_tag").value is None
    assert any('href="/field/walk"' in each.proto.body for each in page.get("html"))


def test_the_address_of_a_label_chooses_the_timber_and_the_depth_that_matters_is_said(app):
    page = open_page(app, tag="FER-02")
    assert page.selectbox(key="round_tag").value == "FER-02"
    told = " ".join(each.value for each in page.caption)
    assert "drive pins 3 in deep into face b" in told
    assert "Pins 1 1/16 in deep read about the mean" in told


def test_an_unknown_tag_in_the_address_is_said(app):
    assert "no timber FER-99" in said(open_page(app, tag="FER-99"))


def test_a_pin_reading_that_fits_is_said_to_fit_and_is_stored(app, shop_folder):
    page = open_page(app, tag="FER-03")
    page.text_input(key="round_depth-FER-03").set_value("3 in")
    page.text_input(key="round_mc-FER-03").set_value("20.5").run()
    assert "The forecast expects" in page.info[-1].value
    page.button(key="round_store-FER-03").click().run()
    assert page.text_input(key="round_mc-FER-03").value == ""
    assert not page.exception
    assert "Stored for FER-03" in said(page)
    with shops.open(shop_folder) as shop:
        hand = [r for r in shop.store.readings(Owner.TIMBER, "FER-03") if r.source == "hand"]
    assert [(r.value, r.series.depth_mm) for r in hand] == [(20.5, pytest.approx(76.2))]


def asks(page):
    return any(each.key == "hand_meter-Yes" for each in page.button)


@pytest.mark.parametrize(("word", "corrects"), [("Yes", True), ("No", False), ("Don't know", None)])
def test_whether_the_meter_corrects_by_itself_is_asked_once_and_kept(app, shop_folder, word, corrects):
    page = open_page(app, tag="FER-03")
    assert asks(page)
    page.segmented_control(key="round_kind-FER-03").set_value("weight").run()
    assert not asks(page), "a scale has no such thing"
    page.segmented_control(key="round_kind-FER-03").set_value("pins").run()
    page.button(key=f"hand_meter-{word}").click().run()
    assert not page.exception
    assert "The forecasts follow" in said(page)
    assert not asks(page)
    assert not asks(open_page(page, tag="FER-02"))
    with shops.open(shop_folder) as shop:
        assert notes.hand_meter(shop.store).corrects_temperature is corrects


def test_the_answer_about_the_meter_can_be_changed_on_the_page(app, shop_folder):
    page = open_page(app, tag="FER-03")
    page.button(key="hand_meter-Yes").click().run()
    assert page.radio(key="hand_meter_answer").value == "Yes"
    page.radio(key="hand_meter_answer").set_value("Don't know")
    page.button(key="hand_meter_save").click().run()
    assert not page.exception
    assert "Saved" in said(page)
    with shops.open(shop_folder) as shop:
        assert notes.hand_meter(shop.store).corrects_temperature is None
    assert page.radio(key="hand_meter_answer").value == "Don't know"


def test_where_the_settings_name_the_hand_meter_the_page_offers_no_answer(app, shop_folder):
    path = shop_folder / "baulk.toml"
    path.write_text(path.read_text() + '\n[[meter]]\nsource = "hand"\ncorrects_temperature = true\n')
    page = open_page(app, tag="FER-03")
    assert not page.exception
    assert not asks(page)
    assert not [each for each in page.radio if each.key == "hand_meter_answer"]


def test_the_boxes_for_pictures_say_the_limit_that_holds(app):
    app.run()
    app.switch_page("views/timber.py")
    app.query_params["tag"] = "FER-03"
    app.run()
    boxes = [each.proto for each in app.get("file_uploader") if ".png" in each.proto.type]
    app.switch_page("views/arrival.py").run()
    boxes += [each.proto for each in app.get("file_uploader") if ".png" in each.proto.type]
    assert len(boxes) == 2
    assert {each.max_upload_size_mb for each in boxes} == {photos.MOST_MB}


def test_a_timbers_own_page_asks_once_a_meter_was_read_by_hand(app):
    app.run()
    app.switch_page("views/timber.py")
    app.query_params["tag"] = "FER-03"
    assert not asks(app.run()), "its sensors are no hand meter"
    app.text_input(key="hand_mc").set_value("20.5")
    app.text_input(key="hand_depth").set_value("3 in")
    app.button(key="hand_store").click().run()
    assert asks(app.run())
    app.button(key="hand_meter-No").click().run()
    assert not app.exception
    assert not asks(app)


def test_a_reading_far_from_what_is_expected_gets_a_warning_before_it_is_stored(app, shop_folder):
    page = open_page(app, tag="FER-03")
    page.text_input(key="round_depth-FER-03").set_value("3 in")
    page.text_input(key="round_mc-FER-03").set_value("8").run()
    assert "far from 8 %" in page.warning[0].value
    button = page.button(key="round_store-FER-03")
    assert (button.label, button.disabled) == ("Save anyway", False)
    button.click().run()
    with shops.open(shop_folder) as shop:
        hand = [r.value for r in shop.store.readings(Owner.TIMBER, "FER-03") if r.source == "hand"]
    assert hand == [8.0]


def test_what_a_timber_cannot_be_is_said_with_the_limit_and_cannot_be_saved(app):
    page = open_page(app, tag="FER-03")
    page.text_input(key="round_depth-FER-03").set_value("25 in")
    page.text_input(key="round_mc-FER-03").set_value("20").run()
    assert "the piece is 7 3/4 in there" in page.error[0].value
    assert page.button(key="round_store-FER-03").disabled
    page.text_input(key="round_depth-FER-03").set_value("2 in").run()
    page.text_input(key="round_mc-FER-03").set_value("0.23").run()
    assert "Is 23 % meant?" in page.warning[0].value


def test_on_the_page_of_a_timber_what_is_unlikely_wants_a_second_tap(app, shop_folder):
    app.run()
    app.switch_page("views/timber.py")
    app.query_params["tag"] = "FER-03"
    app.run()
    app.text_input(key="hand_mc").set_value("0.23")
    app.text_input(key="hand_depth").set_value("2 in")
    app.button(key="hand_store").click().run()
    assert "Is 23 % meant?" in said(app)
    with shops.open(shop_folder) as shop:
        assert not [r for r in shop.store.readings(Owner.TIMBER, "FER-03") if r.source == "hand"]
    app.button(key="hand_sure").click().run()
    assert not app.exception
    assert "Stored" in said(app)
    with shops.open(shop_folder) as shop:
        assert [r.value for r in shop.store.readings(Owner.TIMBER, "FER-03") if r.source == "hand"] == [0.23]


def test_nonsense_is_a_sentence_and_nothing_is_stored(app, shop_folder):
    page = open_page(app, tag="FER-03")
    page.text_input(key="round_depth-FER-03").set_value("3 in")
    page.text_input(key="round_mc-FER-03").set_value("wet").run()
    assert "is a number such as 28.5" in page.error[0].value
    with shops.open(shop_folder) as shop:
        assert not [r for r in shop.store.readings(Owner.TIMBER, "FER-03") if r.source == "hand"]


def test_a_weight_is_held_against_the_last_one(app):
    page = open_page(app, tag="FER-03")
    page.segmented_control(key="round_kind-FER-03").set_value("weight").run()
    page.text_input(key="round_weight-FER-03").set_value("250 lb").run()
    assert "gets no heavier" in page.warning[0].value
    page.text_input(key="round_weight-FER-03").set_value("90 lb").run()
    assert "fast loss" in page.warning[0].value
    page.text_input(key="round_weight-FER-03").set_value("180 lb").run()
    assert "It was 181 lb" in page.info[-1].value


@pytest.fixture
def found(invented):
    timber = invented.piece("FER-01")
    return timber, parse(invented.evaluation(timber, core=40.0))


def test_what_is_expected_follows_the_picture_of_the_section(found):
    timber, seen = found
    shallow = plausible.expected_pct(seen, timber, 8, Face.B)
    deep = plausible.expected_pct(seen, timber, 90, Face.B)
    assert shallow.median < deep.median
    assert deep.low < deep.median < deep.high
    with pytest.raises(OutOfRange):
        plausible.expected_pct(seen, timber, 400, None)


def picture(text):
    out = io.BytesIO()
    segno.make(text, error="q", micro=False).save(out, kind="png", scale=6, border=4)
    return out.getvalue()


def test_the_code_of_a_label_and_a_bare_tag_are_both_read():
    assert camera.tag_in(picture(labels.address("http://yard.local:8501", "FER-07"))) == "FER-07"
    assert camera.tag_in(picture("FER-07")) == "FER-07"


@pytest.mark.parametrize("given", [b"", b"no picture", picture("x")[:80]])
def test_what_is_no_picture_is_refused(given):
    with pytest.raises(camera.NoCode, match="no picture that can be read"):
        camera.tag_in(given)


def test_a_picture_without_a_code_is_said_to_have_none():
    from PIL import Image  # noqa: PLC0415

    out = io.BytesIO()
    Image.new("RGB", (300, 200), "white").save(out, "JPEG")
    with pytest.raises(camera.NoCode, match="no code is to be seen"):
        camera.tag_in(out.getvalue())


def test_an_empty_shop_says_what_to_do_first(tmp_path, invented, monkeypatch):
    from streamlit.testing.v1 import AppTest  # noqa: PLC0415

    from baulk.dashboard.server import shop_access  # noqa: PLC0415

    monkeypatch.setenv("BAULK_SHOP", str(invented.shop(tmp_path / "empty", full=False)))
    app = AppTest.from_file(
        shop_access.__file__.replace("server/shop_access.py", "app.py"), default_timeout=60
    )
    assert "No timber is tagged yet" in said(open_page(app))


def test_first_readings_of_a_timber_are_taken_without_a_forecast(app):
    page = open_page(app, tag="FER-05")
    page.text_input(key="round_depth-FER-05").set_value("1 in")
    page.text_input(key="round_mc-FER-05").set_value("55").run()
    assert "No forecast yet" in page.info[0].value
    page.segmented_control(key="round_kind-FER-05").set_value("weight").run()
    page.text_input(key="round_weight-FER-05").set_value("250 lb").run()
    assert "first weight" in page.info[0].value
