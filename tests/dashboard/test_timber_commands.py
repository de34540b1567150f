"""The register from the command line: what happens to a timber, in the words and units of the person."""

from __future__ import annotations

import functools
import json
import shutil
from datetime import UTC, datetime

import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.dashboard.commands import timber_events, timber_history, timber_measure, timber_sensors
from baulk.ingest import shop as shops
from baulk.ingest.errors import RegisterError, Unlikely
from baulk.ingest.evaluation import fingerprint
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.timber import Event, EventKind

OAK = (
    "timber", "add", "--species", "white oak", "--size", "8 x 7 3/4", "--finished", "6 x 6 in",
    "--length", "12 ft", "--use", "backbone-above-water", "--at", "2026-01-05", "--by", "ann",
)  # fmt: skip


@pytest.fixture(scope="module")
def app():
    return commands.build(("timber", "place", "reading"))


def asked(app, folder, *words):
    """Run a command on a shop; an error made on purpose is raised."""
    done = CliRunner().invoke(app, list(words), env={"BAULK_SHOP": str(folder)}, catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.stdout


@pytest.fixture(scope="module")
def entered(app, tmp_path_factory):
    """A small inch shop that has two timbers; for copying."""
    folder = shops.init(tmp_path_factory.mktemp("entered") / "shop", name="Test yard", units="inch")
    for tag in ("FER-01", "FER-02"):
        asked(app, folder, *OAK, "--yes", tag)  # of one size and day: asked about
    return folder


@pytest.fixture
def shop_dir(entered, tmp_path):
    return shutil.copytree(entered, tmp_path / "shop")


@pytest.fixture
def here(app, shop_dir, monkeypatch):
    """Run a command on that shop."""
    monkeypatch.setenv("COLUMNS", "140")
    monkeypatch.setenv("USER", "ben")
    return functools.partial(asked, app, shop_dir)


@pytest.fixture
def answer(here):
    """Run a command and read its JSON."""
    return lambda *words: json.loads(here(*words, "--json"))


@pytest.mark.parametrize(
    "name",
    [*timber_events.COMMANDS, *timber_history.COMMANDS, *timber_measure.COMMANDS, *timber_sensors.COMMANDS],
)
def test_every_command_explains_itself_and_has_json(app, name):
    said = CliRunner().invoke(app, ["timber", name, "--help"]).stdout
    assert "--json" in said
    assert "--shop" in said


def test_a_timber_entered_twice_is_asked_about(here):
    with pytest.raises(Unlikely, match=r"FER-01 and FER-02 are of the same wood and size.*--yes"):
        here(*OAK, "FER-03")
    with pytest.raises(Unlikely, match=r"Fer2 is spelt almost like FER-02.*--yes"):
        here(*OAK, "Fer2")
    with pytest.raises(RegisterError, match="in use already"):
        here(*OAK, "fer-02", "--yes")
    assert "FER-03" in here(*OAK, "FER-03", "--pith", "1 x 1 in")


def test_ends_that_were_sealed_later_are_told_as_sealed(here, answer):
    assert "ends not sealed" in here("timber", "show", "FER-01")
    number = answer("timber", "seal", "FER-01", "--at", "2026-01-08")["number"]
    assert "ends sealed on 8 January 2026" in here("timber", "show", "FER-01")
    here("timber", "undo", str(number))
    assert "ends not sealed" in here("timber", "show", "FER-01")
    here("timber", "edit", "FER-02", "--ends-sealed")
    assert "ends sealed\n" in here("timber", "show", "FER-02")


@pytest.mark.parametrize(("sealed", "told"), [("2026-01-08", False), ("2026-03-08", True)])
def test_pins_near_an_end_that_was_sealed_in_its_first_week_are_told_by_that(here, answer, sealed, told):
    here("timber", "seal", "FER-01", "--at", sealed)
    near = ("--depth", "2 in", "--from-end", "14 in", "--at", "2026-11-01", "--yes")
    said = answer("reading", "add", "FER-01", "moisture", "24", *near)
    assert (said["too_near_an_end"] is not None) is told


def test_the_same_entered_twice_is_noticed(here):
    attach = ("timber", "attach", "FER-01", "S7", "--depth", "45 mm", "--face", "b", "--at", "2026-02-01")
    here(*attach)
    with pytest.raises(RegisterError, match="S7 is there already, on FER-01 since 2026-02-01 00:00"):
        here(*attach[:-1], "2026-02-03")
    here(*attach[:5], "60 mm", *attach[6:-1], "2026-02-03")  # driven deeper
    check = ("timber", "check", "FER-01", "--face", "b", "--depth", "2 in", "--at")
    here(*check, "2026-03-01 10:00")
    with pytest.raises(Unlikely, match=r"The same is noted of FER-01 at 2026-03-01 10:00 already.*--yes"):
        here(*check, "2026-03-01 10:05")
    here(*check, "2026-03-08 10:00")  # looked at again a week later


def test_faces_may_be_words_of_their_own(here):
    assert "coated on faces a, b" in here("timber", "coat", "FER-01", "a", "b")
    assert "lies on faces a, c" in here("timber", "sticker", "FER-01", "ca")
    assert "coat taken off" in here("timber", "coat", "FER-01", "none")


def test_a_timber_moved_late_lies_where_it_was_moved_last(here, answer):
    moved = answer("timber", "move", "fer-01", "loft", "--new-place", "--at", "2026-05-01")
    assert (moved["tag"], moved["kind"], moved["by"]) == ("FER-01", "moved", "ben")
    assert moved["detail"] == {"from": "shed", "to": "loft"}
    assert "moved from shed to rack (by the crane) (number 4)" in here(
        "timber", "move", "FER-01", "rack", "--new-place", "--at", "2026-03-01", "--note", "by the crane"
    )
    shown = answer("timber", "show", "FER-01")
    assert shown["timber"]["place"] == "loft"
    assert [each["kind"] for each in shown["events"]] == ["arrived", "moved", "moved"]
    told = here("timber", "history", "FER-01")
    assert told.index("moved from shed to rack") < told.index("moved from rack to loft")
    assert "ann" in told


def test_a_cut_takes_weights_in_either_system_and_says_that_it_is_heavy(here, answer):
    words = ("timber", "cut", "FER-01", "--length", "11 ft 6 in", "--before", "398 lb", "--after", "171 kg")
    assert "Not a lift for one" in here(*words)
    cut = answer("timber", "history", "FER-01")[-1]
    assert cut["detail"]["length_mm"] == pytest.approx(11.5 * 304.8)
    assert cut["detail"]["weight_before_kg"] == pytest.approx(398 * 0.45359237)
    assert cut["detail"]["weight_after_kg"] == 171
    with pytest.raises(OutOfRange, match="a cut takes wood off"):
        here("timber", "cut", "FER-01", "--length", "12 ft")


def test_light_pieces_come_without_the_caution(here):
    assert "lift" not in here("timber", "cut", "FER-01", "--length", "13 in", "--after", "25 lb")


def test_planing_keeps_the_fractions(here, answer):
    assert "planed to 7 1/2 x 7 in" in here("timber", "plane", "FER-01", "--size", "7 1/2 x 7")
    section = answer("timber", "show", "FER-01")["timber"]["section"]
    assert (section["width_mm"], section["depth_mm"]) == (190.5, pytest.approx(177.8))


@pytest.mark.parametrize(
    ("long", "mm"),
    [("10", 3048), ("10 ft 6", 3200.4), ("100 in", 2540), ("9 1/2 ft", 2895.6), ("2.5 m", 2500)],
)
def test_a_length_along_the_grain_is_read_in_feet_where_it_has_no_unit(answer, long, mm):
    cut = answer("timber", "cut", "FER-01", "--length", long)
    assert cut["detail"]["length_mm"] == pytest.approx(mm)


def test_a_timber_is_entered_and_cut_in_the_same_words(here, answer):
    here(*OAK[:8], "--length", "10", *OAK[10:], "--yes", "FER-09")
    assert answer("timber", "show", "FER-09")["timber"]["length_mm"] == pytest.approx(3048)
    with pytest.raises(RegisterError, match="the length of FER-09 is 3048 mm already"):
        here("timber", "cut", "FER-09", "--length", "10")
    with pytest.raises(OutOfRange, match="a cut takes wood off"):
        here("timber", "cut", "FER-09", "--length", "11")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("turn", "FER-01", "b"), "turned, face b up"),
        (("seal", "FER-01"), "ends sealed"),
        (("coat", "FER-01", "ca"), "coated on faces a, c"),
        (("coat", "FER-01", "none"), "coat taken off"),
        (("sticker", "FER-01", "c"), "lies on face c"),
        (("kerf", "FER-01", "c", "3 in"), "relief kerf sawn into face c, 3 in deep"),
        (
            ("event", "FER-01", "oven-dried", "mc_pct=78 %", "from_end_mm=16 in"),
            "78 % MC, 16 in from the end",
        ),
        (("event", "FER-01", "tared", "tare_kg=4 lb"), "tare set to 4.0 lb"),
        (("event", "FER-01", "photographed", "file=sill.jpg"), "photographed"),
        (("event", "FER-01", "moved", "to=loft", "--new-place"), "moved from shed to loft"),
        (("retire", "FER-01", "--reason", "built in"), "retired: built in"),
    ],
)
def test_each_kind_is_told_back_in_words(here, words, said):
    assert said in here("timber", *words)
    assert said in " ".join(here("timber", "history", "FER-01").replace("│", " ").split())


@pytest.mark.parametrize(
    ("words", "error", "said"),
    [
        (("move", "FER-01", "shed"), RegisterError, "the place of FER-01 is shed already"),
        (
            ("move", "FER-01", "loft", "--new-place", "--at", "2025-01-01"),
            OutOfRange,
            "before FER-01 arrived on 2026-01-05",
        ),
        (("move", "FER-1", "loft"), NotFound, "did you mean FER-0"),
        (("turn", "FER-01", "up"), OutOfRange, "a face is one of a, b, c, d"),
        (
            ("event", "FER-01", "tared", "4"),
            OutOfRange,
            "looks like name=value, not '4'; tared knows: tare_kg",
        ),
        (("event", "FER-01", "tared", "weight=4"), OutOfRange, "tared needs tare_kg"),
        (("event", "FER-01", "oven-dried", "mc_pct=wet"), OutOfRange, "is a number in percent"),
        (("event", "FER-01", "arrived", "place=shed"), RegisterError, "`baulk timber add` does both"),
        (("edit", "FER-01", "--green-mc", "wet"), OutOfRange, "is a number in percent"),
        (("return", "FER-01"), OutOfRange, "is in the yard"),
        (("undo", "77"), RegisterError, "there is no event number 77"),
        (("detach", "S7", "FER-01"), RegisterError, "sensor S7 is not on FER-01"),
    ],
)
def test_a_mistake_is_told_in_a_sentence(here, words, error, said):
    with pytest.raises(error, match=said):
        here("timber", *words)


def test_what_was_entered_wrongly_is_put_right_field_by_field(here, answer):
    words = ("timber", "edit", "FER-01", "--species", "red oak", "--pith", "1/2 x -1", "--green-mc", "81")
    made = answer(*words, "--finished", "5 x 5", "--ends-sealed", "--length", "12 ft")
    assert [each["detail"]["field"] for each in made] == [
        *("species", "pith_x_mm", "pith_y_mm", "finished_width_mm", "finished_depth_mm"),
        *("ends_sealed", "green_mc_pct"),
    ]
    timber = answer("timber", "show", "FER-01")["timber"]
    assert timber["species"] == "northern red oak"
    assert timber["section"]["pith_y_mm"] == -25.4
    assert "pith y corrected from 0 in to -1 in" in here("timber", "history", "FER-01")
    assert "green MC corrected from 81 to nothing" in here("timber", "edit", "FER-01", "--green-mc", "none")
    assert "nothing was changed" in here("timber", "edit", "FER-01", "--species", "red oak")
    for each in reversed(answer("timber", "history", "FER-01")[1:]):
        here("timber", "undo", str(each["number"]))
    first = answer("timber", "show", "FER-02")["timber"]
    assert answer("timber", "show", "FER-01")["timber"] == {**first, "tag": "FER-01"}


def test_the_tag_is_changed_and_the_former_one_still_finds_the_timber(here, answer):
    said = here("timber", "edit", "FER-01", "--tag", "FER-50", "--by", "Ines", "--note", "label torn off")
    assert "FER-50: tag changed from FER-01 to FER-50 (label torn off) (number" in said
    assert (
        "Labels and sensors that say FER-01 still reach it; print a new label with `baulk labels FER-50`."
        in (said)
    )
    here("reading", "add", "fer-01", "weight", "300 lb", "--yes")
    assert "300" in (shown := here("timber", "show", "FER-01"))
    assert "formerly FER-01" in shown
    with pytest.raises(RegisterError, match="FER-50 had the tag FER-01 before"):
        here("timber", "edit", "FER-02", "--tag", "FER-01")
    number = answer("timber", "history", "FER-50")[-1]["number"]
    assert "taken back: tag changed from FER-01 to FER-50" in here("timber", "undo", str(number))
    assert "300" in here("timber", "show", "FER-01")


def test_where_the_sapwood_begins_is_entered_corrected_and_forgotten(here, answer):
    words = (
        "timber",
        "add",
        "PIN-01",
        "--species",
        "loblolly pine",
        "--size",
        "8 x 8",
        "--finished",
    )
    words = (*words, "6 x 6", "--length", "12 ft", "--use", "frame-outdoors")
    # all sapwood: 5.333 cu ft of 62.4 lb times 0.47 times 2.10 is 329 lb (Wood Handbook, Table 4-1: 110 %)
    told = here(*words, "--heartwood", "none")
    assert ", about 329 lb\n" in told
    assert "Not a lift for one" in told
    assert answer("timber", "show", "PIN-01")["timber"]["heartwood_mm"] == 0
    assert "100 % of the section is sapwood" in here("timber", "show", "PIN-01")
    told = here("timber", "edit", "PIN-01", "--sapwood", "1 1/2 in")
    assert "radius of the heartwood corrected from 0 in to 4 3/16 in" in told
    assert "heartwood within 4 3/16 in of the pith" in here("timber", "show", "PIN-01")
    here("timber", "edit", "PIN-01", "--heartwood", "unknown")
    assert answer("timber", "show", "PIN-01")["timber"]["heartwood_mm"] is None
    assert "sapwood" not in here("timber", "show", "PIN-01")
    with pytest.raises(OutOfRange, match="not by both"):
        here("timber", "edit", "PIN-01", "--heartwood", "3 in", "--sapwood", "1 in")
    with pytest.raises(OutOfRange, match="0 and 5 m"):
        here("timber", "edit", "PIN-01", "--heartwood", "30 ft")


def test_what_is_taken_back_stays_on_record_with_who(here, answer):
    number = answer("timber", "turn", "FER-01", "b")["number"]
    assert "taken back: turned, face b up" in here("timber", "undo", str(number), "--by", "cat")
    assert "turned" not in here("timber", "history", "FER-01")
    assert "by cat]" in here("timber", "history", "FER-01", "--undone")
    (_, undone) = answer("timber", "history", "FER-01", "--undone")
    assert (undone["by"], undone["undone_by"]) == ("ben", "cat")


def test_a_timber_entered_by_mistake_is_taken_out_and_its_history_stays(here, answer):
    here("reading", "add", "FER-01", "weight", "212 lb")
    number = answer("timber", "history", "FER-01")[0]["number"]
    with pytest.raises(Unlikely, match=r"readings \(1\) would wait in quarantine.*--yes"):
        here("timber", "undo", str(number))
    told = here("timber", "undo", str(number), "--yes", "--by", "cat")
    assert "FER-01: taken back: set on its bearers in shed" in told
    assert "wait in quarantine until its tag is entered again: 1" in told
    assert [each["tag"] for each in answer("timber", "list")] == ["FER-02"]
    with pytest.raises(NotFound, match="no timber called"):
        here("timber", "show", "FER-01")
    assert "by cat]" in here("timber", "history", "FER-01", "--undone")


def test_a_reading_is_taken_back_and_put_right_from_the_command_line(here, answer):
    pin = ("reading", "add", "FER-01", "moisture", "--depth", "2 in", "--face", "b")
    here(*pin, "32.5", "--at", "2026-03-01 12:00")
    here(*pin, "31.5", "--at", "2026-03-02 12:00")
    told = here("reading", "edit", "FER-01", "--value", "23.5", "--note", "misread", "--by", "cat")
    assert "put right: pins 2 in deep, face b: 31.5 %" in told
    assert "(correction 1)" in told
    with pytest.raises(Unlikely, match=r"Is 23 % meant\?.*--yes"):
        here("reading", "edit", "FER-01", "--value", "0.23")
    undone = answer("reading", "undo", "FER-01", "2026-03-01", "--note", "other timber", "--by", "cat")
    assert (undone["was"]["value"], undone["now"], undone["by"], undone["note"]) == (
        32.5, None, "cat", "other timber",
    )  # fmt: skip
    (left,) = answer("reading", "list", "FER-01", "--days", "3650")
    assert (left["value"], "corrected" in left["flags"]) == (23.5, True)
    assert "-> pins 2 in deep, face b: at least 30.0 %" in here("reading", "edit", "FER-01", "--value", "OL")
    assert "-> pins 2 in deep, face b: 24.0 %" in here("reading", "edit", "FER-01", "--value", "24")
    with pytest.raises(OutOfRange, match="shed is a place; --air says that its air is meant"):
        here("reading", "add", "shed", "humidity", "60")
    listed = here("reading", "corrections", "FER-01")
    assert "misread" in listed
    assert "other timber" in listed
    assert "put" not in here("reading", "undo", "FER-01", "--correction", "2")
    assert len(answer("reading", "list", "FER-01", "--days", "3650")) == 2
    with pytest.raises(OutOfRange, match="is none of FER-01"):
        here("reading", "undo", "FER-01", "2026-04-01")


def test_a_retired_timber_leaves_the_list_until_it_returns(here, answer):
    here("timber", "retire", "FER-01", "--reason", "sold")
    assert [each["tag"] for each in answer("timber", "list")] == ["FER-02"]
    assert [each["tag"] for each in answer("timber", "list", "--retired")] == ["FER-01", "FER-02"]
    assert "retired" in here("timber", "show", "FER-01")
    assert "back in the yard" in here("timber", "return", "FER-01")
    assert [each["tag"] for each in answer("timber", "list")] == ["FER-01", "FER-02"]
    assert "taken back into the yard" in here("timber", "history", "FER-01")


def test_a_sensor_goes_from_one_timber_to_the_next(here, answer):
    done = answer(
        "timber", "attach", "FER-01", "S7", "--depth", "1 3/4", "--face", "b", "--from-end", "12 in"
    )
    assert done["event"]["detail"] == {
        "sensor": "S7",
        "depth_mm": pytest.approx(44.45),
        "face": "b",
        "from_end_mm": pytest.approx(304.8),
    }
    assert done["settled"] == {"came": 0, "moved": 0, "set_aside": 0, "is_done": True}
    assert "sensor S7 attached, 1 3/4 in deep, face b" in here("timber", "history", "FER-01")
    (one,) = answer("timber", "sensors")
    assert (one["sensor"], one["tag"], one["face"]) == ("S7", "FER-01", "b")
    here("timber", "attach", "FER-02", "S7", "--depth", "2 in", "--move")
    assert [each["tag"] for each in answer("timber", "sensors")] == ["FER-02"]
    assert "sensor S7 taken off" in here("timber", "detach", "FER-02", "S7")
    assert "0 sensors on timbers" in here("timber", "sensors")


def test_a_sensor_before_its_tag_is_understood_with_a_hint_and_an_unknown_tag_is_named(here, app, shop_dir):
    here("timber", "attach", "FER-01", "S7", "--depth", "2 in")
    old = CliRunner().invoke(app, ["timber", "detach", "S7", "FER-01"], env={"BAULK_SHOP": str(shop_dir)})
    assert "sensor S7 taken off" in old.stdout
    assert "the tag comes first now: FER-01 S7" in old.stderr
    assert "FER-01" in here("timber", "attach", "fer-01", "S7", "--depth", "2 in")
    with pytest.raises(NotFound, match="no timber called 'FER-77'"):
        here("timber", "attach", "FER-77", "S8", "--depth", "2 in")


def test_a_place_is_entered_and_changed_bit_by_bit(here, answer):
    here(
        "place",
        "set",
        "shed",
        "--kind",
        "room",
        "--size",
        "30 x 20",
        "--volume",
        "6400",
        "--position",
        "0 x -10 ft",
    )
    place = answer("place", "set", "shed", "--air-changes", "0.4", "--note", "two doors")
    assert place["kind"] == "room"
    assert (place["width_m"], place["depth_m"]) == (pytest.approx(9.144), pytest.approx(6.096))
    assert (place["x_m"], place["y_m"]) == (0, pytest.approx(-3.048))
    assert place["volume_m3"] == pytest.approx(181.2, abs=0.05)  # by hand: 6400 x 0.028317 m3
    assert answer("place", "set", "shed", "--air-changes", "none")["air_changes_per_h"] is None
    assert answer("place", "set", "shed", "--volume", "180 m³")["volume_m3"] == 180
    told = here("place", "list")
    assert "30 x 20 ft" in told
    assert "6357 ft3" in told  # by hand: 180 / 0.028317
    assert [each["name"] for each in answer("place", "list")] == ["shed"]


@pytest.mark.parametrize(
    ("words", "error", "said"),
    [
        (("--kind", "barn"), NotFound, "no kind of place called 'barn'"),
        (("--size", "30"), OutOfRange, "the size looks like '30 x 20 ft'"),
        (("--volume", "big"), OutOfRange, "the volume looks like"),
        (("--volume", "0 m3"), OutOfRange, "volume_m3 of loft must be above 0"),
        (("--air-changes", "few"), OutOfRange, "a number such as 0.5, or none"),
    ],
)
def test_a_place_that_can_not_be_meant_is_refused(here, answer, words, error, said):
    with pytest.raises(error, match=said):
        here("place", "set", "loft", *words)
    assert [each["name"] for each in answer("place", "list")] == ["shed"]


def test_little_left_is_said_at_once(here, answer):
    # 6 1/8 x 6 1/8 in of green oak for 6 x 6 in: what shrinks off it is more than the eighth
    small = [*OAK, "FER-09"]
    small[small.index("8 x 7 3/4")] = "6 1/8 x 6 1/8"
    said = here(*small, "--yes")
    assert "FER-09 is in the register" in said
    assert "It no longer comes out at 6 x 6 in: the chance is less than 1 %" in " ".join(said.split())
    assert "comes out" not in here(*OAK, "FER-10", "--yes")
    planed = " ".join(here("timber", "plane", "FER-10", "--size", "6 3/4 x 6 3/4").split())
    assert "Little is left for 6 x 6 in: the chance that it still comes out is" in planed
    told = answer("timber", "cut", "FER-10", "--length", "4 ft")["comes_out"]
    assert told["values"]["probability"] > 0.8  # a short piece bends less
    assert told["values"]["size_width_mm"] == pytest.approx(6.75 * 25.4)


def test_what_was_measured_counts(here, answer):
    here("timber", "plane", "FER-01", "--size", "7 1/4 x 7 1/4")
    before = answer("timber", "event", "FER-01", "measured", "bow_mm=0", "crook_mm=0")["comes_out"]
    bent = answer("timber", "event", "FER-01", "measured", "bow_mm=1 in", "crook_mm=0")["comes_out"]
    assert before["code"] == "verdict.comes_out"
    assert bent["code"] == "verdict.no_longer_comes_out"
    assert bent["values"]["largest_depth_mm"] < 6 * 25.4
    assert "measured: bow 1 in" in here("timber", "history", "FER-01")
    with pytest.raises(OutOfRange, match="name at least one"):
        here("timber", "event", "FER-01", "measured")
    with pytest.raises(OutOfRange, match="less than any wood shrinks to"):
        here("timber", "event", "FER-01", "measured", "width_mm=5 in")
    with pytest.raises(OutOfRange, match="larger than FER-01 was"):
        here("timber", "event", "FER-01", "measured", "width_mm=9 in", "depth_mm=9 in")


def test_rule_straightedge_and_square_are_entered_as_they_are_read(here, answer):
    noted = answer(
        "timber", "measure", "FER-01", "--width", "7 13/16", "--at-face", "a", "--from-end", "4 ft",
        "--bow", "1/4", "--twist", "3/16", "--over", "10 ft", "--cup", "0", "--out-of-square", "1/16",
    )  # fmt: skip
    assert noted["kind"] == "measured"
    detail = noted["detail"]
    assert detail["width_mm"] == pytest.approx(7.8125 * 25.4)
    assert (detail["face"], detail["from_end_mm"]) == ("a", pytest.approx(4 * 304.8))
    assert (detail["twist_mm"], detail["cup_mm"]) == (pytest.approx(3 / 16 * 25.4), 0.0)
    told = here("timber", "history", "FER-01")
    assert "width 7 13/16 in along face a, 4 ft from an end" in " ".join(told.split())
    with pytest.raises(OutOfRange, match="lies along face b or d, not along face a"):
        here("timber", "measure", "FER-01", "--depth", "7 1/2", "--at-face", "a")


def test_a_check_measured_again_is_told_with_what_it_has_grown_by(here, answer):
    first = ("timber", "check", "FER-01", "--face", "b", "--length", "24 in", "--depth", "1/2", "--at")
    here(*first, "2026-03-01", "--width", "1/64")
    grown = " ".join(here(*first, "2026-04-01", "--width", "1/8").split())
    assert "check in face b: 24 in long, 1/8 in wide, 1/2 in deep" in grown
    assert "The check in face b has grown from 0.02 in to 0.12 in wide between 1 March 2026" in grown
    shake = answer(
        "timber", "check", "FER-01", "--opening", "shake", "--length", "3 in", "--known-since", "2026-01-20"
    )
    assert shake["detail"] == {"opening": "shake", "length_mm": pytest.approx(76.2), "since": "2026-01-20"}
    for words, why in (
        (("--length", "3 in"), "a check needs its face"),
        (("--face", "a", "--length", "20 ft"), "at most 3658 mm long"),
        (("--face", "a", "--depth", "8 in"), "at most 197 mm deep"),
        (("--face", "a", "--opening", "crack"), "is one of check, shake, split"),
        (("--face", "a", "--known-since", "2126-01-01"), "lies after the day"),
    ):
        with pytest.raises(OutOfRange, match=why):
            here("timber", "check", "FER-01", *words)


def test_a_kerf_has_a_width_and_the_former_form_still_works(here, answer):
    sawn = answer("timber", "kerf", "FER-01", "--face", "c", "--depth", "2 7/8", "--width", "3/16")
    assert sawn["detail"] == {
        "face": "c", "depth_mm": pytest.approx(2.875 * 25.4), "width_mm": pytest.approx(3 / 16 * 25.4),
    }  # fmt: skip
    former = here("timber", "kerf", "FER-02", "c", "3 in")
    assert "relief kerf sawn into face c, 3 in deep" in former
    assert "--face" in former
    with pytest.raises(OutOfRange, match="needs its face and its depth"):
        here("timber", "kerf", "FER-01", "--face", "c")


def test_what_a_face_is_coated_with_is_noted(here):
    assert "waxed on faces a, c" in here("timber", "coat", "FER-01", "ac", "--with", "wax")
    assert "film taken off" in here("timber", "coat", "FER-01", "none", "--with", "wrap")
    with pytest.raises(OutOfRange, match="is one of coat, wax, wrap"):
        here("timber", "coat", "FER-01", "ac", "--with", "tar")


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        (["--width", "7", "13/16", "--at", "now"], ["--width", "7 13/16", "--at", "now"]),
        (["--depth", "2", "7/8in"], ["--depth", "2 7/8in"]),
        (["plane", "X-7", "3/4"], ["plane", "X-7", "3/4"]),
        (["--width", "13/16", "7"], ["--width", "13/16", "7"]),
    ],
)
def test_a_fraction_behind_a_whole_number_needs_no_quotes(typed, words):
    assert commands.joined(typed) == words


def test_where_a_timber_comes_from_and_its_stages_stand_in_its_history(here, answer):
    told = answer(
        "timber", "source", "FER-01", "--supplier", "the mill", "--felled", "2026-01-02", "--part", "stem"
    )
    assert told["detail"] == {"supplier": "the mill", "felled": "2026-01-02", "part": "stem"}
    for stage in ("fitted", "primed", "bedded", "launched"):
        here("timber", "event", "FER-01", stage)
    history = here("timber", "history", "FER-01")
    assert "comes from the mill, felled 2026-01-02, for stem" in " ".join(history.split())
    assert "launched" in history
    here("timber", "retire", "FER-02")
    here("timber", "event", "FER-02", "launched", "--yes")  # service goes on after it has left the yard
    for words, why in (
        ((), "at least one word"),
        (("--felled", "May"), "looks like 2026-01-14"),
        (("--felled", "2126-01-14"), "lies after"),
        (("--felled", "2026-11-01"), "lies after FER-01 arrived"),
        (("--supplier", "x" * 121), "at most 120 letters"),
    ):
        with pytest.raises(OutOfRange, match=why):
            here("timber", "source", "FER-01", *words)


def test_where_it_comes_from_works_nothing_out_anew():
    at = datetime(2026, 5, 1, tzinfo=UTC)
    sealed = Event(tag="FER-01", kind=EventKind.END_SEALED, at_utc=at)
    for kind in (EventKind.SOURCED, EventKind.LAUNCHED):
        also = Event(tag="FER-01", kind=kind, at_utc=at)
        assert fingerprint.events([sealed, also]) == fingerprint.events([sealed])


def test_what_is_taken_back_is_named_by_its_number(here):
    with pytest.raises(OutOfRange, match="is a number as `baulk timber history TAG` shows it, not 'FER-01'"):
        here("timber", "undo", "FER-01")


def test_every_use_class_is_named_where_one_is_not_known(here):
    with pytest.raises(NotFound, match=r"known: backbone-immersed, .*frame-outdoors"):
        here("timber", "edit", "FER-01", "--use", "backbone-below-water")


@pytest.mark.parametrize(
    ("units", "finished", "told"),
    [
        ("metric", "150 x 150", "180 x 180 mm"),
        ("inch", "6 x 6", "7 1/4 x 7 1/4 in"),
        ("metric", "6 x 6 in", "7 1/4 x 7 1/4 in"),
    ],
)
def test_a_plan_without_a_unit_is_in_the_units_of_the_shop(tmp_path, units, finished, told):
    shops.init(tmp_path / "yard", name="yard", units=units)
    words = ("plan", "size", "--finished", finished, "--length", "3 m", "--species", "white oak")
    done = CliRunner().invoke(
        commands.build(("plan",)), [*words, "--use", "deck", "--shop", str(tmp_path / "yard")]
    )
    assert f"Saw or order {told}" in done.stdout


def test_an_error_is_told_in_the_units_of_the_shop(here, shop_dir, monkeypatch, capsys):
    words = ["baulk", "timber", "check", "FER-01", "--face", "b", "--depth", "9 in", "--shop", str(shop_dir)]
    here("timber", "list")  # the shop has it
    monkeypatch.setattr("sys.argv", words)
    with pytest.raises(SystemExit):
        commands.main()
    assert "at most 8 in deep in FER-01, not 9 in" in capsys.readouterr().err
