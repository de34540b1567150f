"""One grammar for every command: an option has one meaning, one place, and an example shows it."""

from __future__ import annotations

import csv
import inspect
import itertools
import re
import shlex
from importlib.metadata import version
from pathlib import Path

import pytest
from typer.main import get_command
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.dashboard.commands import former

LAST = [
    "--at",
    "--by",
    "--note",
    "--yes",
    "--shop",
    "--json",
]  # behind a command's own options, in this order


def leaves(group, path, *, hidden=False):
    """Every command of a group with its words, those that are imported late too; what is hidden if asked."""
    with group.make_context("baulk", ["x"], resilient_parsing=True) as ctx:
        for name in group.list_commands(ctx):
            _, command, _ = group.resolve_command(ctx, [name])
            if command.hidden and not hidden:
                continue
            if hasattr(command, "commands"):
                yield from leaves(command, (*path, name), hidden=hidden)
            else:
                yield (*path, name), command


APP = commands.build()
TREE = dict(leaves(get_command(APP), ()))
EVERY = dict(leaves(get_command(APP), (), hidden=True))


def options(command):
    """Its options that are shown, by their long name, in the order of its help."""
    return {
        max(each.opts, key=len): each
        for each in command.params
        if each.param_type_name == "option" and not each.hidden
    }


def examples(command):
    """The examples of its help, joined where they go on in the next line."""
    found = re.findall(r"^Example: (.+?)(?:\n\n|\Z)", command.help or "", flags=re.MULTILINE | re.DOTALL)
    return [" ".join(each.split()) for each in found]


def test_the_tree_is_whole():
    assert {words[0] for words in TREE} == set(commands.COMMANDS)
    assert len(TREE) > 55
    assert {("plan", "air"), ("timber", "add"), ("export", "schema")} <= set(TREE)


def test_an_option_has_the_same_words_in_every_help():
    said = {}
    for words, command in TREE.items():
        for name, option in options(command).items():
            said.setdefault(name, {}).setdefault((option.help, option.metavar), []).append(" ".join(words))
    assert {name: told for name, told in said.items() if len(told) > 1} == {}


def test_options_stand_in_the_same_order_in_every_help():
    before = {}
    for words, command in TREE.items():
        for pair in itertools.combinations(options(command), 2):
            before[pair] = " ".join(words)
    assert [(pair, where, before[pair[::-1]]) for pair, where in before.items() if pair[::-1] in before] == []


@pytest.mark.parametrize("words", TREE, ids=" ".join)
def test_when_and_who_stand_last(words):
    names = list(options(TREE[words]))
    last = [name for name in LAST if name in names]
    assert names[len(names) - len(last) :] == last


@pytest.mark.parametrize("words", TREE, ids=" ".join)
def test_a_tag_is_an_argument_and_comes_first(words):
    command = TREE[words]
    assert "--tag" not in options(command) or words == ("timber", "edit")  # there it is the new one
    assert not {"--taken", "--arrived", "--when", "--date", "--who"} & set(options(command))
    arguments = [each for each in command.params if each.param_type_name == "argument"]
    assert not [each for each in arguments[1:] if "TAG" in (each.metavar or "")]


@pytest.mark.parametrize("words", TREE, ids=" ".join)
def test_a_command_shows_an_example_that_it_understands(words):
    found = examples(TREE[words])
    assert found
    for each in found:
        first, *rest = shlex.split(each)
        assert (first, *rest[: len(words)]) == ("baulk", *words)
        TREE[words].make_context(words[-1], rest[len(words) :])


# --------------------------------------------------------------------------- former words


@pytest.mark.parametrize("row", former.FORMER, ids=lambda row: " ".join((*row.command, row.option)))
def test_a_former_word_still_works_and_says_the_new_one(row, capsys):
    command = TREE[row.command]
    assert row.option not in options(command) or row.option == "--at"
    given = "FER-01,FER-02" if row.several else "7"
    values = given.split(",")
    start = ["--shop", "yard", *row.command]
    for old in ([row.option, given], [f"{row.option}={given}"]):
        new = former.put_right([*start, "words", *old, "--json"])
        if row.first:
            assert new == [*start, *values, "words", "--json"]
            assert command.params[0].param_type_name == "argument"
        else:
            assert new[: len(start) + 1] == [*start, "words"]
            assert (" ".join(new).replace("=", " ")).endswith(f"words {row.now} {given} --json")
            assert row.now in options(command)
        told = capsys.readouterr()
        assert (told.out, told.err.count("\n")) == ("", 1)
        assert row.now in told.err
        assert row.option in told.err


def of_0_1_0(root):
    """The options and arguments of each command as version 0.1.0 had them, read off its own parser."""
    with (root / "tests/reference/commands-0.1.0.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            yield tuple(row["command"].split()), row["word"], row["values"], row["needed"] == "yes"


def many(param):
    """How many values an option or an argument takes, in the words of the list."""
    if getattr(param, "is_flag", False):
        return "none"
    return "several" if param.nargs == -1 or getattr(param, "multiple", False) else "one"


def test_every_option_of_0_1_0_is_there_or_has_its_former_word(root):
    gone = set()
    for words, option, values, _ in of_0_1_0(root):
        assert words in EVERY, words
        if not option.startswith("-"):
            continue
        now = {name: each for each in EVERY[words].params for name in (*each.opts, *each.secondary_opts)}
        if option in now:
            assert many(now[option]) == values, (words, option)
        else:
            gone.add((words, option))
    assert gone == {(row.command, row.option) for row in former.FORMER}


def test_every_argument_of_0_1_0_stands_where_it_stood(root):
    before = {}
    for words, argument, values, _ in of_0_1_0(root):
        before.setdefault(words, [])
        if argument and not argument.startswith("-"):
            before[words].append((argument, values))
    turned = set()
    for words, arguments in before.items():
        now = [each for each in EVERY[words].params if each.param_type_name == "argument"]
        names = [(each.metavar or each.name).strip("[].").upper() for each in now]
        if names[: len(arguments)] != [name for name, _ in arguments]:
            assert names == [name for name, _ in arguments][::-1]
            turned.add(words)
            continue
        for each, (_, values) in zip(now, arguments, strict=False):
            assert many(each) in {values, "several"}, words
        assert not [each for each in now[len(arguments) :] if each.required], words
    assert turned == {("timber", "attach"), ("timber", "detach")}  # told by which of the two is a tag


def test_no_option_is_asked_for_that_0_1_0_did_not_ask_for(root):
    """A script that gave all it was asked for still does."""
    needed = {(words, option) for words, option, _, asked in of_0_1_0(root) if asked}
    for words in {words for words, *_ in of_0_1_0(root)}:
        for name, each in options(EVERY[words]).items():
            assert not each.required or (words, name) in needed


def lines_of_0_1_0():
    return (Path(__file__).parents[1] / "reference/command-lines-0.1.0.txt").read_text().splitlines()


def test_the_lines_hold_every_former_word():
    shown = [shlex.split(each)[1:] for each in lines_of_0_1_0()]
    for row in former.FORMER:
        assert any(tuple(line[: len(row.command)]) == row.command and row.option in line for line in shown), (
            row
        )


@pytest.mark.parametrize("line", lines_of_0_1_0())
def test_a_line_that_0_1_0_understood_is_understood(line, capsys):
    words = former.put_right(shlex.split(line)[1:])
    told = capsys.readouterr().err.count("\n")
    command = max((each for each in EVERY if tuple(words[: len(each)]) == each), key=len)
    EVERY[command].make_context(command[-1], words[len(command) :])
    changed = [row for row in former.FORMER if row.command == command and row.option in shlex.split(line)]
    assert told == len(changed)


def test_new_words_and_those_of_other_commands_are_left_as_they_are(capsys):
    for words in (
        ["timber", "add", "FER-01", "--at", "now"],
        ["timber", "move", "FER-01", "loft", "--at", "2026-11-20"],
        ["reading", "list", "FER-01"],
        ["--shop", "verdict", "timber", "list"],
        ["timber", "add", "--", "--tag", "x"],
        ["--version"],
        [],
    ):
        assert former.put_right(words) == words
    assert capsys.readouterr().err == ""


def test_former_words_end_with_their_version():
    assert tuple(int(part) for part in version("baulk").split(".")[:2]) < former.UNTIL, "remove former.py"


def test_the_whole_command_line_takes_former_words(tmp_path, capsys):
    done = CliRunner().invoke(commands.build(("store",)), ["store", "thin", "--to", "weekly"])
    assert done.exit_code == 2  # refused by the new option, which is named
    assert "--keep" in done.stderr
    assert "--to of `baulk store thin` is `--keep` now" in done.stderr


# --------------------------------------------------------------------------- help as it was written


@pytest.mark.parametrize("words", TREE, ids=" ".join)
def test_a_help_keeps_its_square_brackets_and_fits_80_columns(words, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    shown = CliRunner().invoke(APP, [*words, "--help"]).stdout
    assert max(len(line) for line in shown.splitlines()) <= 80
    assert "[[" not in next(each for each in shown.splitlines() if "Usage:" in each)  # one pair is enough
    written = [inspect.getdoc(inspect.unwrap(TREE[words].callback))]
    written += [each.help for each in options(TREE[words]).values()]
    joined = shown.replace(" ", "").replace("\n", "").replace("│", "")
    for text in written:
        for name in re.findall(r"\[+\w+\]+", text.replace("\\[", "[")):
            assert name in joined, name
