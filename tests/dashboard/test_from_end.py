"""Pins whose distance from an end is known: said at once, carried as a flag, told in words."""

import json

import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.models.errors import OutOfRange

OAK = (
    "timber", "add", "--species", "white oak", "--size", "8 x 7 3/4", "--finished", "6 x 6 in",
    "--length", "12 ft", "--use", "backbone-above-water", "--at", "2025-01-05",
)  # fmt: skip


@pytest.fixture
def here(shop_folder, monkeypatch):
    monkeypatch.setenv("COLUMNS", "120")
    app = commands.build()

    def run(*given):
        env = {"BAULK_SHOP": str(shop_folder)}
        return CliRunner().invoke(app, list(given), env=env, catch_exceptions=False)

    return run


def pins(here, *more, length="12 ft"):
    tag = json.loads(here(*OAK[:9], length, *OAK[10:], "--json").stdout)["tag"]
    said = ("moisture", "23.5", "--depth", "45mm", "--at", "2026-01-05 12:00")
    return tag, here("reading", "add", tag, *said, *more)


def test_pins_too_near_an_end_are_stored_flagged_and_told_at_once(here):
    tag, done = pins(here, "--from-end", "12 in")
    assert "stored: " in done.stdout
    told = " ".join(done.stdout.split())
    assert "set it aside: pins 12 in from an end show what the end has dried" in told
    (row,) = json.loads(here("reading", "list", tag, "--days", "3650", "--json").stdout)
    assert "end-305" in row["flags"]


@pytest.mark.parametrize("more", [(), ("--from-end", "5 ft")])
def test_pins_far_from_both_ends_or_without_a_distance_are_told_nothing_of(here, more):
    _, done = pins(here, *more)
    assert "set it aside" not in done.stdout


def test_the_other_end_counts_when_it_is_nearer(here):
    _, done = pins(here, "--from-end", "11 ft", "--json")
    answer = json.loads(done.stdout)
    assert answer["from_end_mm"] == pytest.approx(11 * 304.8)
    assert answer["too_near_an_end"].startswith("pins 12 in from an end")


@pytest.mark.parametrize(
    ("given", "says"),
    [
        (("moisture", "23", "--depth", "45mm", "--from-end", "13 ft"), "is longer than"),
        (("weight", "90 kg", "--from-end", "12 in"), "belongs to pins, widths and depths, not to weight"),
    ],
)
def test_a_distance_that_can_not_be_is_refused_and_nothing_stored(here, given, says):
    tag = json.loads(here(*OAK, "--json").stdout)["tag"]
    with pytest.raises(OutOfRange, match=says):
        here("reading", "add", tag, *given)
    assert json.loads(here("reading", "list", tag, "--json").stdout) == []
