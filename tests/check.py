"""Every check and every test, the quickest to fail first; what failed is said again last.

Where all tests are run they go in portions, some files to a process, and as many processes side by side as
the machine has cores and one more: browsers, brokers and disks are waited for most of the time, computations
are not, and whichever process ends first takes the next portion. What one said comes when it has ended.
A failure ends nothing, for whoever runs all wants to know all; the last lines of whatever failed stand at the
end of the log, where they are looked for.

``python tests/check.py [--checks] [--bench] [--only-tests] [what pytest takes]``; ``--checks`` makes only the
checks that take seconds.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BIN = Path(sys.executable).parent  # not resolved: the environment's own folder
PARTS = ("models", "ingest", "dashboard")
# Folders that are cut, and into how many portions; a process of pytest costs some seconds to start. What
# waits most is begun first; what stops and kills things comes last, when the least goes on beside it.
FIRST = {"browser": 1, "dashboard": 3, "ingest": 3, "models": 1}
LAST = {"faults": 5}
SIDE_BY_SIDE = min(os.cpu_count() or 1, 3) + 1
LONGEST_S = 3600  # for a portion
IN_MEMORY = Path("/dev/shm")  # noqa: S108 - a folder of our own is made in it
ROOM_BYTES = 6 * 2**30  # of it; all that the tests leave takes less than 1 GB
NONE_LEFT = 5  # what pytest ends with where every test of its files was left out
LAST_LINES = 30  # of what failed, said again at the end

# A section dried for a day: the solver is compiled once, not by every process that comes to it first.
COMPILED = """
import numpy as np
from baulk.models.air import AirSeries
from baulk.models.diffusion import DiffusionLaw
from baulk.models.drying import solver
from baulk.models.section import Section
air = AirSeries(posix_s=np.zeros(1), temp_c=np.full(1, 15.0), rh_pct=np.full(1, 60.0))
section, law = Section(width_mm=203, depth_mm=178), DiffusionLaw(d_ref_m2_s=2.5e-11)
solver.dry_with_balance(section, 60.0, air, law, start_posix_s=0.0, at_posix_s=[86_400.0])
"""


@dataclass(frozen=True)
class Portion:
    """What one process is started for."""

    name: str
    argv: tuple[str, ...]
    passes: frozenset[int] = frozenset({0})
    env: Mapping[str, str] = field(default_factory=dict)
    needs_solver: bool = False


@dataclass(frozen=True)
class Failure:
    """What did not pass, and what it said."""

    name: str
    told: str = ""


SOLVER = Portion("compiled solver", (sys.executable, "-c", COMPILED))


def run(each: Portion, **env: str) -> tuple[bool, str]:
    """Run a portion in the project's folder; return whether it passed and all that it said."""
    try:
        done = subprocess.run(
            each.argv,
            cwd=ROOT,
            env={**os.environ, **env, **each.env},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            check=False,
            timeout=LONGEST_S,
        )
    except subprocess.TimeoutExpired as err:
        return False, (err.stdout or b"").decode(errors="replace") + f"\nended after {LONGEST_S} s\n"
    except OSError as err:
        return False, f"it could not be started: {err}\n"
    return done.returncode in each.passes, done.stdout.decode(errors="replace")


def one_by_one(steps: Iterable[Portion]) -> list[Failure]:
    """Run what takes seconds, and say how each went as it ends; return what failed."""
    failed = []
    for each in steps:
        print(f"== {each.name}", flush=True)
        began = time.monotonic()
        fine, told = run(each)
        if not fine:
            failed.append(Failure(each.name, told))
        print(
            f"{told}== {each.name}: {'ok' if fine else 'FAILED'}, {time.monotonic() - began:.0f} s",
            flush=True,
        )
    return failed


def checks() -> list[Portion]:
    """Return what is known within seconds."""
    return [
        Portion("ruff check", (str(BIN / "ruff"), "check", ".")),
        Portion("ruff format", (str(BIN / "ruff"), "format", "--check", ".")),
        Portion("import contracts", (str(BIN / "lint-imports"),)),
    ]


def ended(failed: Sequence[Failure]) -> int:
    """Say the last lines of all that failed once more, then its names; return the code to end with."""
    for each in failed:
        last = each.told.rstrip().splitlines()[-LAST_LINES:]
        print("\n".join([f"== {each.name} FAILED; its last lines:", *last]), flush=True)
    names = "; ".join(each.name for each in failed)
    print(f"== {'failed: ' + names if failed else 'all passed'}", flush=True)
    return 1 if failed else 0


@contextlib.contextmanager
def types() -> Iterator[Portion]:
    """Give the type check of the installed names, by links: mypy can't follow the editable install."""
    with tempfile.TemporaryDirectory(prefix="baulk-types-") as links:
        (Path(links) / "baulk").mkdir()
        for part in PARTS:
            (Path(links) / "baulk" / part).symlink_to(ROOT / part)
        names = [word for part in PARTS for word in ("-p", f"baulk.{part}")]
        mypy = (str(BIN / "mypy"), "--config-file", str(ROOT / "pyproject.toml"), *names)
        yield Portion("mypy --strict", mypy, env={"MYPYPATH": links})


def portions(pytest: Sequence[str]) -> Iterator[Portion]:
    """Give all files of tests in portions; files that lie beside each other go to different ones."""
    tests = ROOT / "tests"
    having = {each.name for each in tests.iterdir() if any(each.rglob("test_*.py"))}
    others = dict.fromkeys(sorted(having - FIRST.keys() - LAST.keys()), 1)
    for name, parts in {**FIRST, **others, **LAST}.items():
        files = sorted(str(each.relative_to(ROOT)) for each in (tests / name).rglob("test_*.py"))
        for part in range(parts):
            if not files[part::parts]:
                raise SystemExit(
                    f"tests/{name} has no tests for part {part + 1} of {parts}; see FIRST and LAST"
                )
            said = f"tests/{name}" + (f", part {part + 1} of {parts}" if parts > 1 else "")
            # what has to outlive a cut is tried on the disk
            where = {"TMPDIR": tempfile.gettempdir()} if name in LAST else {}
            argv = (*pytest, *files[part::parts])
            yield Portion(said, argv, frozenset({0, NONE_LEFT}), where, needs_solver=True)


@contextlib.contextmanager
def working_room() -> Iterator[dict[str, str]]:
    """Give the environment whose temporary files lie in memory, where there is room; they go at the end.

    A shop is made for nearly every test, and each of its writes waits for the disk: 7 ms, measured. Whether a
    write is asked to reach the disk is told by the calls that tests/faults looks at, on the disk.
    """
    try:
        roomy = shutil.disk_usage(IN_MEMORY).free > ROOM_BYTES and os.access(IN_MEMORY, os.W_OK)
    except OSError:
        roomy = False
    if not roomy:
        yield {}
        return
    with tempfile.TemporaryDirectory(prefix="baulk-", dir=IN_MEMORY, ignore_cleanup_errors=True) as room:
        Path(room).chmod(0o755)  # PostgreSQL runs as somebody else
        yield {"TMPDIR": room}


def taken(left: deque[Portion]) -> Iterator[Portion]:
    """Give portions as long as there are any; lanes take them from the same ones."""
    while True:
        try:
            yield left.popleft()
        except IndexError:
            return


def side_by_side(left: deque[Portion]) -> list[Failure]:
    """Run portions side by side, each one's words in one piece as it ends; return what failed.

    What needs the compiled solver waits for it, where it is among them.
    """
    began, failed, speaking = time.monotonic(), [], threading.Lock()
    table: list[str] = []
    compiled = threading.Event()
    if SOLVER not in left:
        compiled.set()

    def lane(env: dict[str, str]) -> None:
        for each in taken(left):
            if each.needs_solver:
                compiled.wait(LONGEST_S)
            start = time.monotonic()
            with speaking:
                print(f"== started: {each.name}", flush=True)
            fine, told = run(each, **env)
            if each is SOLVER:
                compiled.set()  # where it failed the tests will say more
            now = time.monotonic()
            line = (
                f"== {each.name}: {'ok' if fine else 'FAILED'}, {now - start:.0f} s, at {now - began:.0f} s"
            )
            with speaking:
                table.append(line)
                if not fine:
                    failed.append(Failure(each.name, told))
                print(f"{told}{line}", flush=True)

    with working_room() as env:
        lanes = [threading.Thread(target=lane, args=(env,)) for _ in range(SIDE_BY_SIDE)]
        for each in lanes:
            each.start()
        try:
            for each in lanes:
                each.join()
        finally:
            failed += [Failure(each.name, "it was not begun") for each in left]
            left.clear()  # of what was broken off nothing more is begun
            for each in lanes:
                each.join()
    print("\n".join(table), flush=True)
    return failed


def main(args: list[str]) -> int:
    """Run all, even after a failure; 0 only if each passed."""
    bench, only_tests = "--bench" in args, "--only-tests" in args
    rest = [each for each in args if each not in {"--bench", "--only-tests"}]
    if "--checks" in args:
        return ended(one_by_one(checks()))
    # compiled once beside the sources, so that none of some hundred commands has to
    first = Portion("compiled code", (sys.executable, "-m", "compileall", "-q", *PARTS))
    failed = one_by_one([*([] if only_tests else checks()), first])
    names = ", ".join(each.name for each in failed)
    print(f"== before the tests: {'failed: ' + names if failed else 'all passed'}", flush=True)
    marks = [] if bench else ["-m", "not bench"]
    pytest = [sys.executable, "-m", "pytest", *marks]
    with types() as typed:
        left = deque([SOLVER] if only_tests else [SOLVER, typed])
        if rest or bench:  # what is measured is alone
            failed += side_by_side(left)
            if subprocess.run([*pytest, *rest], cwd=ROOT, check=False).returncode:
                failed.append(Failure("tests"))
        else:
            left.extend(portions([*pytest, "-p", "no:cacheprovider"]))
            failed += side_by_side(left)
    return ended(failed)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
