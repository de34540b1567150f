from __future__ import annotations

import pickle
import re

import pytest

from baulk.models import gravimetric, species
from baulk.models.diffusion import LIGHT
from baulk.models.errors import NotFound, OutOfRange, SeveralFound

NEEDED = (
    "white oak", "northern red oak", "European oak", "live oak", "Douglas-fir", "longleaf pine", "tamarack",
    "western larch", "European larch", "white ash", "sugar maple", "black locust", "Atlantic white cedar",
    "western redcedar", "sapele", "teak", "mahogany",
    "grand fir", "noble fir", "balsam fir", "Norway spruce", "red spruce", "European beech", "sweet chestnut",
    "American chestnut", "wych elm", "slippery elm", "redwood", "afrormosia", "azobe", "keruing", "opepe",
    "dark red meranti", "Spanish cedar", "slash pine", "shortleaf pine",
)  # fmt: skip


def test_the_woods_that_shops_build_with_are_there():
    assert set(NEEDED) <= set(species.names())
    assert len(species.names()) >= 30


def test_at_least_thirty_woods_say_how_wet_heartwood_and_sapwood_are_when_green():
    both = [name for name in species.names() if species.get(name).green_sapwood_mc_pct is not None]
    assert len(both) >= 30


@pytest.mark.parametrize(
    ("asked", "name"),
    [
        ("White Oak", "white oak"),
        ("  white   oak ", "white oak"),
        ("red oak", "northern red oak"),
        ("HACKMATACK", "tamarack"),
        ("oak, white", "white oak"),
        ("english oak", "European oak"),
    ],
)
def test_a_wood_is_found_by_any_of_its_names(asked, name):
    assert species.get(asked).name == name


@pytest.mark.parametrize(
    ("asked", "first", "others"),
    [
        ("Oak", "white oak", {"live oak", "European oak", "northern red oak"}),
        ("pine", "longleaf pine", {"eastern white pine", "Scots pine", "loblolly pine"}),
        ("southern  yellow pine", "longleaf pine", {"loblolly pine", "shortleaf pine", "slash pine"}),
        ("larch", "European larch", {"tamarack", "western larch"}),
        ("beech", "European beech", {"American beech"}),
        ("fir", "Douglas-fir", {"grand fir", "balsam fir"}),
        ("white cedar", "Atlantic white cedar", {"northern white cedar"}),
    ],
)
def test_a_name_for_several_woods_is_answered_with_the_choice(asked, first, others):
    # American Softwood Lumber Standard PS 20: "southern pine" is longleaf, loblolly, shortleaf and slash pine
    with pytest.raises(SeveralFound) as caught:
        species.get(asked)
    assert caught.value.known[0] == first
    assert others <= set(caught.value.known)
    assert str(caught.value).startswith(f"{asked!r} means several woods; say which: {first}, ")


def test_the_oaks_that_a_boat_is_built_of_come_before_red_oak():
    # Wood Handbook FPL-GTR-282 table 14-1: heartwood of white oak resists decay, of red oak hardly
    oaks = species.BUILT_IN.group("oak")
    assert oaks.index("northern red oak") == len(oaks) - 1
    assert set(oaks) == {name for name in species.names() if name.endswith(" oak")}


def test_every_wood_of_a_group_can_be_asked_for_by_its_name():
    groups = {row["value"] for row in species.rows() if row["quantity"] == "group"}
    assert {"oak", "pine", "larch", "southern yellow pine"} <= groups
    for each in groups:
        assert len(species.BUILT_IN.group(each)) > 1
        for name in species.BUILT_IN.group(each):
            assert species.get(name).name == name


def test_an_unknown_wood_is_answered_with_the_nearest():
    with pytest.raises(NotFound, match=r"no species called 'wite oak'; did you mean white oak"):
        species.get("wite oak")


@pytest.mark.parametrize(
    ("typed", "first"),
    [
        ("oakk", "did you mean oak"),  # which means several, and is asked about then
        ("douglas fur", "did you mean Douglas"),
        ("ashh", "did you mean ash"),
        ("quercus albo", "did you mean quercus alba"),
        ("marble", "known: white oak, northern red oak, European oak,"),
    ],
)
def test_trade_names_are_offered_before_botanical_ones(typed, first):
    with pytest.raises(NotFound) as err:
        species.get(typed)
    assert str(err.value).startswith(f"no species called {typed!r}; {first}")
    assert not re.search(r"\b[a-z]\. [a-z]", str(err.value))  # no "q. alba" among them
    assert str(pickle.loads(pickle.dumps(err.value))) == str(err.value)  # noqa: S301 - our own


@pytest.mark.parametrize("name", species.names())
def test_every_wood_is_possible(name):
    wood = species.get(name)
    assert species.get(name.upper()) is wood
    assert all(species.get(other) is wood for other in species.synonyms(name))
    assert 200 < wood.basic_density_kg_m3 < 1000
    assert 20 <= wood.shrinkage_onset_pct <= 32
    assert 20 <= wood.fsp_pct <= 32
    assert 1 < wood.shrinkage_radial_pct < wood.shrinkage_tangential_pct < 15
    most = gravimetric.max_mc_pct(wood.basic_density_kg_m3)
    assert wood.fsp_pct < wood.green_heartwood_mc_pct < most
    # redwood's printed sapwood is wetter than wood of its mean density can be: it came from lighter trees
    light = gravimetric.max_mc_pct(LIGHT * wood.basic_density_kg_m3)
    assert wood.green_sapwood_mc_pct is None or wood.fsp_pct < wood.green_sapwood_mc_pct < light
    assert 5e-12 < wood.d_ref_m2_s < 3e-10
    e_r, e_t, g_rt, nu_rt = wood.elastic
    assert e_r > 0.97 * e_t > g_rt > 0  # redwood is as stiff along its rings as across them
    # a stiffness matrix in the plane must be positive: nu_RT * nu_TR = nu_RT^2 * E_T / E_R below 1
    assert nu_rt**2 * e_t / e_r < 1


def test_every_value_has_a_unit_a_source_and_a_mark():
    table = species.table()
    assert list(table.columns) == ["species", "quantity", "value", "unit", "source", "mark"]
    assert set(table["mark"]) <= species.MARKS
    assert (table["source"].str.len() > 10).all()
    assert (table["unit"].str.len() > 0).all()
    assert set(table["species"]) == set(species.names())
    recalled = table[table["source"].str.contains("recalled")]
    assert (recalled["mark"] == "memory").all(), "what was not looked up says so"


def test_heavier_oak_and_denser_wood_dry_more_slowly():
    heavy = sorted(species.names(), key=lambda name: species.get(name).basic_density_kg_m3)
    d_ref = [species.get(name).d_ref_m2_s for name in heavy]
    assert d_ref == sorted(d_ref, reverse=True)


@pytest.fixture
def with_rows(monkeypatch):
    """Read the table anew from other rows, and from its own again afterwards."""

    def forget():
        species._all.cache_clear()
        species._by_name.cache_clear()

    def put(change):
        table = [dict(row) for row in species.table().to_dict("records")]
        monkeypatch.setattr(species, "_rows", lambda: change(table) or table)
        forget()

    yield put
    monkeypatch.undo()
    forget()


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (
            lambda t: t[4].update(quantity="density"),
            "(species.csv line 6) has the unknown quantity 'density'",
        ),
        (
            lambda t: t[4].update(unit="g/cm3"),
            "(species.csv line 6) gives basic_density in 'g/cm3', not 'kg/m3'",
        ),
        (
            lambda t: t[4].update(source=""),
            "(species.csv line 6) needs a source and one of the marks common practice,",
        ),
        (
            lambda t: t[4].update(mark="sure"),
            "(species.csv line 6) needs a source and one of the marks common practice,",
        ),
        (lambda t: t.pop(4) and None, "lacks basic_density of white oak; add the rows"),
        (lambda t: t.insert(5, t[4]), "(species.csv line 7) gives basic_density of white oak twice"),
        (lambda t: t[1].update(value="Teak"), "(species.csv line 3) names Teak a second time"),
        (
            lambda t: t[1].update(quantity="group", value="Teak"),
            "(species.csv line 3) calls several woods Teak, which already means one",
        ),
    ],
)
def test_a_broken_table_says_which_line(with_rows, change, says):
    with_rows(change)
    with pytest.raises(OutOfRange) as caught:
        species.get("white oak")
    assert says in str(caught.value)
    assert str(caught.value).startswith("the species table ")


def test_a_new_wood_needs_rows_in_the_table_and_nothing_else(with_rows):
    def plant(table):
        table += [
            row | {"species": "ferry oak"}
            for row in table
            if row["species"] == "white oak" and row["quantity"] != "synonym"
        ]

    with_rows(plant)
    assert species.get("Ferry Oak").basic_density_kg_m3 == species.get("white oak").basic_density_kg_m3
    assert "ferry oak" in species.names()
