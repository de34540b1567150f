"""What the pages say, without a browser."""

import json
from datetime import timedelta

import pytest

from baulk.dashboard import typed
from baulk.dashboard.queries import yard_rows
from baulk.dashboard.sections import layout
from baulk.ingest import shop as shop_module
from baulk.models.errors import BaulkError
from baulk.models.quantity import Owner

EMPTY = {"full": False}


def html(app):
    return "\n".join(e.proto.body for e in app.get("html"))


def go(app, page, **query):
    app.run()
    app.switch_page(f"views/{page}.py")
    for name, value in query.items():
        app.query_params[name] = value
    app.run()
    assert not app.exception
    return app


def test_the_yard_puts_what_can_be_done_today_first(app):
    app.run()
    assert not app.exception
    told = html(app)
    order = [told.index(f">{tag}<") for tag in ("FER-03", "FER-02", "FER-05", "FER-04", "FER-01")]
    assert order == sorted(order)


def test_the_yard_tells_a_verdict_by_shape_and_word(app):
    told = html(app.run())
    for shape, word in (("■", "Square now"), ("◧", "Rough out"), ("□", "Leave")):
        assert f'<h2><span class="b-shape" aria-hidden="true">{shape}</span>{word} ' in told


def test_the_yard_shows_sizes_in_fractions_and_moisture_with_its_range(app):
    told = html(app.run())
    assert "8 x 7 3/4 in" in told
    assert "core 48 %" in told
    assert "44 to 52" in told


def test_a_timber_without_an_evaluation_is_being_worked_out(app):
    go(app, "timber", tag="FER-05", open="readings")
    assert any("being computed" in e.value for e in app.info)
    assert any("No reading yet" in e.value for e in app.info)


def test_an_evaluation_stored_while_the_page_reads_is_shown_next(app, shop_folder, invented, monkeypatch):
    title, stored = layout.title, []

    def title_while_it_lands(name, *rest):
        title(name, *rest)
        if name == "FER-05" and not stored:  # what the page draws has been read by now
            stored.append(name)
            with shop_module.open(shop_folder) as s:
                s.store.save_evaluation(name, invented.NOW, invented.evaluation(invented.piece(name)))

    monkeypatch.setattr(layout, "title", title_while_it_lands)
    go(app, "timber", tag="FER-05")
    assert stored == ["FER-05"]
    assert not any("being computed" in e.value for e in app.info)
    assert "b-say" in html(app)


@pytest.mark.parametrize("written", ["FER-02", "fer-02", " Fer-02 ", "fer2", "FER 02"])
def test_the_address_chooses_the_timber_however_its_tag_is_written(app, written):
    go(app, "timber", tag=written)
    assert app.title[0].value == "FER-02"
    assert app.query_params["tag"] in ("FER-02", ["FER-02"])


def test_the_list_of_others_changes_the_timber_and_the_address(app):
    go(app, "timber", tag="FER-02")
    app.selectbox(key="another-FER-02").set_value("FER-04").run()
    assert app.title[0].value == "FER-04"
    assert app.query_params["tag"] in ("FER-04", ["FER-04"])


def test_an_unknown_tag_in_the_address_is_answered_with_the_nearest(app):
    go(app, "timber", tag="FER-09")
    assert any("FER-09" in e.value and "did you mean FER-0" in e.value for e in app.error)


def test_a_failed_evaluation_says_why(app, shop_folder, invented):
    with shop_module.open(shop_folder) as s:
        why = b'{"tag":"FER-05","made_utc":"2026-01-01T00:00:00+00:00","failed":"the shed has no air"}'
        s.store.save_evaluation("FER-05", invented.NOW, why)
    go(app, "timber", tag="FER-05")
    assert any("the shed has no air" in e.value for e in app.error)


def test_series_in_a_reason_are_told_in_words(app, shop_folder, invented):
    body = json.loads(invented.evaluation(invented.piece("FER-05")))
    stuck = {"series": "timber/FER-05/pin-76.2/b/moisture", "count": 2, "of": 5}
    body["verdict"]["reasons_coded"] = [{"code": "calibration.repeated", "values": stuck}]
    with shop_module.open(shop_folder) as s:
        s.store.save_evaluation("FER-05", invented.NOW, json.dumps(body).encode())
    told = html(go(app, "timber", tag="FER-05", open="why"))
    assert "Pins 3 in deep, face b: 2 readings left out" in told


def test_a_torn_evaluation_is_told_in_a_sentence(app, shop_folder, invented):
    with shop_module.open(shop_folder) as s:
        s.store.save_evaluation("FER-05", invented.NOW, b'{"tag":"FER-05"}')
    go(app, "timber", tag="FER-05")
    assert any("can't be read at" in e.value for e in app.error)


def test_a_weight_in_pounds_is_stored_in_kilograms(app, shop_folder):
    go(app, "timber", tag="FER-05", do="reading")
    app.segmented_control(key="reading_kind-FER-05").set_value("weight").run()
    app.text_input(key="reading-FER-05-weight-weight-0").set_value("212")
    app.button(key="reading-FER-05-weight-save-0").click().run()
    assert "Saved for FER-05: 212 lb" in html(app)
    with shop_module.open(shop_folder) as s:
        (reading,) = s.store.latest(Owner.TIMBER, "FER-05")
    assert reading.value == pytest.approx(212 * 0.45359237)  # the pound of 1959
    assert reading.source == "hand"


def pins(app, tag, **typed):
    """Type a pin reading into the form of a timber's page, and save it."""
    go(app, "timber", tag=tag, do="reading")
    for name, value in typed.items():
        field = app.selectbox if name == "face" else app.text_input
        field(key=f"reading-{tag}-pins-{name}-0").set_value(value)
    app.button(key=f"reading-{tag}-pins-save-0").click().run()
    assert not app.exception


def test_pins_need_a_number_and_say_so(app):
    pins(app, "FER-05", mc="wet", depth="1 1/4")
    (error,) = app.error
    assert error.value.startswith("The moisture content is a number such as 28.5, or OL or")
    assert error.value.endswith("for at least, not 'wet'.")


def test_pins_are_stored_with_depth_and_face(app, shop_folder):
    pins(app, "FER-05", mc="26.5 %", depth="1 1/4", face="b")
    with shop_module.open(shop_folder) as s:
        (reading,) = s.store.latest(Owner.TIMBER, "FER-05")
    assert str(reading.series) == "timber/FER-05/pin-31.75/b/moisture"
    assert reading.flags == ()


def test_pins_too_near_an_end_are_stored_and_the_page_says_at_once_what_becomes_of_them(app, shop_folder):
    pins(app, "FER-04", mc="26.5 %", depth="1 1/4", from_end="6 in")
    assert "set it aside: pins 6 in from an end" in html(app)
    with shop_module.open(shop_folder) as s:
        (reading,) = (r for r in s.store.latest(Owner.TIMBER, "FER-04") if r.source == "hand")
    assert reading.flags == ("end-152",)


def fill(app, **fields):
    given = {"green": "8 x 7 3/4", "finished": "6 x 6", "length": "8"} | fields
    for name, text in given.items():
        app.text_input(key=f"arrival_{name}").set_value(text)
    app.selectbox(key="arrival_species").set_value("white oak")
    app.selectbox(key="arrival_use").set_value("deck")
    if app.radio(key="arrival_pith").value is None:
        app.radio(key="arrival_pith").set_value("centre")
    app.run()
    assert not app.exception
    return app


def test_an_arrival_is_registered_under_the_proposed_tag(app, shop_folder):
    fill(go(app, "arrival"))
    assert app.text_input(key="arrival_tag").value == "FER-06"
    app.button(key="arrival_go").click().run()
    assert any("FER-06 is saved" in e.value for e in app.success)
    with shop_module.open(shop_folder) as s:
        timber = s.register.get("FER-06")
    assert timber.section.depth_mm == pytest.approx(7.75 * 25.4)
    assert timber.length_mm == pytest.approx(8 * 304.8)


def test_an_arrival_shows_its_weight_and_warns_of_the_lift(app):
    fill(go(app, "arrival"))
    assert any("Not a lift for one" in e.value and "lb" in e.value for e in app.warning)


def test_an_arrival_with_nothing_typed_names_what_is_missing(app):
    go(app, "arrival")
    app.button(key="arrival_go").click().run()
    assert "the green size" in app.error[0].value


def test_a_finished_size_larger_than_the_green_is_refused(app):
    fill(go(app, "arrival"), finished="9 x 6")
    app.button(key="arrival_go").click().run()
    assert any("does not fit" in e.value for e in app.error)


def test_a_tag_that_is_taken_is_refused(app):
    fill(go(app, "arrival"), tag="FER-01")
    app.button(key="arrival_go").click().run()
    assert any("FER-01" in e.value for e in app.error)


def test_a_pith_left_of_the_centre_is_kept(app, shop_folder):
    go(app, "arrival")
    app.radio(key="arrival_pith").set_value("place").run()
    app.text_input(key="arrival_pith_x").set_value("-1 1/2")
    app.text_input(key="arrival_pith_y").set_value("0")
    fill(app)
    app.button(key="arrival_go").click().run()
    with shop_module.open(shop_folder) as s:
        assert s.register.get("FER-06").section.pith_x_mm == pytest.approx(-38.1)


@pytest.mark.parametrize("shop_folder", [EMPTY], indirect=True)
@pytest.mark.parametrize(
    ("page", "next_step"),
    [("yard", "No timber is entered yet"), ("timber", "enter the first one"), ("air", "sensor")],
)
def test_an_empty_shop_says_what_to_do_next(app, page, next_step):
    go(app, page)
    assert any(next_step in e.value for e in app.info)


@pytest.mark.parametrize("shop_folder", [EMPTY], indirect=True)
def test_the_first_steps_tick_themselves_and_air_may_be_typed_where_no_place_is_known(app, shop_folder):
    def shown():
        return "\n".join(each.proto.body for each in app.get("html"))

    app.run()
    for step in ("Add a timber", "Connect the air, or type it", "Or try the demo yard"):
        assert step in shown()
    assert "done" not in shown()
    go(app, "air")
    app.text_input(key="air-hand-place-0").set_value("loft")
    app.text_input(key="air-hand-temp-0").set_value("60")
    app.text_input(key="air-hand-rh-0").set_value("65")
    next(each for each in app.button if each.label == "Save").click().run()
    assert not app.exception
    with shop_module.open(shop_folder) as s:
        assert s.store.places() == ["loft"]
    go(app, "yard")
    assert "Connect the air, or type it, done" in shown()
    assert "Add a timber, done" not in shown()


def test_a_folder_that_is_no_shop_is_told_in_a_sentence(app, tmp_path, monkeypatch):
    monkeypatch.setenv("BAULK_SHOP", str(tmp_path / "elsewhere"))
    app.run()
    assert not app.exception
    assert "baulk init" in app.error[0].value


def test_a_server_without_a_shop_says_how_to_name_one(app, monkeypatch):
    monkeypatch.delenv("BAULK_SHOP")
    app.run()
    assert "baulk dashboard --shop DIR" in app.error[0].value


def test_a_timber_long_unread_asks_for_a_reading(app, shop_folder, invented, monkeypatch):
    monkeypatch.setenv("BAULK_SHOP", str(shop_folder))
    rows = yard_rows.rows(invented.NOW + timedelta(days=45))
    assert "not read for 45 days" in next(r for r in rows if r.timber.tag == "FER-01").attention


@pytest.mark.parametrize(
    ("text", "system", "mm"),
    [("8", "inch", 2438.4), ("8 ft", "metric", 2438.4), ("2.4", "metric", 2400.0), ("2400", "metric", 2400.0),
     ("96 in", "metric", 2438.4), ("7 ft 6 in", "inch", 2286.0)],
)  # fmt: skip
def test_a_length_is_read_in_feet_or_metres(text, system, mm):
    assert typed.along_mm(text, system) == pytest.approx(mm)


def test_a_length_that_is_no_number_is_refused_in_words():
    with pytest.raises(BaulkError, match="length"):
        typed.along_mm("long", "inch")
