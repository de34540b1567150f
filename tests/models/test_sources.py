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
        "constants.csv",
    }
    assert {each.mark for each in listed} == {"memory", "common practice"}
    assert len(listed) < len(sources.every()) / 2 + 20
