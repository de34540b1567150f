"""The Readings page: the right timber by list, address or code; a hint at once; stored like any other."""

from __future__ import annotations

import io
from datetime import UTC, datetime

import pytest
import segno

from baulk.dashboard.printing import labels
from baulk.dashboard.queries import newest_readings
from baulk.dashboard.server import tag_code
from baulk.ingest import hand_readings, photos
from baulk.ingest import shop as shops
from baulk.ingest.evaluation.document_read import parse
from baulk.ingest.store import notes
from baulk.ingest.walk import plausible
from baulk.models.errors import OutOfRange
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Series
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
    """What is told in boxes and in the bar of what was saved."""
    boxes = [each.value for kind in (app.info, app.warning, app.error, app.success) for each in kind]
    return " ".join([*boxes, *(each.proto.body for each in app.get("html"))])


def of(app, tag, field, kind="pins", count=0):
    """The field of a timber's form."""
    return app.text_input(key=f"reading-{tag}-{kind}-{field}-{count}")


def save(app, tag, kind="pins", count=0):
    app.button(key=f"reading-{tag}-{kind}-save-{count}").click().run()
    assert not app.exception


def by_hand(shop_folder, tag):
    with shops.open(shop_folder) as shop:
        return [r for r in shop.store.readings(Owner.TIMBER, tag) if r.source == "hand"]


def test_the_page_asks_which_timber_and_leads_to_the_walk(app):
    page = open_page(app)
    assert page.selectbox(key="reading_tag").value is None
    assert any('href="/field/walk"' in each.proto.body for each in page.get("html"))


def test_the_address_of_a_label_chooses_the_timber_and_the_depth_that_matters_is_said(app):
    page = open_page(app, tag="fer-02")
    assert page.selectbox(key="reading_tag").value == "FER-02"
    told = " ".join(each.value for each in page.caption)
    assert "drive pins 3 in deep into face b" in told
    assert "1 1/16 in deep reads about the average" in told


def test_an_unknown_tag_in_the_address_is_said(app):
    assert "no timber FER-99" in said(open_page(app, tag="FER-99"))


def test_what_is_expected_stands_there_before_a_number_is_typed_and_the_reading_is_stored(app, shop_folder):
    page = open_page(app, tag="FER-03")
    assert any(each.value.startswith("Expected 1 1/4 in deep: ") for each in page.caption)
    of(page, "FER-03", "depth").set_value("3 in")
    of(page, "FER-03", "mc").set_value("20.5")
    assert not page.button(key="reading-FER-03-pins-save-0").disabled  # it never greys
    save(page, "FER-03")
    assert of(page, "FER-03", "mc", count=1).value == ""
    assert "Saved for FER-03: 20.5 %" in said(page)
    hand = by_hand(shop_folder, "FER-03")
    assert [(r.value, r.series.depth_mm) for r in hand] == [(20.5, pytest.approx(76.2))]
    next(each for each in page.button if (each.key or "").startswith("saved-undo-")).click().run()
    assert "Undone: 20.5 %" in said(page)
    assert by_hand(shop_folder, "FER-03") == []


def asks(page):
    return any(each.key == "hand_meter-Yes" for each in page.button)


@pytest.mark.parametrize(("word", "corrects"), [("Yes", True), ("No", False), ("Don't know", None)])
def test_whether_the_meter_corrects_by_itself_is_asked_once_and_kept(app, shop_folder, word, corrects):
    page = open_page(app, tag="FER-03")
    assert asks(page)
    page.segmented_control(key="reading_kind-FER-03").set_value("weight").run()
    assert not asks(page), "a scale has no such thing"
    page.segmented_control(key="reading_kind-FER-03").set_value("pins").run()
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
    app.query_params["tag"], app.query_params["open"] = "FER-03", "files"
    app.run()
    boxes = [each.proto for each in app.get("file_uploader") if ".png" in each.proto.type]
    app.switch_page("views/arrival.py").run()
    boxes += [each.proto for each in app.get("file_uploader") if ".png" in each.proto.type]
    assert len(boxes) == 2
    assert {each.max_upload_size_mb for each in boxes} == {photos.MOST_MB}


def of_timber(app, **more):
    app.run()
    app.switch_page("views/timber.py")
    for name, value in {"tag": "FER-03", "do": "reading", **more}.items():
        app.query_params[name] = value
    app.run()
    assert not app.exception
    return app


def test_a_timbers_own_page_asks_once_a_meter_was_read_by_hand(app):
    page = of_timber(app)
    assert not asks(page), "its sensors are no hand meter"
    of(page, "FER-03", "mc").set_value("20.5")
    of(page, "FER-03", "depth").set_value("3 in")
    save(page, "FER-03")
    assert asks(of_timber(page))
    app.button(key="hand_meter-No").click().run()
    assert not app.exception
    assert not asks(app)


def test_a_reading_far_from_what_is_expected_gets_a_warning_before_it_is_stored(app, shop_folder):
    page = open_page(app, tag="FER-03")
    of(page, "FER-03", "depth").set_value("3 in")
    of(page, "FER-03", "mc").set_value("8")
    save(page, "FER-03")
    assert "far from 8 %" in page.warning[0].value
    assert by_hand(shop_folder, "FER-03") == []
    button = page.button(key="reading-FER-03-pins-save-0")
    assert (button.label, button.disabled) == ("Save anyway", False)
    save(page, "FER-03")
    assert [r.value for r in by_hand(shop_folder, "FER-03")] == [8.0]


def test_a_doubted_number_that_is_changed_is_judged_anew(app, shop_folder):
    page = open_page(app, tag="FER-03")
    of(page, "FER-03", "depth").set_value("3 in")
    of(page, "FER-03", "mc").set_value("0.23")
    save(page, "FER-03")
    assert "Is 23 % meant?" in page.warning[0].value
    of(page, "FER-03", "mc").set_value("8")
    save(page, "FER-03")
    assert "far from 8 %" in page.warning[0].value
    assert by_hand(shop_folder, "FER-03") == []


def test_what_a_timber_cannot_be_is_said_with_the_limit_and_is_not_saved(app, shop_folder):
    page = open_page(app, tag="FER-03")
    of(page, "FER-03", "depth").set_value("25 in")
    of(page, "FER-03", "mc").set_value("20")
    for _ in range(2):
        save(page, "FER-03")
        assert "the piece is 7 3/4 in there" in page.error[0].value
    assert by_hand(shop_folder, "FER-03") == []
    assert of(page, "FER-03", "mc").value == "20"  # what was typed stays


def test_nonsense_is_a_sentence_and_nothing_is_stored(app, shop_folder):
    page = open_page(app, tag="FER-03")
    of(page, "FER-03", "depth").set_value("3 in")
    of(page, "FER-03", "mc").set_value("wet")
    save(page, "FER-03")
    assert "is a number such as 28.5" in page.error[0].value
    assert by_hand(shop_folder, "FER-03") == []


def test_a_weight_is_held_against_the_last_one(app):
    page = open_page(app, tag="FER-03")
    page.segmented_control(key="reading_kind-FER-03").set_value("weight").run()
    assert any("It was 181 lb" in each.value for each in page.caption)
    for weight, told in (("250 lb", "gets no heavier"), ("90 lb", "fast loss")):
        of(page, "FER-03", "weight", "weight").set_value(weight)
        save(page, "FER-03", "weight")
        assert told in page.warning[0].value
    of(page, "FER-03", "weight", "weight").set_value("180 lb")
    save(page, "FER-03", "weight")
    assert "Saved for FER-03: 180 lb" in said(page)


def test_the_newest_readings_of_all_timbers_are_filtered_and_each_can_be_undone(app, shop_folder):
    with shops.open(shop_folder) as shop:
        series = Series(owner=Owner.TIMBER, name="FER-04", quantity=Quantity.WEIGHT)
        hand_readings.add(shop, series, 30.0, now_utc=datetime.now(UTC), sure=True)
    page = open_page(app)
    told = said(page)
    assert all(tag in told for tag in ("FER-01", "FER-02", "FER-03", "FER-04"))
    page = open_page(app, **{"from": "hand"})
    undo = [each for each in page.button if (each.key or "").startswith("reading_undo-")]
    assert len(undo) == 1
    page.segmented_control(key="readings_kind").set_value("pins").run()
    assert page.query_params["kind"] in ("pins", ["pins"])
    assert "No reading is like that" in said(page)
    page.segmented_control(key="readings_kind").set_value("weight").run()
    next(each for each in page.button if (each.key or "").startswith("reading_undo-")).click().run()
    assert "Undone: 66 lb, weight of FER-04" in said(page)
    assert by_hand(shop_folder, "FER-04") == []


def test_the_list_of_one_timber_leaves_the_others_out(app):
    told = said(open_page(app, tag="FER-02"))
    assert "Undo" not in told
    assert newest_readings.of_all(datetime.now(UTC), tag="fer-02")
    assert {each.series.name for each in newest_readings.of_all(datetime.now(UTC), tag="fer-02")} == {
        "FER-02"
    }
    assert len(newest_readings.of_all(datetime.now(UTC), most=7)) == 7


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
    assert tag_code.tag_in(picture(labels.address("http://yard.local:8501", "FER-07"))) == "FER-07"
    assert tag_code.tag_in(picture("FER-07")) == "FER-07"


@pytest.mark.parametrize("given", [b"", b"no picture", picture("x")[:80]])
def test_what_is_no_picture_is_refused(given):
    with pytest.raises(tag_code.NoCode, match="no picture that can be read"):
        tag_code.tag_in(given)


def test_a_picture_without_a_code_is_said_to_have_none():
    from PIL import Image  # noqa: PLC0415

    out = io.BytesIO()
    Image.new("RGB", (300, 200), "white").save(out, "JPEG")
    with pytest.raises(tag_code.NoCode, match="no code is to be seen"):
        tag_code.tag_in(out.getvalue())


def test_an_empty_shop_says_what_to_do_first(tmp_path, invented, monkeypatch):
    from streamlit.testing.v1 import AppTest  # noqa: PLC0415

    from baulk.dashboard.server import shop_access  # noqa: PLC0415

    monkeypatch.setenv("BAULK_SHOP", str(invented.shop(tmp_path / "empty", full=False)))
    app = AppTest.from_file(
        shop_access.__file__.replace("server/shop_access.py", "app.py"), default_timeout=60
    )
    page = open_page(app)
    assert "No timber is entered yet" in said(page)
    assert any('href="/add"' in each.proto.body for each in page.get("html"))  # with its button


def test_first_readings_of_a_timber_are_taken_without_a_forecast(app, shop_folder):
    page = open_page(app, tag="FER-05")
    assert any("No forecast yet" in each.value for each in page.caption)
    of(page, "FER-05", "depth").set_value("1 in")
    of(page, "FER-05", "mc").set_value("55")
    save(page, "FER-05")
    assert [r.value for r in by_hand(shop_folder, "FER-05")] == [55.0]
    page.segmented_control(key="reading_kind-FER-05").set_value("weight").run()
    assert any("first weight" in each.value for each in page.caption)
