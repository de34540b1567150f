"""The yard: groups, tiles, search, order, the plan of its places, and the table to take away."""

import io
import json
import re
from dataclasses import replace
from datetime import UTC, datetime

import pandas as pd
import pytest

from baulk.dashboard.queries import which_tag, yard_groups, yard_plan, yard_rows
from baulk.dashboard.sections import table_files, yard_list
from baulk.ingest import operations
from baulk.ingest import shop as shops
from baulk.models.errors import BaulkError
from baulk.models.timber import Place


@pytest.fixture
def many(shop_folder, invented, monkeypatch):
    """Nine timbers in two places; the last four were never read."""
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
    monkeypatch.setenv("BAULK_SHOP", str(shop_folder))
    return shop_folder


def tags(app):
    told = "\n".join(each.proto.body for each in app.get("html"))
    return re.findall(r'class="b-tag">([^<]+)</b>', told)


def rows(invented):
    return {row.timber.tag: row for row in yard_rows.rows(invented.NOW)}


def doubtful(shop, invented, tag, step):
    body = json.loads(invented.evaluation(invented.piece(tag), step=step, days=0))
    body["verdict"]["enough_readings"] = False
    shop.store.save_evaluation(tag, invented.NOW, json.dumps(body).encode())


def test_every_timber_stands_in_one_group(many, invented):
    found = {tag: yard_groups.of(row) for tag, row in rows(invented).items()}
    assert found == {
        "FER-01": "leave", "FER-02": "rough-out", "FER-03": "square", "FER-04": "leave", "FER-05": "read",
        "FER-06": "read", "FER-07": "read", "FER-08": "read", "FER-09": "read",
    }  # fmt: skip


def test_a_former_tag_finds_its_timber(many, invented):
    with shops.open(many) as shop:
        operations.edit_timber(shop, "FER-05", tag="FER-50", now_utc=datetime.now(UTC))
    found = yard_groups.found(yard_rows.rows(invented.NOW), "fer-05")
    assert [row.timber.tag for row in found] == ["FER-50"]
    assert [which_tag.find(each) for each in ("FER-05", "fer 5", "FER-50", "FER-5")] == ["FER-50"] * 4


def test_too_few_readings_stand_under_read_and_say_so(many, invented):
    with shops.open(many) as shop:
        doubtful(shop, invented, "FER-02", "rough out")
    row = rows(invented)["FER-02"]
    assert yard_groups.of(row) == "read"
    assert yard_groups.about(row) == "too few readings"


def test_what_cannot_be_read_or_contradicts_itself_is_trouble(many, invented):
    with shops.open(many) as shop:
        shop.store.save_evaluation("FER-03", invented.NOW, b'{"tag":"FER-03"}')
    row = rows(invented)["FER-03"]
    assert yard_groups.of(row) == "trouble"
    assert "can't be read" in yard_groups.about(row)


def test_readings_that_disagree_are_trouble_where_they_are_many_and_not_for_frost(many, invented):
    def with_left_out(code, count):
        body = json.loads(invented.evaluation(invented.piece("FER-01")))
        held = {"series": "timber/FER-01/pin-32/b/moisture", "count": count, "of": 60, "off_pct": 9.0}
        body["calibration"]["left_out_coded"] = [{"code": code, "values": held}]
        with shops.open(many) as shop:
            shop.store.save_evaluation("FER-01", invented.NOW, json.dumps(body).encode())
        return yard_groups.of(rows(invented)["FER-01"])

    assert with_left_out("calibration.outlier", 30) == "trouble"
    assert with_left_out("calibration.outlier", 2) == "leave"
    assert with_left_out("calibration.frozen", 30) == "leave"


def test_one_sentence_says_what_to_do_today(many, invented):
    every = rows(invented)
    assert yard_groups.today(list(every.values())) == ("Square FER-03; rough out FER-02; read 5 timbers.")
    assert yard_groups.today([every["FER-05"], every["FER-06"]]) == "Read FER-05 and FER-06."
    assert yard_groups.today([every["FER-01"]]) == "Nothing to do today: leave them all."


def test_tiles_filter_and_the_address_holds_it(many, app):
    app.query_params["show"] = "square"
    app.run()
    assert tags(app) == ["FER-03"]
    told = "\n".join(each.proto.body for each in app.get("html"))
    assert "aria-current=true><b>1</b>" in told
    assert 'href="/?show=read"' in told
    assert 'href="/"' in told  # the pressed one leads back to all


def test_search_order_and_filters_show_what_was_asked_for(many, app):
    app.run()
    assert len(tags(app)) == 9
    app.text_input(key="q").set_value("rack oak").run()
    assert sorted(tags(app)) == ["FER-07", "FER-09"]
    app.text_input(key="q").set_value("").run()
    app.selectbox(key="sort").set_value("wettest core").run()
    assert next(tag for tag in tags(app) if tag in {"FER-06", "FER-07", "FER-08", "FER-09"}) == "FER-09"
    app.multiselect(key="place").set_value(["rack"]).run()
    assert sorted(tags(app)) == ["FER-07", "FER-09"]
    app.text_input(key="q").set_value("nothing of this kind").run()
    assert not app.exception
    assert "No timber answers to that." in "".join(each.proto.body for each in app.get("html"))


def test_a_short_list_needs_no_sorting_but_can_be_searched(app):
    app.run()
    assert not app.selectbox
    assert app.text_input(key="q")


def test_the_table_to_take_away_says_in_its_names_what_each_number_is(many, invented):
    found = list(yard_rows.rows(invented.NOW))
    table = yard_rows.table(found)
    back = pd.read_csv(io.BytesIO(table_files.csv(table)))
    assert list(back["tag"]) == [row.timber.tag for row in found]
    one = back[back["tag"] == "FER-01"].iloc[0]
    assert one["core_mc_pct"] == 48.0
    assert one["green_depth_mm"] == pytest.approx(196.85)
    assert pd.Timestamp(one["arrived"]).tz is not None
    again = pd.read_parquet(io.BytesIO(table_files.parquet(table)))
    pd.testing.assert_frame_equal(again, table, check_dtype=False)


def test_rows_are_read_once_for_a_revision_and_anew_after_a_change(many, invented, monkeypatch):
    first = yard_rows.rows(invented.NOW)
    with monkeypatch.context() as closed:
        closed.setattr(yard_rows, "_summary", lambda _: (x for x in ()).throw(AssertionError))
        assert yard_rows.rows(invented.NOW) == first
    with shops.open(many) as shop:
        operations.add_timber(shop, invented.piece("FER-10"), sure=True)
    assert len(yard_rows.rows(invented.NOW)) == 10


def test_the_plan_holds_every_place_with_what_lies_there(many, invented):
    with shops.open(many) as shop:
        shop.register.save_place(Place(name="shed", kind="shed", x_m=0, y_m=0, width_m=12, depth_m=6))
    boxes = {box["name"]: box for box in yard_plan.drawn(yard_plan.places(), yard_rows.rows(invented.NOW))}
    assert (boxes["shed"]["x"], boxes["shed"]["w"]) == (0, 12)
    assert boxes["rack"]["x"] is None  # waits beside the plan to be put on it
    assert [one["tag"] for one in boxes["rack"]["timbers"]] == ["FER-07", "FER-09"]


def test_a_place_is_put_on_the_plan_and_back_without_losing_what_else_is_known_of_it(many):
    held = Place(name="rack", kind="rack", volume_m3=40.0, note="north")
    with shops.open(many) as shop:
        shop.register.save_place(held)
    before, after = yard_plan.put({"name": "rack", "x": 2.5, "y": -1, "w": 4, "h": 2})
    assert before == held
    assert after in yard_plan.places()
    assert replace(after, x_m=None, y_m=None, width_m=None, depth_m=None) == held
    yard_plan.put_back(before)
    assert held in yard_plan.places()
    with pytest.raises(BaulkError, match="must be above 0"):
        yard_plan.put({"name": "rack", "x": 0, "y": 0, "w": -4, "h": 2})


def test_a_timber_dragged_to_another_place_is_moved_and_undo_moves_it_back(many, invented):
    number = yard_plan.lay("FER-01", "rack", by="Ada", now=invented.NOW)
    assert rows(invented)["FER-01"].timber.place == "rack"
    yard_plan.undo(number, by="Ada", now=invented.NOW)
    assert rows(invented)["FER-01"].timber.place == "shed"


def test_the_plan_of_the_yard_is_shown(many, app):
    app.query_params["view"] = "plan"
    app.run()
    assert not app.exception
    assert tags(app) == []


def test_a_use_that_the_tables_no_longer_know_spoils_its_own_row_only(many, app):
    with shops.open(many) as shop, shop.register._write() as (base, _):
        base.exec_driver_sql("UPDATE timber SET use_class = 'gone' WHERE tag = 'FER-07'")
    app.run()
    assert not app.exception
    assert not app.error
    assert len(tags(app)) == 9
    app.multiselect(key="use").set_value(["gone"]).run()
    assert tags(app) == ["FER-07"]


def test_a_long_list_comes_in_parts_and_is_searched_whole(many, app, monkeypatch):
    monkeypatch.setattr(yard_list, "PART", 4)

    def told():
        return "\n".join(each.proto.body for each in app.get("html"))

    whole = []
    for part, said in (("", "1 to 4 of 9"), ("2", "5 to 8 of 9"), ("3", "9 to 9 of 9")):
        app.query_params["part"] = part
        app.run()
        whole += tags(app)
        assert f"{said} timbers" in told()
    assert sorted(whole) == [f"FER-0{n}" for n in range(1, 10)]
    assert "part=2" in told()  # the way back
    assert "Next" not in told()
    assert 'Leave <span class="b-dim">2</span></h2>' in told()  # the number is that of the whole group
    app.query_params["part"] = "all"
    app.run()
    assert len(tags(app)) == 9
    app.query_params["part"] = "7"  # there is none such
    app.run()
    assert tags(app) == whole[:4]
    app.text_input(key="q").set_value("fer-09").run()
    assert tags(app) == ["FER-09"]
    assert "of 1 timbers" not in told()


def test_parts_of_a_list_are_counted_through_it():
    assert [yard_list.part(401, each) for each in ("", "1", "3", "4", "0", "-1", "x", "9" * 30)] == [
        range(150), range(150), range(300, 401), *[range(150)] * 5,
    ]  # fmt: skip
    assert yard_list.part(401, "all") == range(401)
    assert yard_list.part(150, "2") == range(150)


def test_only_what_changed_is_read_again(many, invented, monkeypatch):
    rows(invented)
    with shops.open(many) as shop:
        body = invented.evaluation(invented.piece("FER-01"), core=33.0)
        shop.store.save_evaluation("FER-01", invented.NOW, body)
    asked = []
    monkeypatch.setattr(
        yard_rows, "_summary", lambda payload, real=yard_rows._summary: asked.append(1) or real(payload)
    )
    assert rows(invented)["FER-01"].answer.core_now_pct.median == 33.0
    assert len(asked) == 1
    rows(invented)
    assert len(asked) == 1
