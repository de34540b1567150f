"""The whole job by hand: seven timbers over two years from the command line, counted and timed.

Nothing is checked against it but that every command does what it is asked and a verdict comes of it: its
readings fall off along exponentials of our own, so it says nothing of how true the forecasts are. What a
person takes to type is not in it; only the machine's time is.
"""

from __future__ import annotations

import csv
import json
import math
import os
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta

import pytest

YARD = (  # tag, wood, green and finished section, use, green moisture, days of its drying
    ("WO-1", "white oak", "205 x 195 mm", "150 x 150 mm", "backbone-above-water", 78.0, 700.0),
    ("WO-2", "white oak", "200 x 200 mm", "150 x 150 mm", "frame-outdoors", 82.0, 760.0),
    ("WO-3", "white oak", "190 x 190 mm", "150 x 150 mm", "frame-outdoors", 74.0, 640.0),
    ("DF-1", "Douglas-fir", "205 x 195 mm", "150 x 150 mm", "frame-outdoors", 40.0, 300.0),
    ("DF-2", "Douglas-fir", "180 x 180 mm", "140 x 140 mm", "frame-under-cover", 42.0, 280.0),
    ("LP-1", "longleaf pine", "180 x 110 mm", "150 x 80 mm", "deck", 35.0, 200.0),
    ("WA-1", "white ash", "120 x 120 mm", "90 x 90 mm", "frame-under-cover", 46.0, 220.0),
)
ROUNDS = 8  # walks through the yard, a quarter of a year between two


class Shop:
    """A shop that is run by commands, each in a process of its own as at a prompt."""

    def __init__(self, folder):
        self.folder, self.commands, self.words, self.seconds = folder, 0, 0, 0.0

    def __call__(self, *words, typed=None):
        began = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-m", "baulk.dashboard.commands", *words],
            input=typed, capture_output=True, text=True, timeout=600, check=False,
            env={**os.environ, "BAULK_SHOP": str(self.folder), "COLUMNS": "80"},
        )  # fmt: skip
        self.seconds += time.perf_counter() - began
        self.commands += 1
        self.words += len(words) + len((typed or "").split())
        assert done.returncode == 0, (words, done.stdout[-800:], done.stderr[-800:])
        return done.stdout


def air(path, since, until):
    """Write two years of a logger: a shed of the middle latitudes, six hours between two rows."""
    with path.open("w", newline="") as out:
        rows = csv.writer(out)
        rows.writerow(["Date", "Temp (C)", "RH"])
        at = since
        while at < until:
            year = 2 * math.pi * (at.timetuple().tm_yday - 200) / 365.25
            day = 2 * math.pi * at.hour / 24
            rows.writerow(
                [
                    f"{at:%Y-%m-%d %H:%M}",
                    f"{11 + 8 * math.cos(year) + 2 * math.sin(day):.1f}",
                    f"{74 - 8 * math.cos(year) - 4 * math.sin(day):.0f}",
                ]
            )
            at += timedelta(hours=6)


@pytest.mark.bench
@pytest.mark.timeout(1800)
def test_seven_timbers_over_two_years_from_log_to_verdict(tmp_path, capfd):
    now = datetime.now(UTC).replace(minute=0, second=0, microsecond=0)
    came = now - timedelta(days=730)
    run = Shop(tmp_path / "yard")
    run("init", str(run.folder), "--name", "Ferry yard", "--units", "metric")
    run("place", "add", "shed")
    for tag, wood, green, finished, use, _, _ in YARD:
        run(
            "timber", "add", tag, "--species", wood, "--size", green, "--finished", finished,
            "--length", "3 m", "--use", use, "--place", "shed",
            "--at", f"{came:%Y-%m-%d}", "--by", "Ida", "--yes",
        )  # fmt: skip
    logged = tmp_path / "shed.csv"
    air(logged, came, now)
    run(
        "reading", "import", str(logged), "--time", "Date", "--zone", "UTC", "--column",
        "Temp (C)=air/shed/temp:degC", "--column", "RH=air/shed/humidity:percent", "--yes",
    )  # fmt: skip
    for round_ in range(1, ROUNDS + 1):
        at = came + timedelta(days=90 * round_)
        lines = []
        for tag, _, _, _, _, wet, days in YARD:
            mean = 16 + (wet - 16) * math.exp(-90 * round_ / days)
            seen = f"{min(mean, 28 + 0.1 * mean):.1f}" if mean < 45 else "OL"
            lines.append(f"{tag} {seen} at 45 mm face b")
        run("walk", "--at", f"{at:%Y-%m-%d}", "--by", "Ida", "--yes", typed="\n".join(lines) + "\n")
    shown = json.loads(run("reading", "list", "WO-1", "--days", "800", "--json"))
    assert len(shown) >= ROUNDS
    mid = f"{came + timedelta(days=400):%Y-%m-%d}"
    run("timber", "check", "WO-1", "--face", "b", "--length", "600 mm", "--width", "3 mm", "--at", mid)
    run("timber", "measure", "WO-2", "--width", "196 mm", "--depth", "195 mm", "--at", mid)
    run("timber", "turn", "WO-3", "b", "--at", mid)
    mistaken = json.loads(run("timber", "history", "WO-3", "--json"))
    run("timber", "undo", str(mistaken[-1]["number"]), "--by", "Ida", "--yes")
    run("forecast", "--all")
    verdicts = json.loads(run("verdict", "--json"))
    assert {each["tag"] for each in verdicts} == {each[0] for each in YARD}
    assert {each["verdict"]["step"] for each in verdicts} <= {"leave", "rough out", "square"}
    run("verdict", "WO-1", "--why")
    run("plan", "choices", "WO-1")
    run("plan", "air", "--place", "shed")
    run("labels", "WO-1", "-o", str(tmp_path / "label.pdf"))
    run("record", "WO-1", "-o", str(tmp_path / "record.pdf"))
    with capfd.disabled():
        print(
            f"\nseven timbers, {ROUNDS} walks, two years of air: {run.commands} commands, {run.words} words, "
            f"{run.seconds:.0f} s of machine"
        )
        print(run("verdict"))
