"""How fast the drying model is, beside general solvers on the same problem in the same run.

One year of a 203 x 178 mm section at 15 degC and 13 % EMC from 80 %, D growing with moisture up to 30 %,
surface held at the EMC (no resistance, so that the peers need no boundary code of ours), isotropic, on the
same graded cells. Run by ``tests/run --bench``; prints one table and writes tests/out/bench-core.json.
"""

from __future__ import annotations

import json
import os
import resource
import time
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg.lapack import dgtsv
from scipy.sparse import diags_array, eye_array, kron

from baulk.models import drying
from baulk.models.air import AirSeries
from baulk.models.diffusion import DiffusionLaw
from baulk.models.drying import Members
from baulk.models.section import Section
from baulk.models.sorption import rh_pct

pytestmark = [pytest.mark.bench, pytest.mark.filterwarnings("ignore")]

OUT = Path(__file__).parents[1] / "out" / "bench-core.json"
DAY, YEAR = 86_400.0, 365 * 86_400.0
START, EMC, TEMP = 80.0, 13.0, 15.0
SECTION = Section(width_mm=203, depth_mm=178)
LAW = DiffusionLaw(d_ref_m2_s=2.5e-11, radial_over_tangential=1.0)
AIR = AirSeries(posix_s=np.zeros(1), temp_c=np.full(1, TEMP), rh_pct=np.full(1, float(rh_pct(TEMP, EMC))))
WARM_D = LAW.d_ref_m2_s * float(LAW.temperature_factor(TEMP))


def ensemble(count, surface=1.0):
    rng = np.random.default_rng(1)
    spread = np.exp(0.5 * rng.normal(size=count)) if count > 1 else np.ones(1)
    return Members(
        d_factor=spread,
        surface_factor=np.full(count, surface),
        start_mc_pct=np.full(count, START),
        emc_offset_pct=np.zeros(count),
    )


def baulk(cells, *, count=1, years=1.0, step_s=DAY, surface=1e6):
    (field,) = drying.dry(
        SECTION, None, AIR, LAW, start_posix_s=0.0, at_posix_s=years * YEAR,
        members=ensemble(count, surface), cells=cells, step_s=step_s,
    )  # fmt: skip
    return field


def best_s(work, times=5):
    took = []
    for _ in range(times):
        begin = time.perf_counter()
        answer = work()
        took.append(time.perf_counter() - begin)
    return min(took), answer


def figures(field):
    return [float(np.mean(part)) for part in (field.mean_pct, field.core_pct, field.shell_pct)]


def as_field(mc):
    (like,) = drying.dry(SECTION, 1.0, AIR, LAW, start_posix_s=0.0, at_posix_s=0.0, cells=mc.shape[::-1])
    return type(like)(
        posix_s=YEAR, section=SECTION, x_edges_mm=like.x_edges_mm, y_edges_mm=like.y_edges_mm, mc_pct=mc
    )


def d_of(m):
    return WARM_D * np.exp(LAW.slope_per_pct * (np.minimum(m, LAW.fsp_pct) - 20))


def fipy_year(n):
    os.environ.setdefault("FIPY_SOLVERS", "scipy")
    from fipy import CellVariable, DiffusionTerm, Grid2D, TransientTerm, numerix  # noqa: PLC0415

    dx = np.diff(drying.graded_edges_mm(SECTION.width_mm, n)) / 1000
    dy = np.diff(drying.graded_edges_mm(SECTION.depth_mm, n)) / 1000
    mesh = Grid2D(dx=dx, dy=dy)
    m = CellVariable(mesh=mesh, value=START, hasOld=True)
    m.constrain(EMC, mesh.exteriorFaces)
    bound = numerix.minimum(m.faceValue, LAW.fsp_pct)
    equation = TransientTerm() == DiffusionTerm(coeff=WARM_D * numerix.exp(LAW.slope_per_pct * (bound - 20)))
    for _ in range(365):
        m.updateOld()
        equation.solve(var=m, dt=DAY)
    return as_field(np.asarray(m.value).reshape(n, n))


def bdf_year(n):
    dx = np.diff(drying.graded_edges_mm(SECTION.width_mm, n)) / 1000
    dy = np.diff(drying.graded_edges_mm(SECTION.depth_mm, n)) / 1000

    def gap(width):
        return np.concatenate([[width[0] / 2], (width[1:] + width[:-1]) / 2, [width[-1] / 2]])

    gap_x, gap_y = gap(dx), gap(dy)[:, None]

    def rate(_t, flat):
        m = np.pad(flat.reshape(n, n), 1, constant_values=EMC)
        mx, my = m[1:-1], m[:, 1:-1]
        east = d_of((mx[:, 1:] + mx[:, :-1]) / 2) * np.diff(mx, axis=1) / gap_x
        north = d_of((my[1:] + my[:-1]) / 2) * np.diff(my, axis=0) / gap_y
        return (np.diff(east, axis=1) / dx + np.diff(north, axis=0) / dy[:, None]).ravel()

    line = diags_array([np.ones(n - 1), np.ones(n), np.ones(n - 1)], offsets=[-1, 0, 1])
    pattern = kron(line, eye_array(n)) + kron(eye_array(n), line)
    solved = solve_ivp(
        rate, (0, YEAR), np.full(n * n, START), method="BDF", jac_sparsity=pattern, rtol=1e-3, atol=1e-2
    )
    return as_field(solved.y[:, -1].reshape(n, n))


def bare_dgtsv_s(n, count, steps):
    """Time of nothing but the tridiagonal eliminations, all lines of all members in one call, two a step."""
    size = count * n * n
    off = -np.ones(size - 1)
    off[n - 1 :: n] = 0
    took = min(
        best_s(lambda: dgtsv(off.copy(), np.full(size, 4.0), off.copy(), np.ones(size)), 3)[0]
        for _ in range(2)
    )
    return 2 * steps * took


def test_one_year_and_ensembles_beside_the_peers(capsys):
    n = 32
    baulk((n, n))  # compiled or read from the cache
    refined = figures(baulk((4 * n, 4 * n), step_s=DAY / 4))
    table = []

    def add(name, seconds, field):
        off = np.abs(np.array(figures(field)) - refined)
        table.append({"run": name, "ms": 1e3 * seconds, "off_mean_core_shell_pct": off.round(3).tolist()})
        return seconds

    own = add("baulk 32x32, one year", *best_s(lambda: baulk((n, n)), 9))
    own_16 = add("baulk 16x16, one year", *best_s(lambda: baulk((16, 16)), 9))
    bdf = add("scipy BDF, sparse Jacobian, 32x32", *best_s(lambda: bdf_year(n), 2))
    fipy = add("FiPy 4, 365 steps, 32x32", *best_s(lambda: fipy_year(n), 1))
    dgtsv_year = bare_dgtsv_s(n, 64, 370) / 64
    ensembles = {}
    for side in (16, 32):
        for count in (64, 256):
            took, _ = best_s(
                lambda side=side, count=count: baulk((side, side), count=count, years=2, surface=1), 3
            )
            ensembles[f"{count} members, 2 years, {side}x{side}"] = 1e3 * took / (2 * count)
    growth = {
        "grid 8, 16, 32, 64; one year [ms]": [
            1e3 * best_s(lambda s=s: baulk((s, s)), 3)[0] for s in (8, 16, 32, 64)
        ],
        "members 1, 8, 64, 256; 16x16, one year [ms]": [
            1e3 * best_s(lambda m=m: baulk((16, 16), count=m), 3)[0] for m in (1, 8, 64, 256)
        ],
        "years 0.5, 1, 2, 4; 64 members, 16x16 [ms]": [
            1e3 * best_s(lambda y=y: baulk((16, 16), count=64, years=y), 3)[0] for y in (0.5, 1, 2, 4)
        ],
    }
    answer = {
        "runs": table,
        "ratio_to_fipy": fipy / own,
        "ratio_to_bdf": bdf / own,
        "ratio_to_fipy_16": fipy / own_16,
        "bare_dgtsv_ms_per_member_year_32x32_one_core": 1e3 * dgtsv_year,
        "ms_per_member_year": ensembles,
        "growth": growth,
        "peak_memory_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "cores": len(os.sched_getaffinity(0)),
        "load": os.getloadavg()[0],
    }
    OUT.parent.mkdir(exist_ok=True)
    OUT.write_text(json.dumps(answer, indent=1), encoding="utf-8")
    with capsys.disabled():
        print("\n" + json.dumps(answer, indent=1))
    assert fipy / own >= 1000
    assert bdf / own >= 30
    assert max(ensembles.values()) <= 2.0
    assert ensembles["64 members, 2 years, 32x32"] < 1e3 * dgtsv_year
