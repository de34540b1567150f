"""Two people at one timber: what one saves while the other types is neither lost nor written over."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from zlib import crc32

import pytest

from baulk.ingest import corrections, hand_readings, operations
from baulk.ingest import shop as shops
from baulk.ingest.store.moments import to_us
from baulk.models.quantity import Owner
from baulk.models.reading import Series
from baulk.models.section import Face
from baulk.models.timber import Place


def here():
    """Return who does it and when: as the test runs, which may be many minutes after the file was read."""
    return {"now_utc": datetime.now(UTC), "by": "Bo"}


def open_page(app, **address):
    app.run()
    app.switch_page("views/timber.py")
    for name, value in {"tag": "FER-01", **address}.items():
        app.query_params[name] = value
    app.run()
    assert not app.exception
    return app


def editing(app):
    page = open_page(app, open="history")
    way = next(each for each in page.button_group if each.key.startswith("history_way-"))
    way.set_value("edit").run()
    assert not page.exception
    return page


def press(page, key):
    page.button(key=key).click().run()
    assert not page.exception


def timber(folder, tag="FER-01"):
    with shops.open(folder) as shop:
        return shop.register.get(tag)


def test_a_field_that_nobody_touched_does_not_write_over_what_somebody_else_saved(app, shop_folder):
    page = editing(app)
    with shops.open(shop_folder) as shop:
        operations.edit_timber(shop, "FER-01", species="Douglas-fir", ends_sealed=True, **here())
        wide = timber(shop_folder).section
        operations.edit_timber(shop, "FER-01", section=replace(wide, width_mm=210.0), sure=True, **here())
    page.run()  # drawn anew: its fields hold what stood there when it was opened
    page.text_input(key="edit-FER-01-length-0").set_value("9 ft")
    press(page, "edit-FER-01-save-0")
    now = timber(shop_folder)
    assert now.length_mm == pytest.approx(2743.2)
    assert (now.species, now.ends_sealed, now.section.width_mm) == ("Douglas-fir", True, 210.0)


def test_what_is_typed_stays_where_somebody_else_changes_the_tag_meanwhile(app, shop_folder):
    page = editing(app)
    with shops.open(shop_folder) as shop:
        operations.edit_timber(shop, "FER-01", tag="FER-77", **here())
    page.run()  # the same fields as before: a browser keeps what is typed in them
    page.text_input(key="edit-FER-01-length-0").set_value("9 ft")
    press(page, "edit-FER-01-save-0")
    now = timber(shop_folder, "FER-77")
    assert (now.tag, now.length_mm) == ("FER-77", pytest.approx(2743.2))


def test_a_reading_being_typed_is_stored_under_the_tag_that_somebody_else_gave_meanwhile(app, shop_folder):
    page = open_page(app, do="reading")
    with shops.open(shop_folder) as shop:
        operations.edit_timber(shop, "FER-01", tag="FER-77", **here())
    page.run()
    page.text_input(key="reading-FER-01-pins-mc-0").set_value("21.5")
    page.text_input(key="reading-FER-01-pins-depth-0").set_value("1 3/4 in")
    press(page, "reading-FER-01-pins-save-0")
    if any(each.key == "reading-FER-01-pins-save-0" for each in page.button):  # it asked first
        press(page, "reading-FER-01-pins-save-0")
    with shops.open(shop_folder) as shop:
        values = [one.value for one in shop.store.readings(Owner.TIMBER, "FER-77") if one.source == "hand"]
    assert 21.5 in values


def test_a_reading_that_somebody_else_corrected_meanwhile_keeps_that_value(app, shop_folder):
    pin, at = Series.parse("timber/FER-01/pin-45/moisture"), datetime.now(UTC)
    with shops.open(shop_folder) as shop:
        hand_readings.add(shop, pin, 28.0, now_utc=at, sure=True)
    page = open_page(app, open="readings")
    row = f"{crc32(f'{pin}@{to_us(at)}'.encode()):08x}"
    name = f"correct-{row}"
    press(page, f"reading_edit-{row}")
    with shops.open(shop_folder) as shop:
        one = corrections.choose(shop, Owner.TIMBER, "FER-01")
        corrections.put_right(shop, one, note="misread", value=27.3, sure=True, **here())
    page.run()
    page.text_input(key=f"{name}-why-0").set_value("other face")
    page.selectbox(key=f"{name}-face-0").set_value("c")
    press(page, f"{name}-save-0")
    with shops.open(shop_folder) as shop:
        now = corrections.choose(shop, Owner.TIMBER, "FER-01")
    assert (now.value, now.series.face) == (27.3, Face.C)


def test_a_note_of_a_place_leaves_its_volume_as_it_is_and_as_somebody_else_saves_it(app, shop_folder):
    with shops.open(shop_folder) as shop:
        shop.register.save_place(Place(name="loft", volume_m3=123.456))
    app.run()
    app.switch_page("views/files.py").run()
    app.selectbox(key="place_which").set_value("loft").run()

    def loft():
        with shops.open(shop_folder) as shop:
            return next(each for each in shop.register.places() if each.name == "loft")

    app.text_input(key="place-loft-note-0").set_value("above the saw")
    press(app, "place-loft-save-0")
    assert (loft().note, loft().volume_m3) == ("above the saw", 123.456)  # not as it is shown, rounded
    with shops.open(shop_folder) as shop:
        shop.register.save_place(replace(loft(), volume_m3=200.0))
    app.text_input(key="place-loft-note-1").set_value("beside the saw")
    press(app, "place-loft-save-1")
    assert (loft().note, loft().volume_m3) == ("beside the saw", 200.0)
