"""The layout that must not drift: top level, packages listed, one direction, one import name."""

from __future__ import annotations

import ast
import importlib
import os
import re
import subprocess
import tomllib
from graphlib import TopologicalSorter
from itertools import chain

import pytest

TOP = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "LICENSE",
    "requirements.lock",
    "models",
    "ingest",
    "dashboard",
    "deploy",
    "tests",
}
PARTS = ("models", "ingest", "dashboard")
LOCKS = ("requirements.lock", "tests/requirements.lock")


@pytest.fixture(scope="module")
def project(root):
    return tomllib.loads((root / "pyproject.toml").read_text())


@pytest.fixture(scope="module")
def tracked(root):
    done = subprocess.run(["git", "ls-files"], cwd=root, capture_output=True, text=True, check=False)
    if done.returncode:  # the sources without git: an unpacked archive, never CI
        assert os.environ.get("CI") != "true", done.stderr
        pytest.skip("not a git clone, so there is no list of tracked files")
    return done.stdout.split()


def test_the_top_level_holds_what_the_design_names_and_dotfiles(tracked):
    top = {path.split("/")[0] for path in tracked}
    assert {name for name in top if not name.startswith(".")} <= TOP


def test_every_folder_with_code_is_listed_as_a_package(root, project):
    folders = {
        "baulk." + ".".join(path.parent.relative_to(root).parts)
        for part in PARTS
        for path in (root / part).rglob("*.py")
    }
    assert set(project["tool"]["setuptools"]["packages"]) == folders


def test_every_tracked_file_beside_the_code_is_packaged(tracked, project):
    data = project["tool"]["setuptools"]["package-data"]
    patterns = {
        (package.removeprefix("baulk.").replace(".", "/"), pattern.lstrip("*"))
        for package, listed in data.items()
        for pattern in listed
    }
    left_out = [
        path
        for path in tracked
        if path.split("/")[0] in PARTS
        and not path.endswith(".py")
        and not path.rpartition("/")[2].startswith(".")
        and not path.endswith("/README.md")  # for people who work on the code
        and not any(path.rpartition("/")[0] == folder and path.endswith(end) for folder, end in patterns)
    ]
    assert left_out == []


def test_each_part_says_that_it_is_typed(root):
    assert all((root / part / "py.typed").exists() for part in PARTS)


def pins(root, lock):
    """Lines of a lock that pin a version: name==version, with the condition behind it if there is one."""
    return [
        line for line in (root / lock).read_text().splitlines() if line and not line.startswith((" ", "#"))
    ]


@pytest.mark.parametrize("lock", LOCKS)
def test_a_lock_names_no_address_and_pins_all_by_hash(root, lock):
    text = (root / lock).read_text()
    assert "://" not in text
    assert "--index-url" not in text.replace("--no-emit-index-url", "")
    assert text.splitlines()[1].startswith("#    uv pip compile ")
    entries = pins(root, lock)
    assert entries
    assert all("==" in line and line.endswith("\\") for line in entries)


def names(requirements):
    return {re.split(r"[\[><=]", each)[0].strip() for each in requirements}


def pinned(root, lock):
    return {line.split("==")[0] for line in pins(root, lock)}


def test_the_first_lock_holds_what_a_shop_needs_and_no_tool(root, project):
    extras = project["project"]["optional-dependencies"]
    groups = project["dependency-groups"]
    wanted = names([*project["project"]["dependencies"], *chain(*extras.values()), *groups["build"]])
    assert wanted <= pinned(root, LOCKS[0])
    assert names(groups["test"] + groups["bench"]) & pinned(root, LOCKS[0]) == set()
    assert {"sphinx", "docutils", "matplotlib", "pluggy"} & pinned(root, LOCKS[0]) == set()


def test_the_second_lock_holds_the_tools_at_the_same_versions(root, project):
    groups = project["dependency-groups"]
    assert names(groups["test"] + groups["bench"]) <= pinned(root, LOCKS[1])
    first, second = (
        {line.split(" ")[0] for line in pins(root, lock)} for lock in LOCKS
    )  # a package may have a version for each Python
    shared = pinned(root, LOCKS[0]) & pinned(root, LOCKS[1])
    assert {each for each in second if each.split("==")[0] in shared} <= first


def test_what_only_some_shops_need_is_an_extra_and_nothing_else_is(project):
    extras = project["project"]["optional-dependencies"]
    assert set(extras) == {"demo", "postgres", "cluster", "login", "notify"}
    assert names(chain(*extras.values())) & names(project["project"]["dependencies"]) == set()
    assert {"paho-mqtt", "influxdb-client", "pandas", "scipy", "streamlit"} <= names(
        project["project"]["dependencies"]
    )


@pytest.mark.parametrize("script", ["deploy/demo", "tests/run", ".ci/run"])
def test_scripts_can_be_run_and_are_bash(root, script):
    path = root / script
    assert path.stat().st_mode & 0o111
    assert path.read_text().startswith("#!/usr/bin/env bash\n")
    assert subprocess.run(["bash", "-n", str(path)], check=False).returncode == 0


PUBLIC = {
    "sorption": ("emc_pct", "rh_pct"),
    "species": ("get",),
    "drying": ("dry",),
    "distortion": ("outline", "Movement"),
    "calibrate": ("fit", "Calibration"),
    "forecast": ("forecast", "Forecast"),
    "verdict": ("judge", "Verdict"),
}


@pytest.mark.parametrize("module", PUBLIC)
def test_the_names_that_others_compute_with_stay_where_they_are(module):
    found = importlib.import_module(f"baulk.models.{module}")
    assert all(hasattr(found, name) for name in PUBLIC[module])


def test_every_file_that_the_documents_name_is_there(root, tracked):
    """Beside a folder's own page a path may begin at that folder: `plan/sawing/bevel.py` in models."""
    missing = []
    for page in [path for path in tracked if path.rpartition("/")[2] in {"DEVELOPERS.md", "README.md"}]:
        text = (root / page).read_text()
        named = set(re.findall(r"(?<![\w/.])((?:models|ingest|dashboard|deploy|tests)/[\w/.-]*\w)", text))
        places = (root, (root / page).parent)
        missing += [
            f"{page}: {each}" for each in named if not any((place / each).exists() for place in places)
        ]
    assert sorted(missing) == []


def test_every_page_for_developers_is_listed(root, tracked):
    """DEVELOPERS.md leads to each folder's page, and each page back to it."""
    text = (root / "DEVELOPERS.md").read_text()
    listed = set(re.findall(r"\]\(([\w/]+/README\.md)\)", text))
    pages = {
        path
        for path in tracked
        if path.endswith("/README.md") and "DEVELOPERS.md" in (root / path).read_text()
    }
    assert listed == pages


def modules(root):
    """Every module of the three parts and what it imports of ours, at its top or inside a function."""
    files = {
        "baulk." + ".".join(path.relative_to(root).with_suffix("").parts).removesuffix(".__init__"): path
        for part in PARTS
        for path in (root / part).rglob("*.py")
    }
    found = {}
    for name, path in files.items():
        inside = set()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module:
                full = {f"{node.module}.{each.name}" for each in node.names}
                inside |= {each if each in files else node.module for each in full}
            elif isinstance(node, ast.Import):
                inside |= {each.name for each in node.names}
        found[name] = (inside & files.keys()) - {name}
    return found


def test_no_module_imports_itself_through_others(root):
    graph = modules(root)
    assert len(graph) > 200
    tuple(TopologicalSorter(graph).static_order())  # raises CycleError and names the circle


def test_the_type_checker_alone_imports_nothing_of_ours(root):
    guarded = re.compile(r"^if TYPE_CHECKING:\n((?:    .*\n|\n)+)", re.MULTILINE)
    for part in PARTS:
        for path in (root / part).rglob("*.py"):
            for block in guarded.findall(path.read_text(encoding="utf-8")):
                assert "baulk" not in block, path
