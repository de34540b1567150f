"""What runs all tests: what it waits for, and where it says what failed."""

from __future__ import annotations

import importlib.util
import sys
from collections import deque

import pytest


@pytest.fixture
def check(root, monkeypatch):
    spec = importlib.util.spec_from_file_location("check_on_trial", root / "tests/check.py")
    module = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, spec.name, module)
    spec.loader.exec_module(module)
    return module


def code(text):
    return (sys.executable, "-S", "-c", text)


def test_what_failed_is_said_again_at_the_end_and_the_rest_goes_on(check, capsys):
    lines = "print(*range(100), sep='\\n'); raise SystemExit(3)"
    failed = check.one_by_one([check.Portion("form", code("raise SystemExit('line 7 is long')"))])
    failed += check.side_by_side(
        deque(
            [
                check.Portion("tests/first", code(lines)),
                check.Portion("gone", ("/no/such/program",)),
                check.Portion("tests/last", code("print('it goes on')")),
                check.Portion("none left", code("raise SystemExit(5)"), frozenset({0, check.NONE_LEFT})),
            ]
        )
    )
    assert check.ended(failed) == 1
    said = capsys.readouterr().out.splitlines()
    assert {"== tests/last: ok", "== none left: ok"} <= {each.partition(",")[0] for each in said}
    assert said[-1].startswith("== failed: form; ")
    assert set(said[-1].removeprefix("== failed: ").split("; ")) == {"form", "tests/first", "gone"}
    end = said[said.index("== form FAILED; its last lines:") :]
    assert end[1] == "line 7 is long"
    at = end.index("== tests/first FAILED; its last lines:") + 1
    assert end[at : at + check.LAST_LINES] == [str(each) for each in range(100 - check.LAST_LINES, 100)]
    (why,) = [each for each in end if "could not be started" in each]
    assert "/no/such/program" in why


def test_where_nothing_failed_it_says_so(check, capsys):
    assert check.ended(check.side_by_side(deque([check.Portion("one", code("print(1)"))]))) == 0
    assert capsys.readouterr().out.splitlines()[-1] == "== all passed"


@pytest.mark.parametrize("fails", [False, True])
def test_what_needs_the_solver_waits_until_it_is_compiled_or_has_failed(check, tmp_path, monkeypatch, fails):
    begun, made = tmp_path / "begun", tmp_path / "made"
    text = "import os, time\nfor _ in range(600):\n if os.path.exists({0!r}): break\n time.sleep(0.1)\n"
    text += "else: raise SystemExit('nothing went on beside it')\nopen({1!r}, 'w')\nraise SystemExit({2})"
    solver = check.Portion("compiled solver", code(text.format(str(begun), str(made), int(fails))))
    monkeypatch.setattr(check, "SOLVER", solver)
    beside = code(f"open({str(begun)!r}, 'w')")
    looks = code(f"import os; raise SystemExit(not os.path.exists({str(made)!r}))")
    failed = check.side_by_side(
        deque([solver, check.Portion("beside", beside), check.Portion("waits", looks, needs_solver=True)])
    )
    assert [(each.name, each.told) for each in failed] == ([("compiled solver", "")] if fails else [])


def test_every_portion_of_tests_waits_for_the_solver_and_every_file_is_in_one(check, root):
    found = list(check.portions(["pytest"]))
    assert all(each.needs_solver for each in found)
    files = [each for portion in found for each in portion.argv[1:]]
    assert len(files) == len(set(files))
    assert set(files) == {each.relative_to(root).as_posix() for each in (root / "tests").rglob("test_*.py")}


def test_the_checks_that_take_seconds_are_made_alone(check, capsys, monkeypatch):
    asked = [check.Portion("form", code("print('well formed')")), check.Portion("contracts", code("1/0"))]
    monkeypatch.setattr(check, "checks", lambda: asked)
    monkeypatch.setattr(check, "side_by_side", lambda _: pytest.fail("tests were begun"))
    assert check.main(["--checks"]) == 1
    said = capsys.readouterr().out
    assert "== form: ok" in said
    assert said.endswith("ZeroDivisionError: division by zero\n== failed: contracts\n")
