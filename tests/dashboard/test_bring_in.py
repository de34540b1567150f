"""Files in and out on the Health page: seen first, then done."""

from __future__ import annotations

import csv
import io

import pytest

from baulk.ingest import shop as shops
from baulk.models.quantity import Owner

HEAD = "tag,species,green,finished,length,use,arrived\n"
ROW = "NEW-01,white oak,8 x 7 3/4 in,6 x 6 in,12 ft,frame-outdoors,2026-05-01\n"


def html(app):
    return "\n".join(each.proto.body for each in app.get("html"))


@pytest.fixture
def page(app):
    app.run()
    app.switch_page("views/files.py").run()
    assert not app.exception
    return app


def choose(page, kind):
    page.get("button_group")
    page.session_state["bring_kind"] = kind
    page.run()
    return page


def upload(page, kind, text, name="list.csv"):
    choose(page, kind)
    page.file_uploader(key=f"bring_{kind}_0").upload(name, text.encode(), "text/csv")
    page.run()
    assert not page.exception
    return page


def said(page):
    saved = " ".join(each.proto.body for each in page.get("html"))
    return saved + " ".join(each.value for each in (*page.error, *page.info))


def test_a_list_of_timbers_is_seen_first_and_entered_by_a_button(page, shop_folder):
    upload(page, "timbers", HEAD + ROW + ROW.replace("NEW-01", "NEW-02").replace("12 ft", "12 furlongs"))
    told = html(page)
    assert "NEW-01" in told
    assert "12 furlongs" in told
    with shops.open(shop_folder) as shop:
        assert "NEW-01" not in shop.register.tags()
    page.button(key="bring_go").click().run()
    assert "Timbers entered or changed: 1" in said(page)
    with shops.open(shop_folder) as shop:
        assert "NEW-01" in shop.register.tags()
        assert "NEW-02" not in shop.register.tags()


def test_timbers_come_in_with_what_happened_to_them(page, shop_folder):
    events = (
        "tag,kind,at,detail\n"
        'NEW-01,arrived,2026-05-01 08:00,"{""place"": ""yard""}"\n'
        'NEW-01,moved,2026-05-20 09:30,"{""from"": ""yard"", ""to"": ""loft""}"\n'
        'NEW-01,moved,2026-04-21 09:30,"{""from"": ""yard"", ""to"": ""barn""}"\n'  # before it came
    )
    text = HEAD.replace("arrived", "arrived,place") + ROW.replace("2026-05-01", "2026-05-01 08:00,loft")
    for turn in range(2):
        choose(page, "timbers")
        page.file_uploader(key=f"bring_timbers_{turn}").upload("list.csv", text.encode(), "text/csv")
        page.run()
        page.file_uploader(key=f"bring_events_{turn}").upload("events.csv", events.encode(), "text/csv")
        page.run()
        assert not page.exception
        if turn == 0:
            assert page.button(key="bring_go").label == "Import 1 timber and 2 events"
            page.button(key="bring_go").click().run()
            assert "Events entered: 1, there already: 0, refused: 1 (NEW-01, moved: " in said(page)
    with shops.open(shop_folder) as shop:
        kinds = [(each.kind.value, each.detail.get("to")) for each in shop.register.events("NEW-01")]
        assert sorted(kinds) == [("arrived", None), ("moved", "loft")]
        assert shop.register.get("NEW-01").place == "loft"
    assert (
        page.button(key="bring_go").label == "Import 1 event"
    )  # the one that was refused; the rest is there


def test_a_change_needs_its_switch(page, shop_folder):
    with shops.open(shop_folder) as shop:
        tag = shop.register.tags()[0]
    upload(page, "timbers", f"tag,place\n{tag},loft\n")
    assert "Nothing to enter." in said(page)
    page.toggle(key="bring_update").set_value(True).run()
    page.button(key="bring_go").click().run()
    with shops.open(shop_folder) as shop:
        assert shop.register.get(tag).place == "loft"


def test_readings_one_a_row(page, shop_folder):
    head = "place,quantity,taken,value,unit\n"
    text = f"{head}attic,temp,2026-05-01T10:00Z,20,degC\nattic,temp,2026-05-01T11:00Z,200,degC\n"
    upload(page, "long", text)
    assert "lies outside" in html(page)
    page.button(key="bring_go").click().run()
    assert "Readings imported: 1." in said(page)
    with shops.open(shop_folder) as shop:
        assert [one.value for one in shop.store.readings(Owner.AIR, "attic")] == [20]


def test_a_loggers_columns_are_said_and_not_guessed(page, shop_folder):
    upload(page, "logger", "Date,T\n2026-05-01 10:00,50\n")
    assert "Say what at least one column is." in said(page)
    page.selectbox(key="bring_what_0").select("temp").run()
    page.text_input(key="bring_of_0").input("attic").run()
    assert "Say what at least one column is." in said(page)
    page.selectbox(key="bring_unit_0").select("degF").run()
    assert "has no time zone" in said(page)
    page.text_input(key="bring_zone").input("Europe/Lisbon").run()
    page.button(key="bring_go").click().run()
    assert "Readings imported: 1." in said(page)
    with shops.open(shop_folder) as shop:
        (one,) = shop.store.readings(Owner.AIR, "attic")
    assert (one.value, one.taken_utc.hour) == (10, 9)


def test_a_file_that_is_none_is_told_in_a_sentence(page):
    upload(page, "timbers", "Name,Colour\nx,y\n")
    assert "no line with tag" in said(page)


def test_tables_are_taken_out(page, shop_folder):
    choose(page, "out")
    assert not page.exception
    assert page.get("download_button")


def test_what_is_taken_out_is_the_shop(shop_folder, monkeypatch):
    from baulk.ingest.exchange import export, table_file  # noqa: PLC0415

    with shops.open(shop_folder) as shop:
        text = io.StringIO()
        table_file.write_csv(export.TABLES["timbers"](shop, export.Asked()), text)
        tags = [row["tag"] for row in csv.DictReader(io.StringIO(text.getvalue()))]
        assert tags == list(shop.register.tags())
