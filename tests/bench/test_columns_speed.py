"""What a year of readings costs an evaluation: hourly pins, one-minute pins, and an earlier version beside.

``BAULK_BENCH_BEFORE=COMMIT`` measures that version in the same run, turn by turn, for a heart in the middle
of the section, for one off both axes, of which no half is like another, and for the yard of test_fleet.py.
Least processor time of each step, one thread; the shops are invented (columns_child.py, fleet_child.py).
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

CHILD, FLEET = (Path(__file__).with_name(f"{name}_child.py") for name in ("columns", "fleet"))
TURNS, TIMES = 3, 2
MOST_GATHERING = 0.15  # of the earlier version's: issue 22
MOST_BY_THE_MINUTE = 1.2  # of the hourly one's
MOST_WIRE = 150_000
MOST = 0.4  # of an evaluation, for b74f822: issue 22
TIMBERS = 8  # of the fleet's yard
PITHS = {"middle": (), "off both axes": (30, 45)}  # mm from the middle


def asked(path: str, *words: object) -> dict[str, float]:
    """Run a child under a version of the program; figures in s and bytes."""
    said = subprocess.run(
        [sys.executable, *map(str, words)],
        env={**os.environ, "PYTHONPATH": path}, check=True, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    return json.loads(said.stdout.splitlines()[-1])


def measured(path: str, folder: Path, every_min: int, pith: tuple[int, ...] = ()) -> dict[str, float]:
    """Measure the timber of columns_child.py."""
    return asked(path, CHILD, folder, every_min, TIMES, *pith)


def ratios(best: dict[str, dict[str, float]]) -> dict[str, float]:
    """Return what is of now, to what was before."""
    return {name: best["now"][name] / best["before"][name] for name in best["now"]}


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
    found = ratios(told(runs))
    print(f"heart {heart}, now to before: " + ", ".join(f"{name} {each:.3f}" for name, each in found.items()))
    assert found["gathering"] <= MOST_GATHERING
    assert found["evaluation"] <= MOST


@pytest.mark.bench
@pytest.mark.timeout(3600)
def test_the_yard_of_the_fleet_beside_that_of_an_earlier_version(tmp_path):
    commit = os.environ.get("BAULK_BENCH_BEFORE")
    if not commit:
        pytest.skip("BAULK_BENCH_BEFORE names no version")
    now, before = tree(tmp_path / "now", ROOT), earlier(tmp_path / "before", commit)
    runs: dict[str, list[dict[str, float]]] = {"before": [], "now": []}
    for _ in range(TURNS):
        for name, path, tests in (
            ("before", before, tmp_path / "before" / "tests"),
            ("now", now, ROOT / "tests"),
        ):
            runs[name].append(asked(path, FLEET, tmp_path / f"of-{name}", TIMBERS, TIMES, tests))
    found = ratios(told(runs))
    print(
        "the fleet's yard, now to before: " + ", ".join(f"{name} {each:.3f}" for name, each in found.items())
    )
    assert found["evaluation"] <= MOST
