"""Values at a depth beside a grid four times finer with short steps, and beside a solver that shares nothing.

Prints, by depth, the largest difference and the share of values further off than 0.15 points of moisture, of
six woods wet and dry, four airs (the demo's shed among them) and three sections, at 24 moments of any hour
from day 7 to 365; and from day 7 to 60 of a slab beside `tests/models/other_slab.py`. The fine grid has no
layers of its own near the faces: up to 2 mm its cells are too thick, and the slab tells what holds there. Run
by ``tests/run --bench --only-tests tests/bench/test_points.py``.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "models"))

from other_slab import slab_pct

from baulk.ingest.demo import weather
from baulk.models import species
from baulk.models.air import AirSeries
from baulk.models.diffusion import law_for
from baulk.models.drying import solver
from baulk.models.drying.solver import CONDUCTANCE_M_S, FaceCover
from baulk.models.section import Face, Section
from baulk.models.sorption import emc_pct

pytestmark = pytest.mark.bench

DAY_S = 86_400.0
DAYS = np.sort(np.append([7, 14, 30, 90, 180, 365], np.random.default_rng(5).uniform(7, 365, 18)))
SLAB_DAYS = [7, 14, 30, 45, 60]
DEPTHS = np.array([0.0, 1.0, 2.0, 4.0, 6.0, 8.0, 12.0, 15.0, 20.0, 30.0, 35.0, 50.0])
WOODS = (
    ("white oak", 70.0), ("white oak", 35.0), ("northern red oak", 85.0), ("Douglas-fir", 120.0),
    ("western larch", 60.0), ("eastern white pine", 32.0),
)  # fmt: skip
SECTIONS = (
    Section(width_mm=150, depth_mm=150),
    Section(width_mm=205, depth_mm=100, pith_x_mm=30.0, pith_y_mm=-20.0),
    Section(width_mm=200, depth_mm=200),
)
PARTS = ("mean_pct", "shell_pct", "core_pct")
FINE = {"cells": (72, 72), "error_pct": 0.005, "step_s": 3600.0, "near_faces": False}


def airs():
    """A still room, a mild coast from January on, a dry inland summer and the demo's shed, in hours."""
    hours = np.arange(0, 24 * 380)
    found = {"still": (np.full(hours.size, 15.0), np.full(hours.size, 65.0))}
    for seed, (name, start, swing_c, rh) in enumerate(
        (("coast", 0.0, 9.0, 75.0), ("inland", 0.5, 13.0, 60.0))
    ):
        year = np.cos(((hours / 24 - 14) / 365.25 + start) * 2 * np.pi)
        day = np.cos((hours - 15) / 24 * 2 * np.pi)
        drawn, days = np.random.default_rng(seed).normal(size=382), np.zeros(382)
        for i in range(1, 382):
            days[i] = 0.75 * days[i - 1] + drawn[i]
        front = np.interp(hours / 24, np.arange(382), days)
        found[name] = (
            12 - swing_c * year + 4 * day + 1.5 * front,
            np.clip(rh + 6 * year - 12 * day - 6 * front, 15, 98),
        )
    shed = weather.shed(datetime(2025, 3, 1, tzinfo=UTC), hours.size)
    found["shed"] = (shed.temp_c, shed.rh_pct)
    return {
        name: AirSeries(posix_s=hours * 3600.0, temp_c=temp_c, rh_pct=rh_pct)
        for name, (temp_c, rh_pct) in found.items()
    }


def rows(name, off):
    """Two lines of a table: largest difference, share beyond 0.15."""
    flat = np.abs(off).reshape(-1, off.shape[-1])
    largest = " ".join(f"{each:5.2f}" for each in flat.max(axis=0))
    beyond = " ".join(f"{each:5.2f}" for each in (flat > 0.15).mean(axis=0))
    return f"{name:<24}{largest}\n{'  share beyond 0.15':<24}{beyond}"


def test_points_by_depth_beside_a_finer_grid(capsys):
    found, parts = {}, []
    for wood, start in WOODS:
        law = law_for(species.get(wood))
        for name, air in airs().items():
            for section in SECTIONS:
                usual, fine = (
                    solver.dry(section, start, air, law, start_posix_s=0.0, at_posix_s=DAYS * DAY_S, **how)
                    for how in ({}, FINE)
                )
                off = [
                    [a.pins_pct(DEPTHS, face) - b.pins_pct(DEPTHS, face) for face in (Face.A, Face.B)]
                    for a, b in zip(usual, fine, strict=True)
                ]
                found[f"{wood} {start:.0f}", name, section.width_mm] = np.array(off)
                parts += [
                    [float(getattr(a, part) - getattr(b, part)) for part in PARTS]
                    for a, b in zip(usual, fine, strict=True)
                ]
    every = np.stack(list(found.values()))  # cases, days, faces, depths
    with capsys.disabled():
        print("\n" + f"{'depth, mm':<24}" + " ".join(f"{each:5.0f}" for each in DEPTHS))
        print(rows("all", every))
        for key in dict.fromkeys((wood, air) for wood, air, _ in found):
            print(rows(", ".join(key), np.stack([off for case, off in found.items() if case[:2] == key])))
        for i, day in enumerate(DAYS):
            print(rows(f"day {day:.1f}", every[:, i]))
        print("mean, shell, core:", np.abs(parts).max(axis=0).round(3))
    off = np.abs(every)
    assert off[..., DEPTHS >= 2].max() < 0.35
    assert np.all((off[..., DEPTHS >= 2] < 0.15).mean(axis=(0, 1, 2)) > 0.97)
    assert np.all(np.abs(parts).max(axis=0) < [0.25, 0.7, 0.15])


NOTE_WOODS = {
    "white oak": 70.0, "Douglas-fir": 120.0, "eastern white pine": 100.0, "American beech": 72.0,
    "western redcedar": 200.0,
}  # fmt: skip
NOTE_SECTIONS = (
    Section(width_mm=102, depth_mm=102),
    Section(width_mm=204, depth_mm=102, pith_x_mm=30.0, pith_y_mm=-20.0),
    Section(width_mm=152, depth_mm=152),
    Section(width_mm=203, depth_mm=203, pith_x_mm=60.0),
    Section(width_mm=305, depth_mm=305),
    Section(width_mm=406, depth_mm=406),
)
STICK = (Section(width_mm=38, depth_mm=89),)


@pytest.mark.parametrize(
    ("sections", "factors", "most", "mostly"),
    [
        (NOTE_SECTIONS, (1 / 3, 1.0, 3.0), (0.35, 0.85, 0.2), (0.2, 0.4, 0.15)),
        (STICK, (1.0, 3.0), (0.3, 0.9, 0.15), (0.2, 0.65, 0.15)),
    ],
    ids=["timbers", "stick"],
)
def test_mean_shell_and_core_at_any_hour_are_as_near_as_dry_says(capsys, sections, factors, most, mostly):
    hours = np.sort(np.random.default_rng(3).uniform(7, 365, 60)) * DAY_S
    parts = []
    for wood, start in NOTE_WOODS.items():
        usual = law_for(species.get(wood))
        for factor in factors:
            law = replace(usual, d_ref_m2_s=usual.d_ref_m2_s * factor)
            for air in airs().values():
                for section in sections:
                    coarse, fine = (
                        solver.dry(section, start, air, law, start_posix_s=0.0, at_posix_s=hours, **how)
                        for how in ({"near_faces": False}, FINE | {"step_s": 10_800.0})
                    )
                    parts += [
                        [float(getattr(a, part) - getattr(b, part)) for part in PARTS]
                        for a, b in zip(coarse, fine, strict=True)
                    ]
    off = np.abs(parts)
    with capsys.disabled():
        print(
            "\nmean, shell, core: most",
            off.max(axis=0).round(3),
            "99 %",
            np.quantile(off, 0.99, axis=0).round(3),
        )
    assert np.all(off.max(axis=0) <= most)
    assert np.all(np.quantile(off, 0.99, axis=0) <= mostly)


def test_points_by_depth_beside_a_solver_that_shares_nothing(capsys):
    wide, off = Section(width_mm=1e6, depth_mm=150), []
    for wood, start in WOODS:
        law = replace(law_for(species.get(wood)), radial_over_tangential=1.0)
        for air in airs().values():
            other = slab_pct(
                150, law, air.temp_c, emc_pct(air.temp_c, air.rh_pct), CONDUCTANCE_M_S[FaceCover.EXPOSED],
                start, SLAB_DAYS, DEPTHS,
            )  # fmt: skip
            fields = solver.dry(
                wide, start, air, law, start_posix_s=0.0, at_posix_s=np.array(SLAB_DAYS) * DAY_S,
                cells=(4, 18), faces={Face.B: FaceCover.COATED, Face.D: FaceCover.COATED},
            )  # fmt: skip
            off.append([field.pins_pct(DEPTHS, Face.A) for field in fields] - other)
    off = np.abs(off)
    with capsys.disabled():
        print("\n" + rows("slab, other solver", off))
    assert off[..., DEPTHS >= 1].max() < 0.35
    assert np.all((off[..., DEPTHS >= 1] < 0.15).mean(axis=(0, 1)) > 0.95)
    assert off[..., 0].max() < 0.8
