"""The yard: order, sieves, the plan of its places, and the table to take away."""

from __future__ import annotations

import io
import re

import pandas as pd
import pytest

from baulk.dashboard.charts import yard_map
from baulk.dashboard.queries import yard_rows
from baulk.dashboard.sections import downloads
from baulk.ingest import operations
from baulk.ingest import shop as shops
from baulk.models.timber import Place


@pytest.fixture
def many(shop_folder, invented):
    """Nine timbers in two places."""
    with shops.open(shop_folder) as shop:
        for n in range(6, 10):
            operations.add_timber(
                shop,
                invented.piece(f"FER-0{n}", place="rack" if n % 2 else "shed"),
                sure=True,
                new_place=True,
            )
            shop.store.save_evaluation(
                f"FER-0{n}", invented.NOW, invented.evaluation(invented.piece(f"FER-0{n}"), core=20.0 + n)
            )
    return shop_folder


def tags(app):
    told = "\n".join(each.proto.body for each in app.get("html"))
    return re.findall(r">(FER-\d\d)</a>", told)


def test_order_and_sieves_show_what_was_asked_for(many, app):
    app.run()
    assert len(tags(app)) == 9
    app.selectbox(key="yard_order").set_value("tag").run()
    assert tags(app) == [f"FER-0{n}" for n in range(1, 10)]
    app.selectbox(key="yard_order").set_value("wettest core").run()
    assert tags(app)[0] == "FER-01"
    app.multiselect(key="yard_place").set_value(["rack"]).run()
    assert sorted(tags(app)) == ["FER-07", "FER-09"]
    app.multiselect(key="yard_place").set_value([]).run()
    app.multiselect(key="yard_verdict").set_value(["Square"]).run()
    assert tags(app) == ["FER-03"]
    app.text_input(key="yard_tag").set_value("99").run()
    assert not app.exception
    assert "widen it" in app.info[0].value


def test_a_short_list_needs_no_sieve(app):
    app.run()
    assert not app.selectbox


def test_the_table_to_take_away_says_in_its_names_what_each_number_is(many, app, invented, monkeypatch):
    monkeypatch.setenv("BAULK_SHOP", str(many))
    found = list(yard_rows.rows(invented.NOW))
    table = yard_rows.table(found)
    back = pd.read_csv(io.BytesIO(downloads.csv(table)))
    assert list(back["tag"]) == [row.timber.tag for row in found]
    one = back[back["tag"] == "FER-01"].iloc[0]
    assert one["core_mc_pct"] == 48.0
    assert one["green_depth_mm"] == pytest.approx(196.85)
    assert pd.Timestamp(one["arrived"]).tz is not None
    again = pd.read_parquet(io.BytesIO(downloads.parquet(table)))
    pd.testing.assert_frame_equal(again, table, check_dtype=False)


def test_rows_are_read_once_for_a_revision_and_anew_after_a_change(many, app, invented, monkeypatch):
    monkeypatch.setenv("BAULK_SHOP", str(many))
    first = yard_rows.rows(invented.NOW)
    monkeypatch.setattr(yard_rows, "_summary", lambda _: (x for x in ()).throw(AssertionError))
    assert yard_rows.rows(invented.NOW) == first
    monkeypatch.undo()
    monkeypatch.setenv("BAULK_SHOP", str(many))
    with shops.open(many) as shop:
        operations.add_timber(shop, invented.piece("FER-10"), sure=True)
    assert len(yard_rows.rows(invented.NOW)) == 10


def test_places_with_a_position_are_drawn_to_scale_with_what_lies_there(many, app, invented, monkeypatch):
    monkeypatch.setenv("BAULK_SHOP", str(many))
    with shops.open(many) as shop:
        shop.register.save_place(Place(name="shed", kind="shed", x_m=0, y_m=0, width_m=12, depth_m=6))
        shop.register.save_place(Place(name="rack", kind="rack", x_m=14, y_m=0, width_m=2, depth_m=5))
        shop.register.save_place(Place(name="loft", kind="room"))
    drawn = yard_rows.places()
    assert {place.name for place in drawn} == {"shed", "rack"}
    told = yard_rows.told_by_place(yard_rows.rows(invented.NOW))
    rows = yard_map.picture(drawn, told, "metric").to_dict()["datasets"]
    boxes = {box["place"]: box for box in next(iter(rows.values()))}
    assert boxes["shed"]["x2"] - boxes["shed"]["x"] == 12
    assert boxes["rack"]["holds"] == "□2"
    assert "■1" in boxes["shed"]["holds"]
    app.run()
    assert not app.exception
    assert any(each.value == "Map" for each in app.header)


def test_a_use_that_the_tables_no_longer_know_spoils_its_own_row_only(many, app):
    with shops.open(many) as shop, shop.register._write() as (base, _):
        base.exec_driver_sql("UPDATE timber SET use_class = 'gone' WHERE tag = 'FER-07'")
    app.run()
    assert not app.exception
    assert not app.error
    assert len(tags(app)) == 9
    app.multiselect(key="yard_use").set_value(["gone"]).run()
    assert tags(app) == ["FER-07"]
