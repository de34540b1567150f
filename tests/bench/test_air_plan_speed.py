"""What a plan of a room's air costs beside an earlier version, in turns within one run, and if it differs.

``BAULK_BENCH_BEFORE=COMMIT``. Least processor time of invented rooms (air_plan_child.py) with the shapes of
their pieces solved before, as in a shop whose timbers have verdicts. Both versions share all physics, so that
a plan that is the same could be as wrong as before; tests/models/test_air_judgement.py holds plans to another
solver.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from versions import ROOT, earlier, tree

CHILD = Path(__file__).with_name("air_plan_child.py")
TURNS, TIMES = 3, 2
MOST = {"1 timbers": 0.75, "6 timbers": 0.7}  # of the version before all of it (629f25e)


def planned(path: str, tests: Path) -> dict[str, dict[str, float | str]]:
    """Plan the rooms under a version of the program, on one core's processor time."""
    said = subprocess.run(
        [sys.executable, CHILD, tests, str(TIMES)],
        env={**os.environ, "PYTHONPATH": path}, check=True, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    return json.loads(said.stdout.splitlines()[-1])


@pytest.mark.bench
@pytest.mark.timeout(1800)
def test_a_plan_is_the_same_and_costs_less_than_before(tmp_path):
    commit = os.environ.get("BAULK_BENCH_BEFORE")
    if not commit:
        pytest.skip("BAULK_BENCH_BEFORE names no commit to be measured beside")
    before = earlier(tmp_path / "before", commit), tmp_path / "before" / "tests"
    now = tree(tmp_path / "now", ROOT), ROOT / "tests"
    runs = [(planned(*before), planned(*now)) for _ in range(TURNS)]
    for room, most in MOST.items():
        least = [min(float(run[version][room]["processor_s"]) for run in runs) for version in range(2)]
        print(f"\n{room}: before {least[0]:.2f} s, now {least[1]:.2f} s, {least[1] / least[0]:.2f} of it")
        assert {each[room]["said"] for run in runs for each in run} == {runs[0][1][room]["said"]}
        assert least[1] < most * least[0]
