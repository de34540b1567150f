"""How fast the drying model is, beside general solvers on the same problem in the same run.

One year of a 203 x 178 mm section at 15 degC and 13 % EMC from 80 %, D growing with moisture up to 30 %,
surface held at the EMC (no resistance, so that the peers need no boundary code of ours), isotropic, on the
same graded cells. Peers take the steps that they are usually given; ours are chosen by its error bound, so
that the columns of errors against a grid four times finer belong to the comparison. Run by ``tests/run
--bench --only-tests tests/bench/test_core_speed.py``; prints one table and writes tests/out/bench-core.json.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg.lapack import dgtsv
from scipy.sparse import diags_array, eye_array, kron
from skfem import Basis, BilinearForm, ElementQuad1, MeshQuad, condense, solve
from skfem.helpers import dot, grad

from baulk.models.air import AirSeries
from baulk.models.diffusion import DiffusionLaw
from baulk.models.drying import solver
from baulk.models.drying.axes import Axis
from baulk.models.drying.grid import centre_shares, slope_shares
from baulk.models.drying.kernel import _conduct, _lay, _sweep
from baulk.models.drying.solver import Members
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


def baulk(cells, *, count=1, years=1.0, surface=1e6, **how):
    (field,) = solver.dry(
        SECTION, None, AIR, LAW, start_posix_s=0.0, at_posix_s=years * YEAR,
        members=ensemble(count, surface), cells=cells, **how,
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
    (like,) = solver.dry(SECTION, 1.0, AIR, LAW, start_posix_s=0.0, at_posix_s=0.0, cells=mc.shape[::-1])
    return type(like)(
        posix_s=YEAR, section=SECTION, x_edges_mm=like.x_edges_mm, y_edges_mm=like.y_edges_mm, mc_pct=mc
    )


def d_of(m):
    return WARM_D * np.exp(LAW.slope_per_pct * (np.minimum(m, LAW.fsp_pct) - 20))


def fipy_year(n):
    os.environ.setdefault("FIPY_SOLVERS", "scipy")
    from fipy import CellVariable, DiffusionTerm, Grid2D, TransientTerm, numerix  # noqa: PLC0415

    dx = np.diff(solver.graded_edges_mm(SECTION.width_mm, n)) / 1000
    dy = np.diff(solver.graded_edges_mm(SECTION.depth_mm, n)) / 1000
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
    dx = np.diff(solver.graded_edges_mm(SECTION.width_mm, n)) / 1000
    dy = np.diff(solver.graded_edges_mm(SECTION.depth_mm, n)) / 1000

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


def skfem_year(n, theta=0.6):
    x = solver.graded_edges_mm(SECTION.width_mm, n) / 1000
    y = solver.graded_edges_mm(SECTION.depth_mm, n) / 1000
    mesh = MeshQuad.init_tensor(x, y)
    basis = Basis(mesh, ElementQuad1())
    mass = BilinearForm(lambda u, v, _: u * v).assemble(basis)
    stiff = BilinearForm(lambda u, v, w: w.d * dot(grad(u), grad(v)))
    m = np.full(basis.N, START)
    held = basis.get_dofs().all()
    m[held] = EMC
    for _ in range(365):
        flow = stiff.assemble(basis, d=basis.interpolate(d_of(m)))
        m = solve(*condense(mass + theta * DAY * flow, (mass - (1 - theta) * DAY * flow) @ m, x=m, D=held))
    place = {(round(px, 9), round(py, 9)): i for i, (px, py) in enumerate(mesh.p.T)}
    nodes = np.array([[m[place[round(px, 9), round(py, 9)]] for px in x] for py in y])
    return as_field((nodes[1:, 1:] + nodes[1:, :-1] + nodes[:-1, 1:] + nodes[:-1, :-1]) / 4)


def dgtsv_sweep_s(n, count):
    """Time of one bare elimination of every line of every member in one call, nothing else."""
    size = count * n * n
    off = -np.ones(size - 1)
    off[n - 1 :: n] = 0
    return best_s(lambda: dgtsv(off.copy(), np.full(size, 4.0), off.copy(), np.ones(size)), 7)[0]


def own_sweep_s(n, count):
    """Time of one of our sweeps over as many lines on one core, conductances, bends and balance included."""
    lanes, width = n * count, np.diff(solver.graded_edges_mm(SECTION.width_mm, n)) / 1000
    free = np.full((1, lanes), np.exp(LAW.slope_per_pct * (LAW.fsp_pct - 20)))
    each = [1.0, 0.0, 1e7, 1e7, LAW.slope_per_pct, LAW.fsp_pct, 0.0, 0.0]
    own = np.repeat(np.array(each)[:, None], lanes, axis=1)
    laid = np.full((n + 1, lanes), 1e-8), slope_shares(width), centre_shares(width), own, free
    light = (each.astype(np.float32) for each in laid)
    axis = Axis(width, *light)
    u, out, work = np.full((n, lanes), 60.0), np.zeros(lanes), np.empty((4, n + 1, lanes))
    single = np.empty((5, n + 1, lanes), np.float32)

    def sweep():
        _lay(axis, (1.0, EMC, 0.0), single[4])
        _conduct(u, axis, work[0], single)
        _sweep(u, axis, DAY, EMC, out, work, single)

    return best_s(sweep, 30)[0]


IN_A_PROCESS = """
import resource, sys, time
import numpy as np
sys.path.insert(0, sys.argv[1])
import test_core_speed as bench
begin = time.perf_counter()
bench.baulk((8, 8))
first = time.perf_counter() - begin
bench.solver.dry(
    bench.SECTION, None, bench.AIR, bench.LAW, start_posix_s=0.0,
    at_posix_s=np.arange(105) * 7 * bench.DAY, members=bench.ensemble(256), cells=(16, 16),
)
print(first, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""


def in_a_process(cache):
    """First call and peak memory of 256 members over two years with 105 fields kept, in a fresh process."""
    done = subprocess.run(
        [sys.executable, "-c", IN_A_PROCESS, str(Path(__file__).parent)],
        env=os.environ | {"NUMBA_CACHE_DIR": str(cache)}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    first_s, memory_mb = map(float, done.stdout.split()[-2:])
    return first_s, memory_mb


def test_one_year_and_ensembles_beside_the_peers(capsys, tmp_path):
    compile_s, _ = in_a_process(tmp_path)
    cached_s, memory_mb = in_a_process(tmp_path)
    n = 32
    baulk((n, n))  # compiled or read from the cache
    refined = figures(baulk((4 * n, 4 * n), step_s=DAY, error_pct=0.01))
    runs = {
        "baulk 16x16": (lambda: baulk((16, 16)), 15),
        "baulk 24x24": (lambda: baulk((24, 24)), 15),
        "baulk 32x32": (lambda: baulk((n, n)), 15),
        "scipy BDF, sparse Jacobian, 32x32": (lambda: bdf_year(n), 3),
        "scikit-fem, theta 0.6, 365 steps, 32x32": (lambda: skfem_year(n), 1),
        "FiPy 4, 365 steps, 32x32": (lambda: fipy_year(n), 1),
    }
    single = {}
    for name, (work, times) in runs.items():
        took, field = best_s(work, times)
        off = np.abs(np.array(figures(field)) - refined).round(3).tolist()
        single[name] = {"ms": 1e3 * took, "off_mean_core_shell_pct": off}
    fipy = single["FiPy 4, 365 steps, 32x32"]["ms"]
    bdf = single["scipy BDF, sparse Jacobian, 32x32"]["ms"]
    own = single["baulk 16x16"]
    ensembles = {}
    for side in (16, 32):
        for count in (64, 256):
            took, _ = best_s(lambda s=side, c=count: baulk((s, s), count=c, years=2, surface=1), 3)
            ensembles[f"{count} members, 2 years, {side}x{side}"] = 1e3 * took / (2 * count)
    sweeps = {
        f"{side}x{side}, 4 members": {
            "baulk_us": 1e6 * own_sweep_s(side, 4), "dgtsv_us": 1e6 * dgtsv_sweep_s(side, 4),
        }
        for side in (16, 32)
    }  # fmt: skip
    growth = {
        "cells each way 8, 16, 32, 64; one year, ms": [
            1e3 * best_s(lambda s=s: baulk((s, s)), 5)[0] for s in (8, 16, 32, 64)
        ],
        "members 1, 8, 64, 256; 16x16, one year, ms": [
            1e3 * best_s(lambda m=m: baulk((16, 16), count=m), 4)[0] for m in (1, 8, 64, 256)
        ],
        "years 0.5, 1, 2, 4; 64 members, 16x16, ms": [
            1e3 * best_s(lambda y=y: baulk((16, 16), count=64, years=y), 4)[0] for y in (0.5, 1, 2, 4)
        ],
    }
    answer = {
        "one_year": single,
        "ms_per_member_year": ensembles,
        "one_sweep_on_one_core": sweeps,
        "growth": growth,
        "first_call_compiling_s": compile_s,
        "first_call_from_cache_s": cached_s,
        "memory_256_members_mb": memory_mb,
        "cores": len(os.sched_getaffinity(0)),
        "load": os.getloadavg()[0],
    }
    OUT.parent.mkdir(exist_ok=True)
    OUT.write_text(json.dumps(answer, indent=1), encoding="utf-8")
    with capsys.disabled():
        print("\n" + table(answer, fipy))
    assert own["off_mean_core_shell_pct"][0] <= 0.1
    assert max(own["off_mean_core_shell_pct"]) <= 0.3
    assert fipy / own["ms"] >= 1000
    assert bdf / own["ms"] >= 30
    assert max(ensembles.values()) <= 2.0
    assert all(each["baulk_us"] < each["dgtsv_us"] for each in sweeps.values())
    assert memory_mb < 500
    assert cached_s < 2


def table(answer, fipy_ms):
    """Everything measured, as one table of text."""
    lines = [("one year", "ms", "FiPy / it", "off from 4x finer: mean, core, shell")]
    for name, each in answer["one_year"].items():
        off = "  ".join(f"{value:.2f}" for value in each["off_mean_core_shell_pct"])
        lines.append((name, f"{each['ms']:.2f}", f"{fipy_ms / each['ms']:.0f}", off))
    for name, ms in answer["ms_per_member_year"].items():
        lines.append((f"{name}, a member-year", f"{ms:.2f}", f"{fipy_ms / ms:.0f}", ""))
    for name, each in answer["one_sweep_on_one_core"].items():
        ratio = each["dgtsv_us"] / each["baulk_us"]
        note = f"bare dgtsv {each['dgtsv_us'] / 1e3:.3f} ms, {ratio:.1f} times as long"
        lines.append((f"one sweep, {name}, one core", f"{each['baulk_us'] / 1e3:.3f}", "", note))
    for name, values in answer["growth"].items():
        lines.append((name, "", "", "  ".join(f"{value:.1f}" for value in values)))
    lines.append(("first call, compiling", f"{1e3 * answer['first_call_compiling_s']:.0f}", "", ""))
    lines.append(("first call, from the cache", f"{1e3 * answer['first_call_from_cache_s']:.0f}", "", ""))
    memory = f"{answer['memory_256_members_mb']:.0f} MB in a process of its own, 105 fields kept"
    lines.append(("256 members, 2 years, 16x16", "", "", memory))
    lines.append((f"{answer['cores']} cores, load {answer['load']:.1f}", "", "", ""))
    return "\n".join(f"{a:<46}{b:>9}{c:>11}  {d}" for a, b, c, d in lines)
