"""What is read without Typer is what Typer reads; what is not plain is left to it."""

from __future__ import annotations

import itertools
import sys

import pytest
import typer
from typer.main import get_command

from baulk.dashboard import commands
from baulk.dashboard.commands import air, direct, size, timber_list, weight

COMMANDS = {"emc": air.emc, "dewpoint": air.dewpoint, "size": size.size, "weight": weight.weight,
            "list": timber_list.list_}  # fmt: skip
PLAIN = {
    "emc": [
        "--temp 21C --rh 50",
        "--rh=50 --temp -5C",
        "--temp 70F --rh 50.5 --equation 4-6 --json",
        "--temp 21C --rh fifty",
    ],  # what a word means is the command's to say
    "dewpoint": ["--json --rh 70 --temp 68F"],
    "size": ["8x7in --species oak --to 16", "--to 16 --species=oak 8x7in --from 30 --units metric --json"],
    "weight": ["--start 96kg --start-mc 60,64 --now 81kg"],
    "list": ["", "--retired --json", "--shop somewhere"],
}
# what Typer refuses, explains or reads in a way of its own
NOT_PLAIN = {
    "emc": ["--help", "-h", "", "--temp 21C", "--temp",
            "--temp 21C --rh 50 more", "--temp 21C --rh 50 --rh 60", "--temp 21C --rh 50 --json=true",
            "--temp 21C --rh 50 --", "--temp --rh 50", "--temp 21C --rh 50 -q", "--tem 21C --rh 50"],
    "size": ["--species oak --to 16", "8x7in 6x6in --species oak --to 16"],
    "list": ["extra", "--tag FER-01"],
}  # fmt: skip


def typers(command, words):
    """Return the values that Typer calls a command with; None if it refuses the words."""
    app = typer.Typer()
    app.command()(command)
    try:
        return get_command(app).make_context("x", words).params
    except Exception:  # noqa: BLE001 - whatever it is, it is Typer's to tell
        return None


@pytest.mark.parametrize(("name", "words"), [(n, w) for n, each in PLAIN.items() for w in each])
@pytest.mark.parametrize("shop", ["", "yard"])
def test_plain_words_give_what_typer_gives(name, words, shop, monkeypatch):
    monkeypatch.setenv("BAULK_SHOP", shop)
    found = direct.values(COMMANDS[name], words.split())
    assert found is not None
    assert found == typers(COMMANDS[name], words.split())


@pytest.mark.parametrize(("name", "words"), [(n, w) for n, each in NOT_PLAIN.items() for w in each])
def test_whatever_is_not_plain_is_left_to_typer(name, words):
    assert direct.values(COMMANDS[name], words.split()) is None


def test_no_order_of_words_is_read_otherwise():
    words = ["--temp", "21C", "--rh", "50", "--json", "-5", "--equation=4-6", "--"]
    for some in itertools.permutations(words, 4):
        found = direct.values(air.emc, some)
        assert found is None or found == typers(air.emc, list(some)), some


def test_each_short_command_is_plain_enough():
    for name in commands.SHORT:
        entry = commands.ALONE.get(name) or commands.COMMANDS[name[0]]
        command = commands._imported(entry)
        assert all(each is not None for each in direct._declared(command)), name


def test_the_shop_before_the_name_is_heeded(shop_dir, monkeypatch, capsys):
    monkeypatch.setenv("BAULK_SHOP", "nowhere")
    monkeypatch.setattr(sys, "argv", ["baulk", "--shop", str(shop_dir), "timber", "list", "--json"])
    monkeypatch.setattr(commands, "build", None)  # Typer is not asked
    commands.main()
    assert capsys.readouterr().out == "[]\n"
