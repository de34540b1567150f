"""Sawing and buying, on its page and from the command line, in the invented shop."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pypdfium2
import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.dashboard.charts import allowance_stack, part_bars
from baulk.dashboard.printing import mill_list, saw_drawing
from baulk.ingest import shop as shops
from baulk.models import formatting, species, use_class
from baulk.models.allowance.parts import Wet
from baulk.models.errors import BaulkError, NotFound, OutOfRange
from baulk.models.plan.buying.purchase import Assignment, BuyPlan, MillLine, Wish
from baulk.models.plan.sawing import allowance, place_cut
from baulk.models.plan.sawing.cutting import Stock
from baulk.models.plan.sawing.order import Order
from baulk.models.reason import Reason
from baulk.models.section import Finished, Section

OAK = species.get("white oak")
USE = use_class.get("frame-outdoors")
LIST = """part,finished,length,curve,use,wanted by,heart,count,wood
Post,4 x 4 in,3 ft,0,frame-outdoors,2039-10-31,any,2,white oak
Knee,4 x 4 in,2 ft,0,frame-outdoors,soon,any,1,white oak
"""


@pytest.fixture
def plans(app):
    return app.run().switch_page("views/plans.py").run()


@pytest.fixture
def run(monkeypatch, shop_folder):
    monkeypatch.setenv("COLUMNS", "160")

    def asked(*words):
        app = commands.build(("plan",))
        return (
            CliRunner()
            .invoke(app, ["plan", *words], env={"BAULK_SHOP": str(shop_folder)}, catch_exceptions=False)
            .stdout
        )

    return asked


SIX = (
    "--finished",
    "6 x 6 in",
    "--length",
    "10ft",
    "--species",
    "white oak",
    "--use",
    "backbone-above-water",
)


def test_a_green_size_is_told_with_its_allowance(run):
    told = run("size", *SIX)
    assert told.startswith("Saw or order 7 x 7 in, 11 ft, white oak")
    assert "common practice" in told
    exact = json.loads(run("size", *SIX, "--json"))
    assert exact["green"]["width_mm"] == pytest.approx(177.8)
    assert {term["name"] for term in exact["terms"]} >= {"shrinkage", "distortion", "bow", "planing"}


@pytest.mark.parametrize(
    ("system", "other"),
    [("inch", r"\d (?:mm|cm|m|m³|kg|°C)\b"), ("metric", r"\d (?:in|ft|lb|°F|board feet)\b")],
)
def test_a_plan_is_told_in_the_readers_units_alone(run, tmp_path, system, other):
    parts = tmp_path / "parts.csv"
    parts.write_text(LIST.splitlines()[0] + "\nPost,40 x 40 in,9 ft,2 in,deck,,any,2,white oak\n")
    for words in (
        ("size", *SIX),
        ("size", "--section", "8 x 8 in", "--mc", "30", *SIX, "--sweep", "1 in"),
        ("buy", "--parts", str(parts)),
    ):
        told = re.sub(r"1 in \d+", "a slope", run(*words, "--units", system))
        assert not re.search(other, told), re.search(other, told)
        said = json.loads(run(*words, "--units", system, "--json"))
        assert len(said["words"]) == len(said["words_coded"])
        for name in ("words", "assumptions", "would_change", "cautions"):
            assert not re.search(other, re.sub(r"1 in \d+", "a slope", " ".join(said[name])))


def test_a_metric_wish_is_answered_in_steps_of_five(run):
    exact = json.loads(run("size", "--finished", "150x150 mm", "--length", "3 m", "--species", "tamarack",
                           "--use", "deck", "--bow", "0", "--crook", "2 mm", "--json"))  # fmt: skip
    assert exact["green"]["width_mm"] % 5 == 0
    assert exact["order"]["bow_mm"] == 0


def test_a_timber_of_the_register_is_laid_out_and_drawn(run, shop_folder, tmp_path):
    with shops.open(shop_folder) as shop:
        tag = shop.register.list()[0].tag
    out = tmp_path / "saw.pdf"
    told = run("size", tag, "--finished", "3 x 3 in", "--pieces", "--corner", "ab 1 x 1 in", "-o",
               str(out))  # fmt: skip
    assert tag in told
    assert "from face a" in told
    assert out.read_bytes().startswith(b"%PDF")
    assert json.loads(run("size", tag, "--json"))["choices"]


def test_a_measured_section_needs_no_register(run):
    told = run(
        "size", "--section", "8 x 8 in", "--pith", "1,2", "--mc", "30", *SIX, "--defect", "-4,-4,1/2,1"
    )
    assert told.startswith("the timber, 8 x 8 in, white oak, 30 % MC now")


@pytest.mark.parametrize(
    ("words", "error", "says"),
    [
        (("size",), OutOfRange, "needs --finished"),
        (("size", *SIX[:1], "60 x 60 ft", *SIX[2:]), OutOfRange, "largest log"),
        (("size", *SIX, "--heart", "left"), OutOfRange, "boxed, free or offset"),
        (("size", *SIX, "--pith", "4"), OutOfRange, "the pith looks like"),
        (("size", "NONE-9", *SIX), NotFound, "NONE-9"),
        (("size", *SIX, "--section", "8 x 8 in", "--defect", "1,2"), OutOfRange, "x,y,width,height"),
        (("size", *SIX, "--section", "8 x 8 in", "--corner", "ab"), OutOfRange, "a corner is ab"),
        (("size", "--section", "8 x 8 in"), OutOfRange, "its wood and its use"),
        (("size", *SIX, "-o", "saw.txt"), OutOfRange, "as .svg or .pdf"),
        (("size", *SIX, "--units", "ells"), OutOfRange, "inch or metric"),
        (("buy", "--parts", "nowhere.csv"), OutOfRange, "can't be read"),
        (("buy",), OutOfRange, "holds no parts"),
    ],
)
def test_what_cannot_be_planned_is_a_sentence(run, words, error, says):
    with pytest.raises(BaulkError, match=says) as caught:
        run(*words)
    assert isinstance(caught.value, error)


def test_a_parts_list_is_planned_and_the_list_for_the_mill_written(run, tmp_path):
    parts, mill = tmp_path / "parts.csv", tmp_path / "mill.csv"
    parts.write_text(LIST)
    told = run("buy", "--parts", str(parts), "-o", str(mill))
    assert "Line 3 was left out: the date looks like" in told
    assert "of 2 pieces can be cut from the yard" in told
    assert mill.read_text().startswith("count,wood,size")
    exact = json.loads(run("buy", "--parts", str(parts), "--json"))
    assert exact["wanted"] == 2
    assert exact["refused"][0]["line"] == 3


def test_a_list_without_one_good_line_is_a_sentence(run, tmp_path):
    parts = tmp_path / "parts.csv"
    parts.write_text(LIST.splitlines()[0] + "\nPost,4 x 4,3 ft,0,deck,,any,1,\n")
    with pytest.raises(OutOfRange, match="no part that can be read; line 2"):
        run("buy", "--parts", str(parts))
    parts.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(OutOfRange, match="not text in UTF-8"):
        run("buy", "--parts", str(parts))


def test_the_example_list_of_the_demo_is_read_whole(root):
    from baulk.models.plan.buying import parts as buying_parts  # noqa: PLC0415

    found = buying_parts.read_csv((root / "ingest" / "demo" / "ferry-parts.csv").read_text())
    assert found.refused == ()
    assert len(found.parts) == 9


def test_the_demos_days_move_with_the_day_it_is_seen():
    from baulk.ingest.demo import yard as parts  # noqa: PLC0415

    later = parts.WRITTEN_UTC + timedelta(days=4000, hours=7)
    assert min(each.wanted_by_utc for each in parts.parts(later)) > later
    assert parts.parts(parts.WRITTEN_UTC)[0].wanted_by_utc == datetime(2028, 4, 30, tzinfo=UTC)


def test_the_drawing_holds_every_piece_and_its_distances():
    stock = Stock(name="T-1", section=Section(width_mm=200, depth_mm=200, pith_x_mm=10), length_mm=3000)
    plan = place_cut.plan(
        stock, Order(width_mm=60, depth_mm=60, length_mm=2000), OAK, USE, wet=Wet(mean_pct=40.0), pieces=True
    )
    sheet = saw_drawing.of_cut(plan, "metric")
    count = len(plan.choices[0].pieces)
    assert count > 1
    dashed = [each for each in sheet.marks if isinstance(each, saw_drawing.Box) and each.dashed]
    assert len(dashed) == count
    assert "Saw each" in sheet.svg()
    assert sheet.pdf().startswith(b"%PDF")
    one = saw_drawing.of_size(
        allowance.size(Order(width_mm=60, depth_mm=60, length_mm=2000), OAK, USE), "inch"
    )
    assert "Saw or order" in one.svg()


def test_the_page_answers_a_size(plans):
    plans.text_input(key="plan_finished").set_value("6 x 6")
    plans.text_input(key="plan_length").set_value("10 ft")
    plans.selectbox(key="plan_species").set_value("white oak").run()
    assert not plans.exception
    assert not plans.error
    assert any("Saw or order" in each.value for each in plans.markdown)


def test_the_page_says_what_it_does_not_understand(plans):
    plans.text_input(key="plan_finished").set_value("six by six")
    plans.text_input(key="plan_length").set_value("10 ft")
    plans.selectbox(key="plan_species").set_value("white oak").run()
    assert not plans.exception
    assert plans.error


def test_the_page_lays_out_a_timber(plans):
    plans.segmented_control(key="plan_way").set_value("timber").run()
    assert not plans.exception
    assert not plans.error
    assert any("Seen from the butt end" in each.value for each in plans.caption)
    ways = [each for each in plans.get("html") if "wood used" in each.proto.body]
    asked = [each for each in plans.radio if each.key == "cut_choice"]
    assert len(asked) == (ways[0].proto.body.count("<tr>") > 2)  # of one way there is nothing to choose


def test_the_page_plans_the_registers_parts(app, shop_folder):
    from baulk.models.plan.buying.parts import Part  # noqa: PLC0415

    with shops.open(shop_folder) as shop:
        shop.register.save_part(
            Part(name="Post", width_mm=80, depth_mm=80, length_mm=900, use_class="frame-outdoors", count=2)
        )
    page = app.run().switch_page("views/plans.py").run()
    page.segmented_control(key="plan_way").set_value("parts").run()
    assert not page.exception
    assert any("of 2 pieces" in each.value for each in page.markdown)
    woods = page.selectbox(key="buy_species")
    assert any(
        each.startswith("tamarack (") for each in woods.options
    )  # with its other names, and asked which
    assert woods.proto.accept_new_options


def test_each_plan_has_an_address_and_the_choice_is_written_into_it(app):
    app.query_params["plan"] = "buying"
    page = app.run().switch_page("views/plans.py").run()
    assert not page.exception
    chosen = page.segmented_control(key="plan_way")
    assert chosen.value in {"order", "parts"}  # switch_page of the test empties the address
    chosen.set_value("timber").run()
    assert page.query_params["plan"] in ("sawing", ["sawing"])


def test_the_allowance_is_a_stack_that_adds_up_and_says_most_of_what_it_is_for():
    made = allowance.size(Order(width_mm=152.4, depth_mm=152.4, length_mm=3000.0), OAK, USE)
    for which in ("width", "depth"):
        parts = allowance_stack.parts(made, which)
        assert parts[0] == ("finished", 152.4)
        assert sum(size for _, size in parts) == pytest.approx(getattr(made.green, f"{which}_mm"), abs=0.3)
    said = allowance_stack.finding(made, "metric")
    most = max(allowance_stack.parts(made, "width")[1:], key=lambda each: each[1])[0]
    assert most in said
    assert said.startswith("The width needs ")


def test_the_layers_of_an_allowance_are_told_in_fractions_and_all_of_them_are_drawn():
    made = allowance.size(Order(width_mm=152.4, depth_mm=152.4, length_mm=3000.0), OAK, USE)
    found = allowance_stack.layers(made)
    across = sum(each[0] for each in found.values())
    assert across == pytest.approx(made.green.width_mm - 152.4, abs=0.3)
    svg = allowance_stack.drawing(made, "inch").svg
    assert re.search(r"\d/(4|8|16|32) in", svg)
    assert not re.search(r"\d\.\d+ in", svg)
    for name in found:
        assert f">{allowance_stack.NAMES.get(name, name)}</text>" in svg
    heights = [
        float(each) for each in re.findall(r'<text x="272.0" y="([\d.]+)" text-anchor="start" class="s"', svg)
    ]
    assert len(heights) == len(found)
    assert min(low - high for low, high in pairwise(heights)) >= 30  # none over another


@pytest.mark.parametrize(
    ("mm", "inch"),
    [(19.05, "3/4 in"), (26.2, "1 1/32 in"), (0.3, "under 1/32 in"), (0.0, "0 in"), (50.8, "2 in"),
     (-3.175, "-1/8 in")],
)  # fmt: skip
def test_a_part_of_an_allowance_is_told_as_a_rule_shows_it(mm, inch):
    assert formatting.show_allowance(mm, "inch") == inch
    assert formatting.show_allowance(19.05, "metric") == "19.1 mm"


def taken(part, count, length_mm, at=(0.0, 0.0)):
    where = Finished(width_mm=90, depth_mm=90, centre_x_mm=at[0], centre_y_mm=at[1])
    return Assignment(
        part=part, tag="T-1", count=count, sawn_width_mm=95, sawn_depth_mm=95, place=where,
        length_mm=length_mm, ready_utc=None, how=Reason(code="buying.by_verdict"), late_weeks=0.0,
        waste_m3=0.0,
    )  # fmt: skip


def planned(*assignments):
    return BuyPlan(
        made_utc=datetime(2027, 1, 1, tzinfo=UTC), wish=Wish(), wanted=4, assignments=assignments,
        shortfalls=(), mill=(), left_mm={}, unused=(), gap=0.0,
    )  # fmt: skip


def test_parts_lie_along_their_timber_and_side_by_side_where_they_are_longer_than_it():
    (one,) = part_bars.bars(planned(taken("Post", 2, 900), taken("Cleat", 1, 400)), {"T-1": 2500.0})
    assert [lane.pieces for lane in one.lanes] == [(("Post", 900), ("Post", 900), ("Cleat", 400))]
    assert one.lanes[0].left_mm == pytest.approx(300)
    beside = planned(taken("Post", 2, 900, (-50, 0)), taken("Cleat", 4, 400, (50, 0)))
    (two,) = part_bars.bars(beside, {"T-1": 2000.0})
    assert [len(lane.pieces) for lane in two.lanes] == [2, 4]
    assert [lane.left_mm for lane in two.lanes] == [200, 400]
    said = part_bars.finding([two], "metric")
    assert said == "6 pieces come out of 1 timber; the longest piece left over is 0.40 m, of T-1."
    drawn = part_bars.html([two], "metric")
    assert drawn.count('class="b-bar"') == 2
    assert drawn.count('class="b-part"') == 6


def test_the_mills_list_prints_a_line_for_each_size():
    line = MillLine(
        species="white oak", count=3, width_mm=177.8, depth_mm=177.8, length_mm=3352.8, heart="free",
        moisture=Reason(code="buying.green"), by_utc=datetime(2027, 5, 2, tzinfo=UTC), board_feet=134.8,
        volume_m3=0.318, each_kg=110.0, each_heavy_kg=130.0, parts=("Post",), sweep_mm=50.8,
    )  # fmt: skip
    made = replace(planned(), mill=(line,))
    document = pypdfium2.PdfDocument(
        mill_list.pdf(made, shop="Reedmouth", made_utc=datetime(2027, 1, 1, tzinfo=UTC), system="inch")
    )
    said = " ".join(" ".join(page.get_textpage().get_text_range() for page in document).split())
    document.close()
    for word in (
        "Timber to order",
        "3 pieces",
        "white oak",
        "7 x 7 in",
        "11 ft",
        "2 in of",
        "Post",
        "2 May 2027",
    ):
        assert word in said, (word, said)


def test_the_room_in_a_joint_is_the_same_on_the_page_and_by_command(plans, run):
    page = plans
    page.segmented_control(key="plan_way").set_value("timber").run()
    page.selectbox(key="cut_tag").set_value("FER-03").run()
    assert not page.exception
    first = run("gap", "FER-03").splitlines()[0]
    assert any(first in each.value.replace("\\", "") for each in page.markdown)
