"""One-off answers: size, weight, air and sources, in both unit systems."""

from __future__ import annotations

import json

import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.ingest import shop as shops
from baulk.ingest.errors import ConfigError
from baulk.models import species
from baulk.models.errors import BaulkError, NotFound, OutOfRange

ASKED = ("emc", "dewpoint", "size", "weight", "doctor", "timber")


@pytest.fixture(scope="module")
def app():
    return commands.build(ASKED)


@pytest.fixture
def here(app, monkeypatch):
    monkeypatch.setenv("COLUMNS", "160")

    def run(*words, **env):
        return CliRunner().invoke(app, list(words), env=env, catch_exceptions=False).stdout

    return run


def test_a_size_is_told_in_sixteenths_and_in_millimetres(here):
    # by hand: white oak, tangential 10.5 %, radial 5.6 %, 30 to 15 %: half of each off 8 and 7 in
    told = here("size", "8 x 7 in", "--species", "white oak", "--to", "15")
    assert "7 9/16 x 6 13/16 in" in told
    assert "-7/16 in" in told
    exact = json.loads(here("size", "8 x 7 in", "--species", "white oak", "--to", "15", "--json"))
    flat, quarter = exact["sawn"][:2]
    assert flat["width_mm"] == pytest.approx(203.2 * (1 - 0.0525))
    assert flat["depth_mm"] == pytest.approx(177.8 * (1 - 0.028))
    assert quarter["width_change_mm"] == pytest.approx(-203.2 * 0.028)
    assert "193 x 173 mm" in here(
        "size", "8 x 7 in", "--species", "Q. alba", "--to", "15", "--units", "metric"
    )
    assert "190 x 175 mm" in here("size", "200 x 180 mm", "--species", "white oak", "--to", "15")


def test_wood_that_takes_up_water_swells_and_wood_above_the_onset_stays(here):
    told = json.loads(here("size", "200x100 mm", "--species", "teak", "--from", "10", "--to", "18", "--json"))
    assert told["sawn"][0]["width_change_mm"] > 0
    still = here("size", "200x100 mm", "--species", "teak", "--from", "60", "--to", "22")
    assert "200 x 100 mm" in still


def test_a_weight_follows_from_size_and_moisture(here):
    told = json.loads(
        here(
            "weight", "--species", "white oak", "--size", "200x200 mm", "--length", "3 m", "--sapwood",
            "none", "--json",
        )
    )  # fmt: skip
    assert told["mass_kg"] == pytest.approx(0.04 * 3 * 600 * 1.64)
    assert told["oven_dry_kg"] == pytest.approx(72)
    assert "kg at 65 % moisture content" in here(  # 64 % but for the sapwood in its corners
        "weight", "--species", "white oak", "--size", "200x200 mm", "--length", "3 m"
    )
    assert "lb at 30 %" in here(
        "weight", "--species", "white oak", "--size", "8 x 8 in", "--length", "10 ft", "--mc", "30"
    )


@pytest.mark.parametrize(
    ("kind", "gravity"),
    [("white oak", 0.68), ("Douglas-fir", 0.48), ("white ash", 0.60), ("teak", None)],
)
def test_a_size_measured_at_12_percent_holds_the_wood_that_its_density_at_12_percent_says(
    here, kind, gravity
):
    # Wood Handbook FPL-GTR-282 Table 5-3: specific gravity by the volume at 12 %, measured apart from the
    # basic one and from the shrinkage; 4 % apart at most in these woods
    asked = ("weight", "--species", kind, "--size", "6 x 6 in", "--length", "10 ft", "--json")
    told = json.loads(here(*asked, "--mc", "12"))
    volume_m3 = 0.1524**2 * 3.048
    assert told["measured_at_pct"] == 12
    if gravity:
        assert told["mass_kg"] == pytest.approx(volume_m3 * gravity * 1000 * 1.12, rel=0.04)
    green = json.loads(here(*asked, "--mc", "12", "--measured-at", "green"))
    wood = species.get(kind)
    shrunk = 1 - wood.shrinkage_volumetric_pct / 100 * (1 - 12 / wood.shrinkage_onset_pct)
    assert green["measured_at_pct"] is None
    assert told["mass_kg"] == pytest.approx(green["mass_kg"] / shrunk)
    # a size that was measured at 12 % and weighed wet again
    again = json.loads(here(*asked, "--mc", "40", "--measured-at", "12"))
    assert again["oven_dry_kg"] == pytest.approx(told["oven_dry_kg"])


def test_a_weight_names_the_wood_it_took(here):
    told = here("weight", "--species", "Q. alba", "--size", "6 x 6 in", "--length", "10 ft", "--mc", "12")
    assert told.startswith("white oak: ")
    assert "the size is that at 12 %" in told
    green = here("weight", "--species", "Q. alba", "--size", "6 x 6 in", "--length", "10 ft")
    assert "the size is the green one" in green
    assert "taken as tamarack" in here(
        "weight", "--species", "hackmatack", "--start", "9 kg", "--now", "8 kg"
    )


@pytest.mark.parametrize(
    ("wood", "heart_lb", "sapwood_lb"),
    [("loblolly pine", 208, 329), ("Douglas-fir", 205, 322), ("western redcedar", 163, 360)],
)
def test_the_weight_for_the_lift_is_that_of_a_timber_all_of_sapwood(here, wood, heart_lb, sapwood_lb):
    # by hand: 8 x 8 in x 12 ft = 5.333 cu ft of 62.4 lb times Gb, times 1 + MC/100; Gb 0.47, 0.45, 0.31 and
    # heartwood and sapwood 33/110, 37/115, 58/249 %: Wood Handbook, FPL-GTR-190 and 282, Tables 5-3b and 4-1
    words = ("weight", "--species", wood, "--size", "8 x 8 in", "--length", "12 ft")
    unknown = json.loads(here(*words, "--json"))
    assert unknown["heavy_kg"] / 0.45359237 >= sapwood_lb - 0.5
    for boundary, by_hand in (("--sapwood", heart_lb), ("--heartwood", sapwood_lb)):
        known = json.loads(here(*words, boundary, "none", "--json"))
        assert known["mass_kg"] / 0.45359237 == pytest.approx(by_hand, abs=0.6)
        assert known["light_kg"] < known["mass_kg"] < known["heavy_kg"]
    told = here(*words)
    assert "Not a lift for one" in told
    assert "out of a dense one or with much sapwood" in told
    assert "sapwood" not in here(*words, "--sapwood", "1 in")
    assert "Not a lift" not in here("weight", "--species", wood, "--size", "4 x 4 in", "--length", "2 ft")


def test_two_weights_tell_the_moisture_with_its_carried_error(here):
    # E. M. Wengert, Drying oak lumber, step 3B: sections 60 and 64 %, 10 kg then, 8 kg now: 29.6 %
    told = json.loads(here("weight", "--start", "10 kg", "--start-mc", "60,64", "--now", "8 kg", "--json"))
    assert told["mc_pct"] == pytest.approx(29.6, abs=0.05)
    assert told["oven_dry_kg"] == pytest.approx(6.173, abs=5e-4)
    assert 1.6 <= told["sd_pct"] < 2.0
    told = here("weight", "--start", "10kg", "--start-mc", "60 64", "--now", "8kg")
    assert "29.6 %, standard deviation" in told
    guessed = json.loads(here("weight", "--species", "teak", "--start", "10 kg", "--now", "9 kg", "--json"))
    assert guessed["sd_pct"] > 8


def test_the_emc_has_its_doubt_and_a_second_opinion(here):
    first = json.loads(here("emc", "--temp", "20C", "--rh", "83", "--json"))
    second = json.loads(here("emc", "--temp", "20C", "--rh", "83", "--equation", "4-6", "--json"))
    assert (first["equation"], second["equation"]) == ("4-5", "4-6")
    assert second["emc_pct"] == pytest.approx(17.66, abs=0.005)
    assert 1 < first["sd_pct"] < 2
    assert "standard deviation" in here("emc", "--temp", "20C", "--rh", "83")


def test_the_dew_point_comes_with_the_other_measures_of_air(here):
    # ASHRAE Handbook Fundamentals (2017) ch. 1 Example 1: 40 degC, 14 %: wet bulb 20, 0.0065 kg/kg
    told = json.loads(here("dewpoint", "--temp", "40C", "--rh", "14", "--json"))
    assert told["wet_bulb_c"] == pytest.approx(20, abs=0.2)
    assert told["humidity_ratio"] == pytest.approx(0.0065, abs=2e-4)
    assert json.loads(here("dewpoint", "--temp", "100C", "--rh", "50", "--json"))["wet_bulb_c"] is None
    assert "wet bulb" in here("dewpoint", "--temp", "40C", "--rh", "14")


def test_the_doctor_lists_every_number_that_was_not_read(here):
    told = json.loads(here("doctor", "--sources", "--json"))
    marks = {each["mark"] for each in told["not_read"]}
    assert marks == {"memory", "common practice"}
    assert len(told["not_read"]) == sum(told["values"][mark] for mark in marks)
    shown = here("doctor", "--sources")
    assert f"{len(told['not_read'])} values not read in a published source" in shown
    assert "single_values.ADSORPTION" in shown
    assert "--sources lists them" in here("doctor")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("size", "8 x 7", "--species", "white oak", "--to", "12"), "needs its unit"),
        (("size", "8 x 7 in", "--species", "wite oak", "--to", "12"), "did you mean white oak"),
        (("size", "8 x 7 in", "--species", "oak", "--to", "12"), "say which: white oak, live oak,"),
        (("size", "8 x 7 in", "--species", "white oak", "--to", "-3"), "lies between 0 and 400 %, not -3 %"),
        (("size", "8 x 7 in", "--species", "white oak", "--to", "nan"), "is a number in percent"),
        (("size", "8 x 7 in", "--species", "teak", "--to", "12", "--units", "cubits"), "is inch or metric"),
        (
            ("weight", "--species", "teak", "--size", "8 x 8 in", "--length", "9 ft", "--sapwood", "-1 in"),
            "must be 0 or more",
        ),
        (
            (
                "weight",
                "--species",
                "teak",
                "--size",
                "8 x 8 in",
                "--length",
                "9 ft",
                "--sapwood",
                "1 in",
                "--heartwood",
                "3 in",
            ),
            "not by both",
        ),
        (("weight",), "is told from --species, --size and --length, or"),
        (("weight", "--start", "10", "--start-mc", "60", "--now", "8 kg"), "needs its unit"),
        (("weight", "--start", "10 kg", "--now", "8 kg"), "needs --start-mc, or --species"),
        (("weight", "--start", "10 kg", "--start-mc", "wet", "--now", "8 kg"), "looks like 62 or 60,64"),
        (("weight", "--start", "10 kg", "--start-mc", "1,2,3", "--now", "8 kg"), "one number or two"),
        (("weight", "--start", "10 kg", "--start-mc", "20", "--now", "3 kg"), "was something cut off"),
        # 204 and 345 %: pounds beside kilograms, or another timber
        (
            ("weight", "--start", "100 lb", "--start-mc", "60", "--now", "190 lb"),
            "is 1.9 times that at the start; are both of the same timber, in the same unit? If it",
        ),
        (("weight", "--start", "100 lb", "--start-mc", "102", "--now", "100 kg"), "is 2.2 times that at the"),
        (
            ("weight", "--species", "white oak", "--start", "100 kg", "--start-mc", "60", "--now", "190 kg"),
            "the moisture content of white oak can't be above 143 %, not 204 %; check the weights and the",
        ),
        (("weight", "--start", "100 lb", "--start-mc", "390", "--now", "90 lb"), "of any wood in the table"),
        (
            ("weight", "--species", "teak", "--size", "8x8 in", "--length", "9 ft", "--mc", "300"),
            "not 300 %; check it and the wood",
        ),
        (("emc", "--temp", "20C", "--rh", "50", "--equation", "5"), "--equation is 4-5 or 4-6, not '5'"),
    ],
)
def test_a_mistake_is_one_sentence(here, words, says):
    with pytest.raises(BaulkError) as caught:
        here(*words)
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


OWN = """species,quantity,value,unit,source,mark
ferry oak,like,white oak,-,our own stand behind the slip,measured
ferry oak,basic_density,640,kg/m3,twelve pieces weighed and dried here,measured
"""


@pytest.fixture
def own_table(shop_dir):
    return shop_dir / species.FILE


def test_a_shops_own_wood_can_be_entered_and_is_gone_in_the_next_shop(shop_dir, own_table, here):
    own_table.write_text(OWN, encoding="utf-8")
    words = ("--size", "8 x 8 in", "--finished", "6 x 6 in", "--length", "9 ft", "--use", "planking")
    added = here("timber", "add", "--species", "Ferry Oak", *words, "--json", BAULK_SHOP=str(shop_dir))
    assert json.loads(added)["species"] == "ferry oak"
    own_table.unlink()
    with shops.open(shop_dir) as opened, pytest.raises(NotFound):
        opened.woods.species.get("ferry oak")


def test_a_broken_table_of_a_shop_is_named_with_file_and_line(shop_dir, own_table):
    own_table.write_text(OWN.replace("640", "0.64"), encoding="utf-8")
    with pytest.raises(
        OutOfRange, match=r"species\.csv line 3\) gives basic_density as 0\.64; it lies above 80"
    ):
        shops.open(shop_dir)
    own_table.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ConfigError, match="is not text in UTF-8; put it right or take it away"):
        shops.open(shop_dir)
