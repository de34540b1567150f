"""What short commands cost from a cold start, beside an earlier version in the same run.

``BAULK_BENCH_BEFORE=COMMIT`` names that version (95de4ad is 0.1.0); its packages must be in this environment
too. Both run in turn; medians. Nothing here knows why a command is slow: `python -X importtime` tells.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from versions import ROOT, earlier, tree

TURNS = 11
# as installed: what was compiled stays, beside no sources; a machine may have been told to write none
KEEPS = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
COMMANDS = {
    "emc": ("emc", "--temp", "21C", "--rh", "50"),
    "size": ("size", "8 x 7 in", "--species", "white oak", "--to", "16"),
    "timber list": ("timber", "list"),
}


def environment(path, folder):
    """Return what a process of one version runs in; ``path`` lies beside what it compiled."""
    compiled = str(Path(path).parent / "compiled")
    return KEEPS | {"PYTHONPATH": path, "BAULK_SHOP": str(folder), "PYTHONPYCACHEPREFIX": compiled}


def cold(path, folder, words):
    """Seconds by the clock and of the processor of one command."""
    began = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "baulk.dashboard.commands", *words],
        env=environment(path, folder), stdout=subprocess.DEVNULL,
    )  # fmt: skip
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0
    return time.perf_counter() - began, used.ru_utime + used.ru_stime


@pytest.mark.bench
@pytest.mark.timeout(600)
def test_a_short_command_starts_soon(tmp_path):
    paths = {"now": tree(tmp_path / "now", ROOT)}
    if commit := os.environ.get("BAULK_BENCH_BEFORE"):
        paths["before"] = earlier(tmp_path / "before", commit)
    for name, path in paths.items():
        subprocess.run(
            [sys.executable, "-m", "baulk.dashboard.commands", "init", tmp_path / f"shop-{name}",
             "--units", "metric"],
            env=environment(path, tmp_path), check=True, capture_output=True,
        )  # fmt: skip
    for said, words in COMMANDS.items():
        runs = {name: [] for name in paths}
        for turn in range(TURNS + 1):
            for name, path in paths.items():
                found = cold(path, tmp_path / f"shop-{name}", words)
                if turn:  # the first one compiles
                    runs[name].append(found)
        middle = {
            name: [statistics.median(each) for each in zip(*some, strict=True)] for name, some in runs.items()
        }
        for name, (wall, used) in middle.items():
            print(f"\n{said}, {name}: {1e3 * wall:.0f} ms by the clock, {1e3 * used:.0f} of the processor")
        if "before" in middle:
            ratios = [a / b for a, b in zip(middle["now"], middle["before"], strict=True)]
            print(f"{said}: {ratios[0]:.2f} by the clock, {ratios[1]:.2f} of the processor")
            assert ratios[0] <= 0.5
