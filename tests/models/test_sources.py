from __future__ import annotations

import importlib
import re

import pytest

from baulk.models import sources

CONSTANTS = [each for each in sources.every() if each.table == "constants.csv"]


@pytest.mark.parametrize("listed", CONSTANTS, ids=lambda each: each.name)
def test_the_list_tells_the_number_that_the_code_uses(listed):
    module, name, key = re.fullmatch(r"(\w+)\.(\w+)(?:\[(.+)\])?", listed.name).groups()
    used = getattr(importlib.import_module(f"baulk.models.{module}"), name)
    assert float(used[key] if key else used) == float(listed.value)


def test_every_value_has_a_source_and_what_was_not_read_says_so():
    marks = {"read", "read (secondary)", "computed", "memory", "common practice"}
    for each in sources.every():
        assert each.mark in marks, each
        assert len(each.source) > 5, each
        if any(word in each.source for word in ("recalled", "no source", "remembered")):
            assert each.mark in {"memory", "common practice"}, each


def test_the_list_holds_all_that_was_not_read_and_nothing_else():
    listed = sources.not_read()
    assert {each.table for each in listed} == {
        "species.csv",
        "use_classes.csv",
        "checking.STARTS",
        "constants.csv",
    }
    assert {each.mark for each in listed} == {"memory", "common practice"}
    assert len(listed) < len(sources.every()) / 2 + 20


UNREAD = re.compile(
    r"^(_?[A-Z][A-Z0-9_]*)(?:: Final)? = .*#.*(?:no source|from memory|recalled)", re.MULTILINE
)


def test_a_constant_that_says_it_was_not_read_is_in_the_list(root):
    # whoever adds such a constant to the models adds its row to models/data/constants.csv
    listed = {each.name.partition("[")[0] for each in CONSTANTS}
    said = {
        f"{file.stem}.{name}"
        for file in (root / "models").glob("*.py")
        for name in UNREAD.findall(file.read_text(encoding="utf-8"))
    }
    assert len(said) > 5
    assert said <= listed
