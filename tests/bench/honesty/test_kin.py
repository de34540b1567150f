"""Lots are drawn of the same timbers whatever else the bench comes to hold, and of none that is kept out.

What it could not find: that a truth of the same timber, or what is read of it, is made otherwise.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))

from honesty import HELD_OUT_METER, HELD_OUT_PHYSICS, SECOND_PHYSICS, kin, timbers

YARDS = 24
# The second timbers of the first twenty lots of two, as the bench drew them when the guide's table was first
# asked (861f931, run from its own files). With a second kept-out set every number but three became another
# wood and twelve of the twenty were read by its meter, while the table went on under the same name.
SECONDS = (
    3752, 193, 578, 696, 3321, 722, 2696, 1173, 1150, 3020,
    3953, 3418, 3368, 2781, 438, 3652, 197, 3450, 2516, 737,
)  # fmt: skip


@pytest.mark.parametrize("number", range(YARDS))
def test_no_timber_of_a_yard_is_of_what_is_kept_out_of_tuning(number):
    pieces, _, _ = kin.drawn(number, 10, shared=True)
    assert {each.physics for each in pieces} & {HELD_OUT_PHYSICS, SECOND_PHYSICS} == set()
    assert {each.meter.shape for each in pieces} & {HELD_OUT_METER, timbers.SECOND_METER} == set()


def test_the_second_timbers_of_lots_are_those_that_the_table_was_asked_of():
    drawn = tuple(kin.drawn(number, 1, shared=True)[0][-1].number for number in range(len(SECONDS)))
    assert drawn == SECONDS


def test_lots_that_another_kin_made_are_not_taken_for_its_own(tmp_path):
    own, spread, said = Path(kin.__file__), tmp_path / "spread.py", tmp_path / "said.py"
    text = own.read_text(encoding="utf-8")
    spread.write_text(text.replace("TREES_SD = 0.6, 0.25", "TREES_SD = 0.6, 0.35"), encoding="utf-8")
    said.write_text(text + "\n# a word more\n", encoding="utf-8")
    assert kin.fingerprint(said) == kin.fingerprint()
    assert kin.fingerprint(spread) != kin.fingerprint()
