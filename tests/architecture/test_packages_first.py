"""Packages whose parts ask the package for one another load nothing themselves.

Two threads of the page server that came first to such a package at once stood in each other's way: one held
the package and wanted a part, the other the part and wanted the package; Python lets one of them fail then,
and a visitor read that something went wrong. Those named here are loaded before the server answers anybody.
It could not have found the like inside a package of somebody else's.
"""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
LOADED_FIRST = {"baulk.models.text", "baulk.ingest.register", "baulk.ingest.store", "baulk.ingest.wire"}
ONE_THREAD = {"baulk.dashboard.commands"}  # the command line


def test_a_package_that_its_own_parts_ask_for_another_part_is_empty():
    wrong = set()
    for part in ("models", "ingest", "dashboard"):
        for init in (ROOT / part).rglob("__init__.py"):
            name = ".".join(("baulk", *init.parent.relative_to(ROOT).parts))
            loads = re.search(rf"^from {re.escape(name)}[. ]", init.read_text(), re.MULTILINE)  # not indented
            asked = re.compile(rf"^\s*from {re.escape(name)} import ", re.MULTILINE)
            others = (each for each in init.parent.rglob("*.py") if each != init)
            if loads and any(asked.search(each.read_text()) for each in others):
                wrong.add(name)
    assert wrong <= LOADED_FIRST | ONE_THREAD


def test_those_that_are_not_empty_are_there_before_the_server_answers():
    asked = f"import sys, baulk.dashboard.asgi; print(sorted({LOADED_FIRST!r} - set(sys.modules)))"
    told = subprocess.run([sys.executable, "-P", "-c", asked], capture_output=True, text=True, check=False)
    assert told.stdout.strip() == "[]", told.stderr
