"""What the guide names is there: commands and options, settings, topics, files, pages and buttons.

It reads names only. It could not find a sentence that is wrong about what a named thing does.
"""

from __future__ import annotations

import re
import shlex
from datetime import timedelta
from functools import cache, lru_cache
from pathlib import Path
from typing import get_args

import numpy as np
import pytest
from typer.main import get_command

from baulk.dashboard import commands
from baulk.dashboard.guide import book
from baulk.ingest import config, weather_ahead
from baulk.ingest.mqtt import publish_plan
from baulk.ingest.wire import topics
from baulk.models import units
from baulk.models.constants import DAY_S
from baulk.models.field import MoistureField
from baulk.models.section import Section

ROOT = Path(__file__).parents[2]
NAMES = [each.name for each in book.pages()]
MARK = re.compile(r"<!--.*?-->")


def page(name):
    path = ROOT / "README.md" if name == "README" else ROOT / "dashboard" / "guide" / f"{name}.md"
    return MARK.sub("", path.read_text(encoding="utf-8"))


def spans(text):
    """What stands as code within a line; a line break inside it is a space."""
    outside = re.sub(r"^```.*?^```", "", text, flags=re.MULTILINE | re.DOTALL)
    return [" ".join(each.split()) for each in re.findall(r"`([^`]+)`", outside)]


def written_commands(text):
    """Every command of ours, in a sentence or on a line of its own."""
    own = [line for block in re.findall(r"^```sh\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
           for line in block.splitlines()]  # fmt: skip
    for each in [*spans(text), *own, *re.findall(r"^    (baulk .+)$", text, re.MULTILINE)]:
        said = each.partition(" #")[0].removeprefix("sudo ")
        if said.startswith("baulk ") and "'" not in said:
            yield shlex.split(said)[1:]


@lru_cache(maxsize=1)
def whole():
    return get_command(commands.build())


@cache
def below(words):
    """The command at the end of a way through the groups, imported once."""
    command = whole()
    for word in words:
        with command.make_context("baulk", ["x"], resilient_parsing=True) as ctx:
            command = command.resolve_command(ctx, [word])[1]
    return command


def missing(words):
    """What of a command's words no command knows: a name on the way, or an option at its end."""
    command, way = whole(), ()
    known = {"--help", "--shop", "--json", "--version"}
    rest = list(words)
    while rest:
        word = rest.pop(0)
        if word == "--shop":
            rest.pop(0)
        elif word.startswith("--"):
            known |= {opt for each in command.params for opt in (*each.opts, *each.secondary_opts)}
            if word not in known:
                return word
        elif hasattr(command, "commands"):
            with command.make_context("baulk", ["x"], resilient_parsing=True) as ctx:
                if word not in command.list_commands(ctx):
                    return word
            way = (*way, word)
            command = below(way)
    return None


@pytest.mark.parametrize("name", ["README", *NAMES])
def test_every_command_that_is_named_exists_with_its_options(name):
    wrong = [(words, bad) for words in written_commands(page(name)) if (bad := missing(words))]
    assert wrong == []


def test_a_command_that_does_not_exist_is_noticed():
    assert missing(["backup", "--rehearse"]) == "--rehearse"
    assert missing(["sensor", "enlist", "S7"]) == "enlist"
    assert missing(["sensor", "enrol", "S7", "--reports"]) is None


def settings_named(text):
    """Parts of baulk.toml, and the keys that are said to stand in one."""
    text = " ".join(text.split())
    for part, key in re.findall(r"`\[(\w+)\]`? ?`?(\w*)", text):
        yield part, key if re.search(rf"`\[{part}\] {key}`", text) else ""
    for keys, part in re.findall(r"((?:`\w+`(?: and |, )?)+) (?:in|under) (?:its )?`\[(\w+)\]`", text):
        for key in re.findall(r"`(\w+)`", keys):
            yield part, key
    for key, part in re.findall(r"`(\w+) = [^`]*` in `\[(\w+)\]`", text):
        yield part, key


def keys_of(part):
    """The keys of a part of baulk.toml as they are written there; None where there is no such part."""
    field = config.Config.model_fields.get(part)
    if field is None:
        return None
    kinds = [field.annotation]
    found = set()
    while kinds:
        kind = kinds.pop()
        kinds += get_args(kind)
        for name, each in getattr(kind, "model_fields", {}).items():
            found |= {name, each.alias}
    return found


@pytest.mark.parametrize("name", ["README", *NAMES])
def test_every_setting_that_is_named_is_one(name):
    for part, key in settings_named(page(name)):
        if part != "auth":  # the page server's own file
            known = keys_of(part)
            assert known is not None, part
            assert not key or key in known, (part, key)


def test_settings_are_found_in_the_guide():
    found = {each for name in NAMES for each in settings_named(page(name))}
    assert {("verdict", "build_days"), ("store", "thin_after_days"), ("broker", "share")} <= found


@pytest.mark.parametrize("name", ["README", *NAMES])
def test_every_folder_and_file_of_the_project_that_is_named_is_there(name):
    for each in spans(page(name)):
        if re.match(r"(?:deploy|ingest|tests|models|dashboard)/[\w./-]+$", each):
            assert (ROOT / each).exists(), each


def test_every_topic_that_is_named_is_ours():
    ours = {
        topics.event("TAG", "shop"), topics.weather_ahead("shop"), topics.verdict("TAG", "shop"),
        topics.plan("PLACE", "shop"), topics.notices("shop"),
    }  # fmt: skip
    found = {each for name in NAMES for each in spans(page(name)) if each.startswith(f"{topics.ROOT}/")}
    assert ours <= found
    other = [each for each in found - ours if topics.target(each, "shop") is None]
    assert other == []


# names in a sentence that are a book's, not a page's or a button's
BOOKS = {"The Mathematics of Diffusion"}


@pytest.mark.parametrize("name", ["README", *NAMES])
def test_pages_folds_and_buttons_are_named_as_they_are_labelled(name):
    labels = "\n".join(
        path.read_text(encoding="utf-8")
        for part in ("app.py", "views", "sections", "field")
        for path in [ROOT / "dashboard" / part, *(ROOT / "dashboard" / part).rglob("*")]
        if path.suffix in {".py", ".js", ".html"}
    )
    headings = re.findall(r"^#+ (.+)$", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"), re.MULTILINE)
    text = " ".join(page(name).split())
    named = {*re.findall(r"(?<!\*)\*([A-Z][^*`]+)\*(?!\*)", text),
             *re.findall(r"(?:\bon|\bby|\bor|page|same is) \*\*([A-Z][^*`]+)\*\*", text)}  # fmt: skip
    wrong = {
        each
        for each in named - BOOKS - set(headings)
        if not re.search(rf"""["'>]{re.escape(each.rstrip(".,;"))}["'<:,]""", labels)
    }
    assert wrong == set()


def one_number(name, pattern):
    found = re.search(pattern, " ".join(page(name).split()))
    assert found, (name, pattern)
    return found.groups()


def test_what_is_said_of_the_weather_ahead_and_of_the_plan_is_what_the_program_keeps_to():
    hours, days = one_number("wire", r"a row at least every (\d+) hours, up to (\d+) days ahead")
    assert float(hours) * 3600 == weather_ahead.APART_S
    assert float(days) * DAY_S == weather_ahead.LONGEST_S
    (days,) = one_number("wire", r"each night; lapses after (\w+) days")
    assert timedelta(days={"two": 2}[days]) == publish_plan.STANDS


def test_the_conversion_of_the_glossary_is_that_of_the_program():
    slope, zero = (float(each) for each in one_number("glossary", r"°F is ([\d.]+) °C \+ (\d+)"))
    for celsius in (-40.0, 0.0, 37.0):
        assert units.temperature_c(f"{slope * celsius + zero}F") == pytest.approx(celsius)


def test_shell_and_core_are_what_the_glossary_says():
    """By means over the cells that lie where the page says, of a field without any pattern."""
    said = r"of the outer (\w+) of the half-thickness; of what lies deeper than a (\w+) of it"
    shell, core = one_number("glossary", said)
    parts = {"fifth": 5, "third": 3}
    cells = 30  # so that both boundaries fall between two of them
    edges = np.linspace(-150.0, 150.0, cells + 1)
    to_face = 150.0 - np.abs((edges[1:] + edges[:-1]) / 2)
    deep = np.minimum(to_face[:, None], to_face[None, :]) / 150.0
    mc_pct = np.random.default_rng(5).uniform(10, 60, (cells, cells))
    field = MoistureField(
        posix_s=0.0, section=Section(width_mm=300.0, depth_mm=300.0), x_edges_mm=edges, y_edges_mm=edges,
        mc_pct=mc_pct,
    )  # fmt: skip
    assert float(field.shell_pct) == pytest.approx(mc_pct[deep < 1 / parts[shell]].mean())
    assert float(field.core_pct) == pytest.approx(mc_pct[deep > 1 / parts[core]].mean())
