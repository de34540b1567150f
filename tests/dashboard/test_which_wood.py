"""A name that means several woods asks which, on the page and at a terminal; boat woods come first."""

from __future__ import annotations

import json

import pytest
from streamlit.testing.v1 import AppTest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.dashboard.commands import which_wood as at_a_terminal
from baulk.dashboard.sections import which_wood
from baulk.ingest import shop as shops
from baulk.models import species
from baulk.models.errors import SeveralFound
from baulk.models.plan.buying.parts import Part

ADD = (
    "timber",
    "add",
    "--size",
    "8 x 8",
    "--finished",
    "6 x 6",
    "--length",
    "8 ft",
    "--use",
    "deck",
    "--json",
)


@pytest.mark.parametrize(
    ("name", "first"),
    [
        ("oak", ["white oak", "live oak"]),
        ("doug fir", ["Douglas-fir", "western larch"]),
        ("White Cedar", ["Atlantic white cedar", "northern white cedar"]),
        ("larch", ["European larch", "tamarack", "western larch"]),
        ("southern yellow pine", ["longleaf pine", "slash pine"]),
    ],
)
def test_a_trade_name_offers_its_woods_those_of_boats_first(name, first):
    with pytest.raises(SeveralFound) as err:
        species.get(name)
    assert list(err.value.known)[: len(first)] == first
    assert "say which" in str(err.value)


def test_at_a_terminal_the_answer_is_a_number_or_a_name(shop_folder, monkeypatch):
    monkeypatch.setattr(at_a_terminal, "_at_a_terminal", lambda: True)
    app = commands.build(["timber"])
    for answers, wood in (("9\n2\n", "tamarack"), ("western larch\n", "western larch")):
        words = [*ADD, "--species", "larch"]
        done = CliRunner().invoke(app, words, input=answers, env={"BAULK_SHOP": str(shop_folder)})
        assert done.exit_code == 0, done.output
        assert "1 European larch" in done.output
        assert json.loads(done.output[done.output.index("{") :])["species"] == wood


@pytest.mark.parametrize(
    ("words", "field"),
    [
        (("size", "8 x 8 in", "--species", "larch", "--to", "16"), "species"),
        (("weight", "--species", "larch", "--size", "8 x 8 in", "--length", "10 ft"), "species"),
        (
            (
                "weight", "--species", "larch", "--start", "200 lb", "--start-mc", "80", "--now", "150 lb",
            ),
            None,
        ),
        (
            (
                "plan", "size", "--species", "larch", "--finished", "6 x 6 in", "--length", "10 ft",
                "--use", "deck",
            ),
            "species",
        ),
        (
            (
                "plan", "size", "--species", "larch", "--section", "9 x 9 in", "--timber-length", "11 ft",
                "--finished", "6 x 6 in", "--length", "10 ft", "--use", "deck",
            ),
            None,
        ),
        (("plan", "buy", "--species", "larch"), None),
    ],
)  # fmt: skip
def test_every_command_that_takes_a_wood_asks_which(shop_folder, monkeypatch, words, field):
    monkeypatch.setattr(at_a_terminal, "_at_a_terminal", lambda: True)
    app, here = commands.build([words[0]]), {"BAULK_SHOP": str(shop_folder)}
    if words[1] == "buy":
        with shops.open(shop_folder) as opened:
            opened.register.save_part(
                Part(name="stem", width_mm=150, depth_mm=150, length_mm=900, use_class="deck")
            )
    done = CliRunner().invoke(app, [*words, "--json"], input="2\n", env=here)
    assert done.exit_code == 0, done.output
    assert "larch means several woods:" in done.output
    if field:
        assert json.loads(done.output[done.output.index("{") :])[field] == "tamarack"


def typed(name):
    """Give a page on which a wood was typed, not chosen from the list."""

    def page(name):
        import streamlit as st  # noqa: PLC0415 - the page server runs this text by itself

        from baulk.dashboard.sections import which_wood  # noqa: PLC0415
        from baulk.models import species  # noqa: PLC0415

        st.session_state.setdefault("wood", name)
        found = which_wood.choose("Species", species.BUILT_IN, key="wood", placeholder="")
        st.text(f"found {found}")

    return AppTest.from_function(page, kwargs={"name": name}).run()


def test_the_page_asks_which():
    page = typed("Larch")
    which = page.radio(key="wood_of_larch")
    assert which.label == "Larch means several woods. Which?"
    assert which.options == ["European larch", "tamarack", "western larch"]
    assert page.text[0].value == "found None"
    assert typed("hackmatack").text[0].value == "found tamarack"
    assert "did you mean" in typed("tamarak").error[0].value


def test_every_wood_stands_in_the_list_once_and_plain_names_stay_plain():
    told = which_wood.labels(species.BUILT_IN)
    assert sorted(told) == sorted(species.names())
    assert next(iter(told)) == "white oak"
    assert told["white oak"] == "white oak"
    assert told["longleaf pine"].startswith("longleaf pine (southern yellow pine")
    assert "hackmatack" in told["tamarack"]
    assert "Oregon pine" in told["Douglas-fir"]
    assert all(each.startswith(name) for name, each in told.items())
