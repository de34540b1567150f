"""What an answer was made from: the code in it, all of it and no more."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys

import pytest

from baulk.ingest.evaluation import fingerprint, import_graph

PARTS = ("models", "ingest")
# read by none of our code: what Python itself loads when it imports the evaluation
LOADED = """
import json, sys
import baulk.ingest.evaluation.compute
print(json.dumps([name for name in sys.modules if name.startswith(("baulk.models", "baulk.ingest"))]))
"""
# what an evaluation needs and its version does not: what forecasts, computes and compiles
ASKED = """
import json, sys
from baulk.ingest.evaluation import fingerprint
fingerprint.model_version()
ours = ("baulk.ingest.evaluation.compute", "baulk.models.calibrate", "baulk.models.forecast")
parts = (*ours, "scipy", "numba")
print(json.dumps([name for name in sys.modules if name.startswith(parts)]))
"""


@pytest.fixture
def copy(root, tmp_path):
    """A copy of both packages, to change."""
    for part in PARTS:
        shutil.copytree(root / part, tmp_path / part, ignore=shutil.ignore_patterns("__pycache__"))
    return tmp_path


def code(folder):
    return fingerprint.code(folder / "models", folder / "ingest")


def digest(folder):
    return fingerprint.digest_of(code(folder))


def touch(path):
    path.write_bytes(path.read_bytes() + b"# another line\n")


def test_everything_that_python_loads_for_an_evaluation_is_covered(root):
    done = subprocess.run([sys.executable, "-c", LOADED], capture_output=True, text=True, check=True)
    loaded = [name.removeprefix("baulk.").replace(".", "/") for name in json.loads(done.stdout)]
    assert "ingest/evaluation" in loaded
    assert len([name for name in loaded if name.startswith("models/")]) > 20
    covered = set(code(root))
    assert [name for name in loaded if not {f"{name}.py", f"{name}/__init__.py"} & covered] == []


def test_a_change_to_any_file_that_is_covered_changes_it(copy):
    sources = code(copy)
    assert {path: (copy / path).read_bytes() for path in sources} == sources
    seen = {fingerprint.digest_of(sources)}
    for path, text in sources.items():
        after = fingerprint.digest_of({**sources, path: text + b"# another line\n"})
        assert after not in seen, path
        seen.add(after)


@pytest.mark.parametrize(
    "path", ["models/units.py", "models/data/species.csv", "ingest/evaluation/compute.py"]
)
def test_a_change_on_the_disk_is_read(copy, path):
    before = digest(copy)
    touch(copy / path)
    assert digest(copy) != before


def test_modules_in_sub_folders_and_tables_count(copy):
    covered = code(copy)
    assert {path.relative_to(copy).as_posix() for path in (copy / "models").rglob("*.py")} <= set(covered)
    assert {path.relative_to(copy).as_posix() for path in (copy / "models").rglob("*.csv")} <= set(covered)
    assert any(path.count("/") > 1 and path.endswith(".py") for path in covered)
    assert {"models/data/schedules.csv", "models/data/species.csv"} <= set(covered)


@pytest.mark.parametrize("moved", ["models/units.py", "models/data/species.csv"])
def test_a_file_that_moves_changes_it(copy, moved):
    before = digest(copy)
    (copy / "models/other").mkdir()
    (copy / moved).rename(copy / "models/other" / (copy / moved).name)
    assert digest(copy) != before


def test_a_module_of_the_evaluation_that_moves_changes_it_and_is_still_covered(copy):
    before = digest(copy)
    (copy / "ingest/past").mkdir()
    (copy / "ingest/past/__init__.py").write_text('"""Air that was."""\n')
    (copy / "ingest/evaluation/climate.py").rename(copy / "ingest/past/climate.py")
    for path in (copy / "ingest").rglob("*.py"):
        text = path.read_text()
        path.write_text(
            text.replace(
                "from baulk.ingest.evaluation import climate, ",
                "from baulk.ingest.past import climate\nfrom baulk.ingest.evaluation import ",
            ).replace("from baulk.ingest.evaluation.climate import", "from baulk.ingest.past.climate import")
        )
    assert "ingest/past/climate.py" in code(copy)
    after = digest(copy)
    assert after != before
    touch(copy / "ingest/past/climate.py")
    assert digest(copy) != after


@pytest.mark.parametrize(
    "other",
    ["mqtt/listener", "mqtt/session", "monitoring/notices", "mqtt/publish", "store/sqlite_file"],
)
def test_a_module_that_no_evaluation_imports_does_not_count(copy, other):
    before = digest(copy)
    touch(copy / f"ingest/{other}.py")
    assert digest(copy) == before


def test_it_is_the_same_with_the_line_ends_of_another_system(copy):
    before = digest(copy)
    for path in code(copy):
        whole = (copy / path).read_bytes()
        (copy / path).write_bytes(whole.replace(b"\r\n", b"\n").replace(b"\n", b"\r\n"))
    assert digest(copy) == before


def test_what_python_leaves_beside_the_sources_does_not_count(copy):
    before = digest(copy)
    (copy / "models/__pycache__").mkdir()
    (copy / "models/__pycache__/units.py").write_text("left behind\n")
    (copy / "models/.units.py.swp").write_text("an editor's\n")
    assert digest(copy) == before


def test_the_version_is_that_of_the_installed_code_and_asked_once(root):
    fresh = fingerprint.model_version.__wrapped__()
    assert fresh == fingerprint.model_version()
    assert fresh.endswith("+" + digest(root))
    assert fingerprint.model_version() is fingerprint.model_version()


def test_the_version_is_read_off_the_sources_and_loads_none_of_what_computes():
    done = subprocess.run([sys.executable, "-c", ASKED], capture_output=True, text=True, check=True)
    assert json.loads(done.stdout) == []  # the parts of an evaluation take 1.5 s to load


@pytest.fixture
def package(tmp_path):
    """A package with an import of each kind."""
    (tmp_path / "deep/deeper").mkdir(parents=True)
    for path, text in {
        "__init__.py": "",
        "first.py": (
            "from typing import TYPE_CHECKING\n"
            "from a.b import plain, deep\n"
            "import a.b.named as other\n"
            "from a.bc import stranger\n"
            "if TYPE_CHECKING:\n    from a.b import typed\nelse:\n    from a.b import untyped\n"
            "def late():\n    from a.b.deep.deeper.bottom import thing\n"
        ),
        "plain.py": "from a.b.first import late",  # in a circle
        "named.py": "",
        "typed.py": "",
        "untyped.py": "",
        "stranger.py": "",
        "unused.py": "",
        "deep/__init__.py": "",
        "deep/table.csv": "1,2\n",
        "deep/unused.py": "",
        "deep/beside.py": "",
        "deep/deeper/__init__.py": "",
        "deep/deeper/bottom.py": "from ..beside import x\nfrom . import sibling\n",
        "deep/deeper/sibling.py": "",
    }.items():
        (tmp_path / path).write_text(text)
    return tmp_path


def test_every_kind_of_import_is_followed(package):
    assert set(import_graph.files(package, "a.b", "first")) == {
        "__init__.py",
        "first.py",
        "plain.py",
        "named.py",
        "untyped.py",
        "deep/__init__.py",
        "deep/table.csv",
        "deep/beside.py",
        "deep/deeper/__init__.py",
        "deep/deeper/bottom.py",
        "deep/deeper/sibling.py",
    }


def test_a_beginning_that_is_gone_is_said(package):
    with pytest.raises(FileNotFoundError, match=r"a\.b has no module evaluate"):
        import_graph.files(package, "a.b", "evaluate")
