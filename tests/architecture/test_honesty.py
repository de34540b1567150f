"""What makes the truth that forecasts are held against imports nothing of the program."""

from __future__ import annotations

import ast
import sys

FOLDER = "tests/bench/honesty"
MAY = {"accuracy", "shop_run", "faults", "kin"}  # fill a shop and ask it, each of something else
TESTS = {"test_honesty", "test_kin", "test_scores", "test_truth"}
LOADS_THOSE = TESTS | {"__init__", "against", "asking", "plots", "room", "rows", "run"} | MAY


def imported(path):
    """Names of every module that a file imports, wherever in it."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {each.name for each in node.names}
        elif isinstance(node, ast.ImportFrom):
            found.add(node.module or "")
            found |= {f"{node.module}.{each.name}" for each in node.names}
        elif isinstance(node, ast.Call) and getattr(node.func, "attr", getattr(node.func, "id", "")) in {
            "import_module",
            "__import__",
        }:
            found.add("baulk")  # an import by a name that cannot be read here counts as the worst
    return found


def test_only_the_door_to_the_shop_imports_the_program(root):
    files = {path.stem: path for path in (root / FOLDER).glob("*.py")}
    assert files.keys() >= MAY
    guilty = {
        name for name, path in files.items() if any(each.split(".")[0] == "baulk" for each in imported(path))
    }
    assert guilty <= MAY
    truth = files.keys() - LOADS_THOSE
    assert {
        "truth",
        "timbers",
        "meters",
        "mechanics",
        "scores",
        "baselines",
        "physics_front",
        "checks",
        "outcome",
        "opened",
    } <= truth
    doors = {f"honesty.{each}" for each in LOADS_THOSE - {"__init__"}}
    assert {name for name in truth if imported(files[name]) & doors} == set()


def test_truth_needs_nothing_but_published_packages(root):
    known = {"numpy", "scipy", "skfem", "numba", "pandas", "honesty"} | sys.stdlib_module_names
    for path in (root / FOLDER).glob("*.py"):
        if path.stem not in LOADS_THOSE:
            assert {each.split(".")[0] for each in imported(path)} <= known, path.name
