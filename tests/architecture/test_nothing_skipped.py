"""What is skipped for want of a real component is a failure under CI=true, wherever it is said."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

TESTS = """
import pytest

def test_a_program(): pytest.skip("mosquitto is not on this machine")
def test_a_package(): pytest.importorskip("baulk_never_made")
def test_what_depends_on_the_machine(): pytest.skip("no process may be traced here")
"""
WHOLE_FILE = """
import pytest

pytest.importorskip("baulk_never_made")
"""


@pytest.mark.parametrize(
    ("ci", "told"),
    [("true", {"failed": 2, "skipped": 1, "error": 1}), ("", {"skipped": 4})],
)
def test_a_missing_component_fails_where_none_may_be_missing(root, tmp_path, ci, told):
    (tmp_path / "test_some.py").write_text(TESTS)
    (tmp_path / "test_whole_file.py").write_text(WHOLE_FILE)
    settings = tmp_path / "pytest.ini"
    settings.write_text("[pytest]\n")
    by = os.pathsep.join(each for each in (str(root / "tests"), os.environ.get("PYTHONPATH")) if each)
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "--continue-on-collection-errors", "-p", "conftest",
         "-p", "no:cacheprovider", "-c", settings, tmp_path],
        capture_output=True, text=True, check=False, env={**os.environ, "CI": ci, "PYTHONPATH": by},
    )  # fmt: skip
    last = done.stdout.strip().splitlines()[-1]
    counted = {word.rstrip("s") if word == "errors" else word: int(n) for n, word in
               (part.split()[:2] for part in last.split(" in ")[0].split(", "))}  # fmt: skip
    assert counted == told, done.stdout
