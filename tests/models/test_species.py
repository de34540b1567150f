from __future__ import annotations

import pytest

from baulk.models import gravimetric, species
from baulk.models.errors import NotFound

NEEDED = (
    "white oak", "northern red oak", "European oak", "live oak", "Douglas-fir", "longleaf pine", "tamarack",
    "western larch", "European larch", "white ash", "sugar maple", "black locust", "Atlantic white cedar",
    "western redcedar", "sapele", "teak", "mahogany",
)  # fmt: skip


def test_the_woods_that_shops_build_with_are_there():
    assert set(NEEDED) <= set(species.names())
    assert len(species.names()) >= 30


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


def test_an_unknown_wood_is_answered_with_the_nearest():
    with pytest.raises(NotFound, match=r"no species called 'wite oak'; did you mean white oak"):
        species.get("wite oak")


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
    assert wood.green_sapwood_mc_pct is None or wood.fsp_pct < wood.green_sapwood_mc_pct < most
    assert 5e-12 < wood.d_ref_m2_s < 3e-10
    e_r, e_t, g_rt, nu_rt = wood.elastic
    assert e_r > e_t > g_rt > 0
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
