"""Every check and every test, in the order in which they are quickest to fail; pytest's summary comes last.

Where all tests are run they go in two lanes side by side, each with its own folders: browsers and brokers
wait most of the time, and computations do not. Whichever ends first takes what is left for both, some files
at a time, so that none stands idle while the other works. What is said beside the first comes at the end.

``python tests/check.py [--bench] [--only-tests] [what pytest takes]``
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import threading
import time
from collections import deque
from collections.abc import Sequence
from pathlib import Path
from typing import IO

ROOT = Path(__file__).resolve().parent.parent
BIN = Path(sys.executable).parent  # not resolved: the environment's own folder
PARTS = ("models", "ingest", "dashboard")
BESIDE = ("architecture", "bench", "ingest", "models", "reference", "security")
FOR_BOTH = "faults"
AT_ONCE = 3  # files; each process of pytest costs some seconds to start
NONE_LEFT = 5  # what pytest ends with where every test of its files was left out


def step(name: str, argv: Sequence[str | Path], **env: str) -> bool:
    """Run one check in the project's folder and say how it went."""
    print(f"== {name}", flush=True)
    began = time.monotonic()
    done = subprocess.run([str(each) for each in argv], cwd=ROOT, env=os.environ | env, check=False)
    print(
        f"== {name}: {'ok' if not done.returncode else 'FAILED'}, {time.monotonic() - began:.0f} s",
        flush=True,
    )
    return not done.returncode


def types() -> bool:
    """Type-check the installed names; mypy can't follow the editable install, so it is shown three links."""
    with tempfile.TemporaryDirectory(prefix="baulk-types-") as links:
        (Path(links) / "baulk").mkdir()
        for part in PARTS:
            (Path(links) / "baulk" / part).symlink_to(ROOT / part)
        names = [word for part in PARTS for word in ("-p", f"baulk.{part}")]
        return step(
            "mypy --strict", [BIN / "mypy", "--config-file", ROOT / "pyproject.toml", *names], MYPYPATH=links
        )


def both(pytest: list[str]) -> int:
    """Run all tests in two lanes as said above; 0 only if all pass."""
    having = {each.name for each in (ROOT / "tests").iterdir() if any(each.rglob("test_*.py"))}
    files = sorted(f"tests/{FOR_BOTH}/{each.name}" for each in (ROOT / "tests" / FOR_BOTH).glob("test_*.py"))
    left = deque(files[at : at + AT_ONCE] for at in range(0, len(files), AT_ONCE))
    failed: list[int] = []

    def lane(names: Sequence[str], *more: str, said: IO[bytes] | None = None) -> None:
        paths = [f"tests/{name}" for name in names]
        while paths:
            code = subprocess.run(
                [*pytest, *more, *paths],
                cwd=ROOT,
                stdout=said,
                stderr=said and subprocess.STDOUT,
                check=False,
            ).returncode
            if code not in {0, NONE_LEFT}:
                failed.append(code)
            try:
                paths = left.popleft()
            except IndexError:
                return

    with tempfile.TemporaryFile() as said:
        apart = ("-p", "no:cacheprovider")
        beside = threading.Thread(target=lane, args=(BESIDE, *apart), kwargs={"said": said})
        beside.start()
        try:
            lane(sorted(having - {*BESIDE, FOR_BOTH}))
        finally:
            left.clear()  # of what was broken off nothing more is begun
            beside.join()
        said.seek(0)
        print(f"== beside it: tests of {', '.join(BESIDE)}, and of {FOR_BOTH} what it took", flush=True)
        print(said.read().decode(errors="replace"), flush=True)
    return failed[0] if failed else 0


def main(args: list[str]) -> int:
    """Run all, even after a failure; 0 only if each passed."""
    bench, only_tests = "--bench" in args, "--only-tests" in args
    rest = [each for each in args if each not in {"--bench", "--only-tests"}]
    passed: dict[str, bool] = {}
    if not only_tests:
        passed["ruff check"] = step("ruff check", [BIN / "ruff", "check", "."])
        passed["ruff format"] = step("ruff format --check", [BIN / "ruff", "format", "--check", "."])
        passed["imports"] = step("import contracts", [BIN / "lint-imports"])
        passed["types"] = types()
        failed = [name for name, ok in passed.items() if not ok]
        print(
            f"== before the tests: {'failed: ' + ', '.join(failed) if failed else 'all passed'}", flush=True
        )
    marks = [] if bench else ["-m", "not bench"]
    print("== tests", flush=True)
    pytest = [str(BIN / "python"), "-m", "pytest", *marks]
    tested = (
        subprocess.run([*pytest, *rest], cwd=ROOT, check=False).returncode if rest or bench else both(pytest)
    )
    return 0 if all(passed.values()) and not tested else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
