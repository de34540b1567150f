"""The Timber page's own deeds: history, what if, the outline in service, and what can be taken away."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from PIL import Image

from baulk.dashboard.charts import cross_section
from baulk.dashboard.sections import (
    downloads,
    table_files,
    what_if,
    work_kinds,
)
from baulk.ingest import correction_notes, hand_readings, operations, photos
from baulk.ingest import shop as shops
from baulk.ingest.evaluation.document import Interval
from baulk.ingest.evaluation.document_read import parse
from baulk.models.quantity import Owner
from baulk.models.reading import Series
from baulk.models.section import Face, Kerf
from baulk.models.timber import Event, EventKind, Place


def open_page(app, tag="FER-01", **more):
    app.run()
    app.switch_page("views/timber.py")
    for name, value in {"tag": tag, **more}.items():
        app.query_params[name] = value
    app.run()
    assert not app.exception
    return app


def html(app):
    return "\n".join(each.proto.body for each in app.get("html"))


def undo_last(app):
    """Press Undo in the bar that tells what was saved."""
    next(each for each in app.button if (each.key or "").startswith("saved-undo-")).click().run()
    assert not app.exception


def record(app, kind, count=0, **typed):
    """Record work of a kind with its fields; return the page."""
    first = kind in work_kinds.FIRST
    page = open_page(app, do="work")
    pills = page.button_group(key="work_kind")
    pills.set_value(work_kinds.KINDS[kind].word if first else "Other").run()
    if not first:
        page.selectbox(key="work_other").set_value(kind).run()
    for name, value in typed.items():
        field(page, f"work-FER-01-{kind.value}-{name}-{count}").set_value(value)
    page.button(key=f"work-FER-01-{kind.value}-save-{count}").click().run()
    assert not page.exception
    return page


def field(page, key):
    """The field of a key, whatever kind of field it is."""
    for kind in (page.text_input, page.selectbox, page.date_input, page.checkbox, page.button_group):
        for each in kind:
            if each.key == key:
                return each
    raise AssertionError(f"no field {key}")


def test_work_is_saved_told_and_taken_back_and_nothing_is_deleted(app, shop_folder):
    open_page(app).text_input(key="me_name").set_value("Ida").run()
    page = record(app, EventKind.CUT, length="7 ft", weight_after_kg="140 lb")
    assert "Saved: cut to 7 ft, 140 lb after." in html(page)
    assert page.query_params.get("do") is None  # the form is closed
    with shops.open(shop_folder) as shop:
        assert shop.register.get("FER-01").length_mm == pytest.approx(2133.6)
    undo_last(page)
    assert "Undone: cut to 7 ft" in html(page)
    with shops.open(shop_folder) as shop:
        assert shop.register.get("FER-01").length_mm == pytest.approx(2438.4)
        assert [event.undone_by for event in shop.register.events("FER-01", undone=True)][-1] == "Ida"


def test_the_undo_of_a_row_takes_back_that_row_and_no_other(app, shop_folder):
    record(app, EventKind.CUT, length="7 ft")
    picture = io.BytesIO()
    Image.new("RGB", (40, 30), "white").save(picture, "JPEG")
    with shops.open(shop_folder) as shop:
        photos.keep(shop, "FER-01", picture.getvalue(), now_utc=datetime.now(UTC))
        (cut,) = shop.register.events("FER-01", kind=EventKind.CUT)
    page = open_page(app, open="history")
    told = html(page)
    assert told.index("Photographed") < told.index("Cut to 7 ft")  # the newest first
    page.button(key=f"event_undo-{cut.number}").click().run()
    assert not page.exception
    with shops.open(shop_folder) as shop:
        assert shop.register.events("FER-01", kind=EventKind.CUT) == []
        assert len(shop.register.events("FER-01", kind=EventKind.PHOTOGRAPHED)) == 1
    undo_last(page)  # entered again
    with shops.open(shop_folder) as shop:
        assert shop.register.get("FER-01").length_mm == pytest.approx(2133.6)


def test_a_move_is_four_taps_and_a_new_place_is_asked_about(app, shop_folder):
    with shops.open(shop_folder) as shop:
        operations.add_place(shop, Place(name="loft"))
    page = record(app, EventKind.MOVED, to="loft")
    assert "moved from shed to loft" in html(page)
    page = record(app, EventKind.MOVED, count=1, to_other="attik")
    assert any("attik" in each.value for each in page.warning)
    with shops.open(shop_folder) as shop:
        assert shop.register.get("FER-01").place == "loft"
    again = page.button(key="work-FER-01-moved-save-1")
    assert again.label == "Save anyway"
    again.click().run()
    with shops.open(shop_folder) as shop:
        assert shop.register.get("FER-01").place == "attik"


def test_what_rule_and_feeler_gauge_say_is_entered_on_the_page(app, shop_folder):
    record(app, EventKind.MEASURED, width_mm="7 13/16", at_face="c", bow_mm="0", ab="1 1/2 x 1")
    for n, wide in enumerate(("1/64 in", "1/16 in")):
        record(app, EventKind.CHECKED, n, check_face="b", width_mm=wide, depth_mm="1 in", edge="2 in")
    page = open_page(app, open="checks.history")
    assert "Check in face b, 2 in from face a: 1/16 in wide, 1 in deep" in html(page)
    assert "check, face b" in html(page)
    charts = [each.proto.spec for each in page.get("vega_lite_chart")]
    assert any("width, in" in each for each in charts)  # it has grown
    assert any("The width of each: check, face b from " in each.value for each in page.caption)
    with shops.open(shop_folder) as shop:
        measured, _, checked = shop.register.events("FER-01")[-3:]
    assert measured.detail["face"] == "c"
    assert (measured.detail["width_mm"], measured.detail["bow_mm"]) == (pytest.approx(7.8125 * 25.4), 0.0)
    assert (measured.detail["wane_ab_mm"], measured.detail["wane_ab_down_mm"]) == (
        pytest.approx(38.1),
        pytest.approx(25.4),
    )
    assert checked.detail == {
        "face": "b",
        "width_mm": pytest.approx(1.5875),
        "depth_mm": pytest.approx(25.4),
        "from_a_mm": pytest.approx(50.8),
    }


def row(page, what):
    """The button of the row of the newest reading by hand, such as "edit" or "undo"."""
    return next(each for each in page.button if (each.key or "").startswith(f"reading_{what}-"))


def test_a_reading_is_undone_put_back_and_edited_in_its_row(app, shop_folder):
    with shops.open(shop_folder) as shop:
        pin = Series.parse("timber/FER-01/pin-45/moisture")
        hand_readings.add(shop, pin, 32.0, now_utc=datetime.now(UTC), sure=True)

    def stored():
        with shops.open(shop_folder) as shop:
            return [one.value for one in shop.store.readings(Owner.TIMBER, "FER-01") if one.source == "hand"]

    page = open_page(app, open="readings")
    page.text_input(key="me_name").set_value("Ida").run()
    row(page, "undo").click().run()
    assert "Undone: 32.0 %" in html(page)
    assert stored() == []
    undo_last(page)
    assert stored() == [32.0]
    row(page, "edit").click().run()
    (value,) = [each for each in page.text_input if each.label == "What it should be"]
    assert value.value == "32.0 %"
    value.set_value("0.23")
    next(each for each in page.text_input if each.label == "Why").set_value("other timber")
    next(each for each in page.button if each.label == "Save").click().run()
    assert "Is 23 % meant?" in page.warning[-1].value
    assert stored() == [32.0]
    next(each for each in page.button if each.label == "Save anyway").click().run()
    assert not page.exception
    assert "Edited: 32.0 %" in html(page)
    assert "other timber" in html(page)
    assert stored() == [0.23]
    row(page, "edit").click().run()
    next(each for each in page.text_input if each.label == "What it should be").set_value("OL")
    next(each for each in page.button if each.label == "Save").click().run()
    assert "at least 30.0 %" in html(page)
    row(page, "edit").click().run()
    assert [each.value for each in page.text_input if each.label == "What it should be"] == [">30.0 %"]
    with shops.open(shop_folder) as shop:
        kept = correction_notes.listed(shop.store, Owner.TIMBER, "FER-01")
    assert [(one.by, one.counts) for one in kept] == [("Ida", False), ("Ida", True), ("Ida", True)]


def test_a_timber_entered_by_mistake_is_taken_out_on_the_page_after_a_second_tap(app, shop_folder):
    page = open_page(app, open="history")
    page.text_input(key="me_name").set_value("Ida").run()
    with shops.open(shop_folder) as shop:
        arrived = shop.register.events("FER-01", kind=EventKind.ARRIVED)[0].number
    page.button(key=f"event_undo-{arrived}").click().run()
    with shops.open(shop_folder) as shop:
        assert shop.register.has("FER-01")
    page.button(key="event_whole_go").click().run()
    assert not page.exception
    assert "FER-01 is taken out of the register" in html(page)
    with shops.open(shop_folder) as shop:
        assert not shop.register.has("FER-01")
        assert {one.undone_by for one in shop.register.events("FER-01", undone=True)} == {"Ida"}


def change(page, way):
    next(each for each in page.button_group if each.key.startswith("history_way-")).set_value(way).run()
    assert not page.exception
    return page


def test_what_was_entered_is_corrected_and_a_field_left_alone_changes_nothing(app, shop_folder):
    page = change(open_page(app, open="history"), "edit")
    page.text_input(key="edit-FER-01-size-0").set_value("8 1/4 x 8")
    page.text_input(key="edit-FER-01-pith_x-0").set_value("-1 1/2 in")
    page.selectbox(key="edit-FER-01-species-0").set_value("Douglas-fir")
    page.selectbox(key="edit-FER-01-use-0").set_value("joinery")
    page.button(key="edit-FER-01-save-0").click().run()
    assert not page.exception
    with shops.open(shop_folder) as shop:
        now = shop.register.get("FER-01")
    assert (now.species, now.use_class, now.section.pith_y_mm) == ("Douglas-fir", "joinery", -8)
    assert (now.section.width_mm, now.section.depth_mm) == (pytest.approx(209.55), pytest.approx(203.2))
    assert now.section.pith_x_mm == pytest.approx(-38.1)
    undo_last(page)
    with shops.open(shop_folder) as shop:
        assert shop.register.get("FER-01").section.pith_x_mm == 12
        assert shop.register.get("FER-01").species == "white oak"


def test_another_tag_is_saved_found_by_the_old_one_and_undone(app, shop_folder):
    page = change(open_page(app, open="history"), "edit")
    page.text_input(key="edit-FER-01-tag-0").set_value("FER-02")
    page.button(key="edit-FER-01-save-0").click().run()
    assert "The tag FER-02 is in use already" in page.error[-1].value
    page.text_input(key="edit-FER-01-tag-0").set_value("FER-77")
    page.button(key="edit-FER-01-save-0").click().run()
    assert not page.exception
    assert "Saved for FER-77: tag changed from FER-01 to FER-77." in html(page)
    assert "FER-77" in page.query_params["tag"]
    open_page(app, tag="FER-01")  # as its old label says
    assert any("Formerly FER-01" in each.value.replace("\\", "") for each in app.caption)
    assert "FER-77" in page.query_params["tag"]
    number = events_of(shop_folder, "FER-77")[-1].number
    page = open_page(app, tag="fer-77", open="history")
    page.button(key=f"event_undo-{number}").click().run()
    assert not page.exception
    assert "FER-01" in page.query_params["tag"]
    with shops.open(shop_folder) as shop:
        assert shop.register.has("FER-01")
        assert not shop.register.has("FER-77")


def events_of(folder, tag):
    with shops.open(folder) as shop:
        return shop.register.events(tag)


def test_a_timber_is_retired_and_returned(app, shop_folder):
    page = change(open_page(app, open="history"), "leave")
    page.text_input(key="work-FER-01-retired-reason-0").set_value("sold")
    page.button(key="work-FER-01-retired-save-0").click().run()
    assert "Saved: retired: sold." in html(page)
    page = change(open_page(app, open="history"), "leave")
    page.button(key="return-FER-01-save-0").click().run()
    assert "FER-01 is back in the yard" in html(page)
    with shops.open(shop_folder) as shop:
        assert shop.register.get("FER-01").retired_utc is None


def test_a_sensor_is_attached_from_another_timber_after_a_question_and_detached(app, shop_folder):
    with shops.open(shop_folder) as shop:
        operations.attach_sensor(shop, "S7", "FER-02", now_utc=datetime.now(UTC), depth_mm=45)
    page = change(open_page(app, open="history"), "attach")
    for name, value in (("sensor", "S7"), ("pin", "1 3/4 in"), ("pin_face", "b")):
        field(page, f"work-FER-01-sensor-attached-{name}-0").set_value(value)
    save = "work-FER-01-sensor-attached-save-0"
    page.button(key=save).click().run()
    assert "S7 is on FER-02" in page.warning[-1].value
    page.button(key=save).click().run()
    with shops.open(shop_folder) as shop:
        assert shop.register.attached("S7", datetime.now(UTC)).tag == "FER-01"
    page = change(open_page(app, open="history"), "detach")
    page.button(key="work-FER-01-sensor-detached-save-0").click().run()
    with shops.open(shop_folder) as shop:
        assert shop.register.attached("S7", datetime.now(UTC)) is None


def test_where_it_comes_from_is_noted_and_shown(app):
    page = open_page(app, open="source")
    page.text_input(key="work-FER-01-sourced-supplier-0").set_value("Marsh mill")
    page.button(key="work-FER-01-sourced-save-0").click().run()
    assert "Marsh mill" in html(page)


def test_an_event_that_says_too_little_or_nonsense_is_a_sentence_and_keeps_what_was_typed(app):
    page = record(app, EventKind.CUT)
    assert any("Fill in the length that is left" in each.value for each in page.error)
    page.text_input(key="work-FER-01-cut-length-0").set_value("a bit")
    page.text_input(key="work-FER-01-cut-weight_after_kg-0").set_value("140 lb")
    page.button(key="work-FER-01-cut-save-0").click().run()
    assert not page.exception
    assert page.error
    assert page.text_input(key="work-FER-01-cut-weight_after_kg-0").value == "140 lb"


def test_every_kind_of_work_can_be_chosen(app):
    page = open_page(app, do="work")
    for kind, offered in work_kinds.KINDS.items():
        first = kind in work_kinds.FIRST
        page.button_group(key="work_kind").set_value(offered.word if first else "Other").run()
        if not first:
            page.selectbox(key="work_other").set_value(kind).run()
        assert not page.exception, kind
        assert page.button(key=f"work-FER-01-{kind.value}-save-0"), kind


def test_nothing_in_a_fold_is_worked_out_before_it_is_opened(app):
    page = open_page(app)
    assert not page.get("vega_lite_chart")
    assert '<ul class="b-reasons">' not in html(page)
    assert len(page.get("expander")) == 11
    page = open_page(app, open="why.forecast")
    assert '<ul class="b-reasons">' in html(page)
    (chart,) = page.get("vega_lite_chart")
    assert chart.proto.alt.startswith("It may be squared about ")


def test_the_surface_is_shown_with_its_margin_and_the_days_ahead(app, shop_folder):
    days = [1.0 + 0.2 * day for day in range(15)]
    checking = {
        "wanted_pct": {"median": 1.0, "low": 0.5, "high": 1.5}, "in_air_pct": 5.0, "tolerated_pct": 3.745,
        "margin_pct": {"median": 2.745, "low": 2.2, "high": 3.2}, "deciding": True, "stage": "a start",
        "source": "an invented schedule",
        "ahead": {
            "posix_s": [86_400.0 * day for day in range(15)], "wanted_pct": [days, days, days],
            "stress": [days, days, days], "chance": [0.0] * 15, "at_risk": False, "risk_utc": None,
        },
    }  # fmt: skip
    with shops.open(shop_folder) as shop:
        made_utc, payload = shop.store.evaluation("FER-01")
        body = {**json.loads(payload), "checking": checking}
        shop.store.save_evaluation("FER-01", made_utc + timedelta(seconds=1), json.dumps(body).encode())
    page = open_page(app, open="stays")
    assert any("boards of this species withstand 3.7 % at the mildest" in each.value for each in page.caption)
    charts = [each.proto.spec for each in page.get("vega_lite_chart")]
    assert any("surface strain" in each for each in charts)


@pytest.fixture
def move(invented):
    return parse(invented.evaluation(invented.piece("FER-01"))).movement


def still(move, **changes):
    zero = Interval(median=0, low=0, high=0)
    faces = dict.fromkeys("abcd", zero)
    names = ("out_of_square_mm", "diamond_mm", "cup_mm", "crown_mm", "check_mm")
    none = dict.fromkeys((*names, "middle_width_mm", "middle_depth_mm"), zero)
    return move.model_copy(update={"face_mm": faces, "bow_mm": faces, **none, "check_face": None, **changes})


def test_a_piece_that_does_not_move_is_drawn_square(move):
    points = cross_section.outline(still(move), 150, 100, 10)
    assert {abs(x) for x in points[:, 0]} >= {75.0}
    assert points[:, 0].min() == -75
    assert points[:, 1].max() == 50


def test_each_face_is_drawn_as_much_shorter_as_it_gets_times_the_exaggeration(move):
    shrunk = {
        face: Interval(median=-value, low=0, high=0) for face, value in zip("abcd", (1, 2, 3, 4), strict=True)
    }
    points = cross_section.outline(still(move, face_mm=shrunk), 150, 150, 5)
    corners = points[[0, 12, 24, 36]]
    sides = [np.hypot(*(corners[n] - corners[(n + 1) % 4])) for n in range(4)]
    assert sides == pytest.approx([150 - 5 * v for v in (1, 2, 3, 4)], abs=0.4)  # a slant adds a little


def test_a_corner_that_closes_is_drawn_sharper_than_a_right_angle(move):
    for width, depth in ((150, 150), (200, 100), (100, 200)):
        points = cross_section.outline(
            still(move, diamond_mm=Interval(median=2, low=2, high=2)), width, depth, 5
        )
        top_left, top_right, low_right = points[0], points[12], points[24]
        one, two = top_left - top_right, low_right - top_right
        assert np.dot(one, two) > 0  # under 90 degrees between faces a and b
        closes = np.dot(one, two) / np.hypot(*one) / np.hypot(*two) * max(width, depth)
        assert closes == pytest.approx(10, rel=0.05)


def test_a_check_is_drawn_open_from_the_pith_to_lips_that_stand_out(move):
    def mm(median):
        return Interval(median=median, low=median, high=median)

    # the trapezoid of an opened 150: face a 3 mm wider, c 5 mm narrower
    faces = {"a": mm(3.0), "b": mm(-5.0), "c": mm(-5.0), "d": mm(-5.0)}
    opened = still(move, face_mm=faces, check_face="a", crown_mm=mm(3.0), check_mm=mm(8.0))
    points = cross_section.outline(opened, 150, 150, 2, (10.0, 0.0))
    near, tip, far = points[1:4]
    assert tuple(tip) == (10.0, 0.0)
    assert far[0] - near[0] == pytest.approx(16)  # the gap, twice too large
    assert (far[0] + near[0]) / 2 == pytest.approx(10, abs=0.5)
    assert near[1] == far[1] == pytest.approx(75 - 5 + 6)  # both corners 5 lower, the crown 6 above them
    assert points[4][0] - points[0][0] == pytest.approx(156)
    shut = cross_section.outline(opened, 150, 150, 2)  # free of heart: nothing to open from
    assert len(shut) == 49


@pytest.mark.parametrize(("largest", "times"), [(10, 1), (2.1, 5), (1.0, 10), (0.01, 100)])
def test_the_exaggeration_is_a_round_number_that_keeps_the_picture_in_shape(move, largest, times):
    moved = still(move, cup_mm=Interval(median=largest, low=0, high=0))
    assert cross_section.exaggeration(moved, 150) == times


def test_another_use_and_size_are_worked_out_and_nothing_is_kept(app, shop_folder, invented):
    open_page(app)
    with shops.open(shop_folder) as shop:
        before = shop.store.evaluation("FER-01")
    change = what_if.Change(
        use="backbone-immersed", width_mm=120, depth_mm=120, probability=0.8, build_days=30
    )
    made = what_if.answer("FER-01", change, invented.NOW)
    assert made.verdict.wanted == 0.8
    assert made.movement.build_days == 30
    planned = replace(change, kerf=Kerf(face=Face.D, depth_mm=70.0))
    assert what_if.answer("FER-01", planned, invented.NOW).movement.check_face == "d"
    with shops.open(shop_folder) as shop:
        assert shop.store.evaluation("FER-01") == before
        assert shop.register.get("FER-01").use_class == "backbone-above-water"


def test_what_if_on_the_page_says_the_verdict_or_why_there_is_none(app):
    page = open_page(app, open="if")
    page.text_input(key="if_size-FER-01").set_value("20 x 20 in")
    page.button(key="if_go-FER-01").click().run()
    assert not page.exception
    assert page.error
    page.selectbox(key="if_kerf-FER-01").set_value("b")
    page.text_input(key="if_size-FER-01").set_value("5 x 5 in")
    page.button(key="if_go-FER-01").click().run()
    assert not page.exception
    assert not page.error
    assert any("Nothing of this is kept" in each.value for each in page.caption)


def test_readings_and_forecast_can_be_taken_away(app, shop_folder, invented):
    open_page(app)
    table = downloads.readings("FER-01")
    assert len(table) == 24
    assert list(downloads.readings("FER-05").columns) == list(table.columns)
    back = pd.read_parquet(io.BytesIO(table_files.parquet(table)))
    assert pd.Timestamp(back["taken"].max()) <= pd.Timestamp(invented.NOW + timedelta(seconds=1))
    ahead = downloads.forecast(parse(invented.evaluation(invented.piece("FER-01"))))
    assert (ahead["core_mc_q05_pct"] <= ahead["core_mc_q95_pct"]).all()
    assert b"mean_mc_q50_pct" in table_files.csv(ahead)


def test_what_the_page_says_of_movement_and_fit_can_be_taken_away(invented):
    made = parse(invented.evaluation(invented.piece("FER-01")))
    moved = downloads.movement(made).set_index("measure")
    assert moved.loc["face a", "median"] == pytest.approx(-2.1)
    assert {"face d", "out of square, mm", "cup, mm", "check at face c, open, mm"} <= set(moved.index)
    assert moved.loc["face c stands out at the check, mm", "median"] == pytest.approx(0.9)
    assert moved.loc["faces beside face c, each leans, mm", "median"] == pytest.approx(0.8)
    assert (moved["low"] <= moved["high"]).all()
    fit = pd.DataFrame(downloads.fitted(made))
    assert len(fit) == len(made.readings)
    assert set(fit["left_out"]) == {"", "far from the rest"}


def test_what_is_due_while_it_lies_stands_on_the_page_and_goes_when_it_is_done(app, shop_folder):
    assert "400 days on the same side" in html(open_page(app, open="lies"))
    with shops.open(shop_folder) as shop:
        made_utc, payload = shop.store.evaluation("FER-01")
        event = Event(tag="FER-01", kind=EventKind.TURNED, at_utc=made_utc, detail={"up": "c"})
        operations.add_event(shop, event)
        shop.store.save_evaluation("FER-01", made_utc + timedelta(seconds=1), payload)
    app.run()
    told = html(app)
    assert "on the same side" not in told
    assert "stickers have not been noted" in told
