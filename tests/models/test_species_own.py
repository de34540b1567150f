from __future__ import annotations

import pickle

import pytest

from baulk.models import species
from baulk.models.errors import NotFound, OutOfRange, SeveralFound
from baulk.models.meter import resistance

HEAD = "species,quantity,value,unit,source,mark\n"
FERRY = (
    "ferry oak,like,white oak,-,our own stand behind the slip,measured\n"
    "ferry oak,synonym,slip oak,-,what we call it,measured\n"
    "ferry oak,basic_density,640,kg/m3,twelve pieces weighed and dried here,measured\n"
)
# a wood that leans on no other: all that the models need, and nothing of what they can do without
FULL = "".join(
    f"ferry oak,{quantity},{value},{unit},our own pieces,measured\n"
    for quantity, value, unit in (
        ("latin", "Quercus sp.", "-"),
        ("softwood", "no", "-"),
        ("basic_density", "640", "kg/m3"),
        ("fsp", "29", "%"),
        ("shrinkage_onset", "29", "%"),
        ("shrinkage_radial", "5", "%"),
        ("shrinkage_tangential", "10", "%"),
        ("green_heartwood_mc", "71", "%"),
        ("d_ref", "2.5e-11", "m2/s"),
        ("e_radial", "2200", "MPa"),
        ("e_tangential", "950", "MPa"),
        ("g_rt", "450", "MPa"),
        ("nu_rt", "0.6", "-"),
    )
)


def test_a_new_wood_takes_from_the_one_it_is_like_what_it_does_not_say():
    known = species.read_own(HEAD + FERRY)
    wood, oak = known.get("Slip  Oak"), known.get("white oak")
    assert (wood.name, wood.basic_density_kg_m3) == ("ferry oak", 640)
    assert wood.elastic == oak.elastic
    assert known.names()[-1] == "ferry oak"
    assert known.synonyms("ferry oak") == ("slip oak",)
    assert known.table().iloc[-1]["mark"] == "measured"
    assert known.rows()[: len(species.rows())] == species.rows()


def test_a_shop_that_has_one_oak_may_call_it_oak_and_another_is_asked_which():
    named = HEAD + FERRY + "ferry oak,synonym,oak,-,what we call it,measured\n"
    assert species.read_own(named).get("oak").name == "ferry oak"
    listed = HEAD + FERRY + "ferry oak,group,oak,-,what we call it,measured\n"
    with pytest.raises(SeveralFound, match=r"northern red oak, ferry oak$"):
        species.read_own(listed).get("oak")
    with pytest.raises(SeveralFound, match="white oak, live oak"):
        species.read_own(HEAD + FERRY.replace("white oak", "oak"))


def test_a_wood_may_stand_on_its_own_without_strength_and_with_the_meter_curve_of_any_wood():
    wood = species.read_own(HEAD + FULL).get("ferry oak")
    assert (wood.strength, wood.resistance, wood.green_sapwood_mc_pct) == (None, None, None)
    assert resistance.curve_of(wood) == resistance.curve_of(None)


def test_a_row_for_a_wood_of_the_table_corrects_that_value_alone():
    before = species.get("tamarack")
    known = species.read_own(HEAD + "Tamarack,shrinkage_radial,4.2,%,ten discs measured here,measured\n")
    assert known.get("hackmatack").shrinkage_radial_pct == 4.2
    assert known.get("tamarack").shrinkage_tangential_pct == before.shrinkage_tangential_pct
    assert len(known.names()) == len(set(known.names()))
    assert species.get("tamarack") == before


def test_two_tables_beside_each_other_know_each_its_own_wood_and_the_built_in_one_neither():
    one, other = (species.read_own(HEAD + FERRY.replace("640", density)) for density in ("640", "720"))
    assert [each.get("ferry oak").basic_density_kg_m3 for each in (one, other, one)] == [640, 720, 640]
    with pytest.raises(NotFound, match="no species called 'ferry oak'"):
        species.get("ferry oak")
    assert "ferry oak" not in species.names()


def test_a_table_goes_to_another_process_and_comes_back_the_same():
    back = pickle.loads(pickle.dumps(species.read_own(HEAD + FERRY)))  # noqa: S301 - our own
    assert back.get("slip oak") == species.read_own(HEAD + FERRY).get("slip oak")
    assert back.names()[-1] == "ferry oak"
    assert len(pickle.dumps(species.BUILT_IN)) < 500  # the built-in woods stay where they are


def test_the_nearest_names_of_a_shops_own_woods_are_offered_too():
    with pytest.raises(NotFound, match="did you mean ferry oak"):
        species.read_own(HEAD + FERRY).get("fery oak")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (
            "wood,value\n",
            "(own.csv line 1) must begin with the columns species,quantity,value,unit,source,mark",
        ),
        (
            HEAD + "ferry oak,fsp,28,%\n",
            "(own.csv line 2) needs 6 values; a comma inside one needs quotation",
        ),
        (HEAD + ",fsp,28,%,here,measured\n", "(own.csv line 2) needs the name of the wood first"),
        (HEAD + "ferry oak,fsp,28,%,here,measured\n", "lacks basic_density, d_ref, e_radial,"),
        (HEAD + FERRY + "ferry oak,fsp,28,kg,here,memory\n", "(own.csv line 5) gives fsp in 'kg', not '%'"),
        (HEAD + FERRY + "ferry oak,fsp,wet,%,here,memory\n", "gives fsp as 'wet', which is not a number"),
        (HEAD + FERRY + "ferry oak,fsp,0.28,%,here,memory\n", "as 0.28; it lies above 12 and up to 40"),
        (HEAD + FERRY + "ferry oak,fsp,nan,%,here,memory\n", "gives fsp as nan; it lies above 12 and"),
        (
            HEAD + FERRY + "ferry oak,fsp,28,%,,memory\n",
            "(own.csv line 5) needs a source and one of the marks",
        ),
        (HEAD + FERRY + "ferry oak,softwood,maybe,-,here,memory\n", "softwood with yes or no, not 'maybe'"),
        (HEAD + FERRY + "ferry oak,latin,,-,here,memory\n", "(own.csv line 5) leaves latin empty"),
        (HEAD + FERRY + "ferry oak,colour,red,-,here,memory\n", "has the unknown quantity 'colour'"),
        (
            HEAD + FULL + "ferry oak,shear_12,11,MPa,here,measured\n",
            "lacks moe_green, moe_12, e_radial_green, e_tangential_green, compression_parallel_green,",
        ),
        (
            HEAD + FULL + "ferry oak,resistance_slope,-20,%,here,measured\n",
            "lacks resistance_intercept, resistance_sd of ferry oak, which go with what it gives; add",
        ),
        (HEAD + FERRY + FERRY, "(own.csv line 5) gives like of ferry oak twice"),
        (
            HEAD + FERRY + "ferry oak,shrinkage_radial,12,%,here,measured\n",
            "lets ferry oak shrink more radially (12 %) than tangentially (10.5 %); were the two mixed up?",
        ),
        (
            HEAD + FERRY + "ferry oak,synonym,hackmatack,-,here,measured\n",
            "(own.csv line 5) names hackmatack, which already means tamarack",
        ),
        (HEAD + FERRY + FERRY.replace("ferry", "Ferry"), "names a wood twice, in large and small letters"),
    ],
)
def test_a_mistake_in_a_shops_own_table_is_named_by_its_line(text, says):
    with pytest.raises(OutOfRange) as caught:
        species.read_own(text, "own.csv")
    assert says in str(caught.value)


def test_a_wood_like_one_that_does_not_exist_is_answered_with_the_nearest():
    with pytest.raises(NotFound, match="no species called 'wite oak'; did you mean white oak"):
        species.read_own(HEAD + FERRY.replace("white oak", "wite oak"))


WANTED = """white oak, northern red oak, live oak, European oak, Douglas-fir, longleaf pine, tamarack,
western larch, Atlantic white cedar, western redcedar, northern white cedar, Port-Orford cedar,
yellow cedar, white ash, American elm, rock elm, black locust, sugar maple, mahogany, teak, iroko,
sapele, angelique, purpleheart, greenheart, European larch, Scots pine, Sitka spruce, black spruce"""


def test_the_woods_that_boats_and_frames_are_made_of_are_there():
    for name in " ".join(WANTED.split()).split(", "):
        assert species.get(name).name == name
    assert len(species.names()) >= 30


def test_only_the_handbooks_woods_begin_to_shrink_at_22_percent():
    at_22 = {name for name in species.names() if species.get(name).shrinkage_onset_pct == 22}
    assert at_22 == {"teak", "western redcedar", "northern white cedar", "redwood"}


def test_synonyms_lead_to_their_wood():
    assert species.get("hackmatack") is species.get("eastern larch") is species.get("tamarack")
    assert species.get("Q. alba").name == "white oak"
    assert species.get("quercus alba").name == "white oak"
