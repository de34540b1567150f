"""What a year of readings costs an evaluation: hourly pins, one-minute pins, and an earlier version beside.

``BAULK_BENCH_BEFORE=COMMIT`` measures that version in the same run, turn by turn, for a heart in the middle
of the section and for one off both axes, of which no half is like another. Least processor time of each
step, one thread; the shops are invented (columns_child.py).
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

CHILD = Path(__file__).with_name("columns_child.py")
TURNS, TIMES = 3, 2
MOST_GATHERING = 0.15  # of the earlier version's: issue 22
MOST_BY_THE_MINUTE = 1.2  # of the hourly one's
MOST_WIRE = 150_000
AIM = 0.4  # of an evaluation
PITHS = {"middle": (), "off both axes": (30, 45)}  # mm from the middle


def measured(path: str, folder: Path, every_min: int, pith: tuple[int, ...] = ()) -> dict[str, float]:
    """Run the child under a version of the program; figures in s and bytes."""
    said = subprocess.run(
        [sys.executable, CHILD, folder, str(every_min), str(TIMES), *map(str, pith)],
        env={**os.environ, "PYTHONPATH": path}, check=True, capture_output=True, text=True,
    )  # fmt: skip
    return json.loads(said.stdout.splitlines()[-1])


def least(found: list[dict[str, float]]) -> dict[str, float]:
    return {name: min(each[name] for each in found) for name in found[0]}


def told(runs: dict[str, list[dict[str, float]]]) -> dict[str, dict[str, float]]:
    """Print the least of each and return it."""
    best = {name: least(some) for name, some in runs.items()}
    for name, each in best.items():
        print(f"\n{name}: " + ", ".join(f"{step} {value:.4g}" for step, value in each.items()))
    return best


@pytest.mark.bench
@pytest.mark.timeout(1800)
def test_an_evaluation_does_not_grow_with_the_interval_of_its_sensors(tmp_path):
    now = tree(tmp_path / "now", ROOT)
    runs: dict[str, list[dict[str, float]]] = {"hourly": [], "by the minute": []}
    for _ in range(TURNS):
        runs["hourly"].append(measured(now, tmp_path / "hourly", 60))
        runs["by the minute"].append(measured(now, tmp_path / "minutes", 1))
    best = told(runs)
    hourly, minutes = best["hourly"], best["by the minute"]
    print(f"by the minute to hourly: {minutes['evaluation'] / hourly['evaluation']:.2f}")
    assert max(hourly["wire"], minutes["wire"]) <= MOST_WIRE
    assert minutes["evaluation"] <= MOST_BY_THE_MINUTE * hourly["evaluation"]


@pytest.mark.bench
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("heart", PITHS)
def test_an_evaluation_beside_that_of_an_earlier_version(tmp_path, heart):
    commit = os.environ.get("BAULK_BENCH_BEFORE")
    if not commit:
        pytest.skip("BAULK_BENCH_BEFORE names no version")
    now, before = tree(tmp_path / "now", ROOT), earlier(tmp_path / "before", commit)
    runs: dict[str, list[dict[str, float]]] = {"before": [], "now": []}
    for _ in range(TURNS):
        runs["before"].append(measured(before, tmp_path / "of-before", 60, PITHS[heart]))
        runs["now"].append(measured(now, tmp_path / "hourly", 60, PITHS[heart]))
    best = told(runs)
    ratios = {name: best["now"][name] / best["before"][name] for name in best["now"]}
    print(
        f"heart {heart}, now to before: " + ", ".join(f"{name} {each:.3f}" for name, each in ratios.items())
    )
    print(f"the aim for an evaluation is {AIM}")
    assert ratios["gathering"] <= MOST_GATHERING
