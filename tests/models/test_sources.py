from __future__ import annotations

import importlib
import inspect
import re

import pytest

from baulk.ingest import checks
from baulk.models import provenance
from baulk.models.calibrate import parameters

CONSTANTS = [each for each in provenance.every() if each.table == "constants.csv"]


@pytest.mark.parametrize("listed", CONSTANTS, ids=lambda each: each.name)
def test_the_list_tells_the_number_that_the_code_uses(listed):
    module, name, keys = re.fullmatch(r"([\w.]+)\.(\w+)((?:\[.+?\])*)", listed.name).groups()
    root = "baulk" if module.startswith("ingest.") else "baulk.models"
    used = getattr(importlib.import_module(f"{root}.{module}"), name)
    for key in re.findall(r"\[(.+?)\]", keys):
        used = used[int(key) if key.isdigit() else key]
    if callable(used):  # a number written out in a function
        assert float(listed.value) in {
            float(each) for each in re.findall(r"\d+(?:\.\d+)?", inspect.getsource(used))
        }
    else:
        assert float(used) == float(listed.value)


def test_every_limit_on_readings_is_in_the_list():
    listed = {each.name for each in CONSTANTS}
    assert {f"ingest.checks.POSSIBLE[{each}][{end}]" for each in checks.POSSIBLE for end in (0, 1)} <= listed
    assert {f"ingest.checks._JUMP[{each}]" for each in checks._JUMP} <= listed


def test_every_prior_of_the_fit_is_in_the_list():
    table = "calibrate.parameters.PARAMETERS"
    listed = {each.name: each for each in provenance.every() if each.table == table}
    own = {each.name: each for each in parameters.PARAMETERS if each.name in listed}
    assert set(listed) == set(own)
    # the rest hold no number of their own: theirs stand in constants.csv
    assert {each.name for each in parameters.PARAMETERS} - set(own) == {
        "start",
        "heartwood_mm",
        "ahead",
        "ahead_core",
    }
    names = {each.name for each in CONSTANTS}
    assert {"calibrate.parameters.START_SD_SHARE", "calibrate.parameters.START_SD_MEASURED_PCT"} <= names
    assert {"sapwood.MEASURED_SD_MM", "sapwood.WIDTH_SD_SHARE", "sapwood.UNDER_BARK_SD_MM"} <= names
    assert {"calibrate.ensemble.AHEAD_SD", "calibrate.ensemble.AHEAD_CORE_SD"} <= names
    assert all(float(listed[name].value) == pytest.approx(each.sd, rel=1e-3) for name, each in own.items())


def test_every_value_has_a_source_and_what_was_not_read_says_so():
    marks = {"read", "read (secondary)", "computed", "memory", "common practice"}
    for each in provenance.every():
        assert each.mark in marks, each
        assert len(each.source) > 5, each
        if any(word in each.source for word in ("recalled", "no source", "remembered")):
            assert each.mark in {"memory", "common practice"}, each


def test_the_list_holds_all_that_was_not_read_and_nothing_else():
    listed = provenance.not_read()
    assert {each.table for each in listed} == {
        "species.csv",
        "use_classes.csv",
        "schedules.csv",
        "calibrate.parameters.PARAMETERS",
        "constants.csv",
    }
    assert {each.mark for each in listed} == {"memory", "common practice"}
    # constants.csv holds nothing else; of the tables more than a third was read or worked out from what was:
    # general values that stand in for single woods, and what is borrowed from another wood, were not
    unread, all_of_them = (
        sum(each.table != "constants.csv" for each in some) for some in (listed, provenance.every())
    )
    assert unread < all_of_them * 2 / 3


UNREAD = re.compile(
    r"^(_?[A-Z][A-Z0-9_]*)(?:: Final)? = .*#.*(?:no source|from memory|recalled)", re.MULTILINE
)


def test_a_constant_that_says_it_was_not_read_is_in_the_list(root):
    # whoever adds such a constant to the models adds its row to models/data/constants.csv
    listed = {each.name.partition("[")[0] for each in CONSTANTS}
    said = {
        f"{'.'.join(file.relative_to(root / 'models').with_suffix('').parts)}.{name}"
        for file in (root / "models").rglob("*.py")
        for name in UNREAD.findall(file.read_text(encoding="utf-8"))
    }
    assert len(said) > 5
    assert said <= listed
