"""The layout that must not drift: top level, packages listed, one direction, one import name."""

from __future__ import annotations

import os
import subprocess
import tomllib

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
        and not any(path.rpartition("/")[0] == folder and path.endswith(end) for folder, end in patterns)
    ]
    assert left_out == []


def test_each_part_says_that_it_is_typed(root):
    assert all((root / part / "py.typed").exists() for part in PARTS)


def test_the_lock_names_no_address_and_pins_all_by_hash(root):
    text = (root / "requirements.lock").read_text()
    assert "://" not in text
    assert "--index-url" not in text.replace("--no-emit-index-url", "")
    entries = [line for line in text.splitlines() if line and not line.startswith((" ", "#"))]
    assert entries
    assert all("==" in line and line.endswith("\\") for line in entries)


@pytest.mark.parametrize("table", ["dependencies", "demo", "test", "bench"])
def test_every_dependency_is_in_the_lock(root, project, table):
    pinned = {
        line.split("==")[0] for line in (root / "requirements.lock").read_text().splitlines() if "==" in line
    }
    project = project["project"]
    wanted = project["dependencies"] if table == "dependencies" else project["optional-dependencies"][table]
    assert {each.split(">")[0].strip() for each in wanted} <= pinned


@pytest.mark.parametrize("script", ["deploy/demo", "tests/run", ".ci/run"])
def test_scripts_can_be_run_and_are_bash(root, script):
    path = root / script
    assert path.stat().st_mode & 0o111
    assert path.read_text().startswith("#!/usr/bin/env bash\n")
    assert subprocess.run(["bash", "-n", str(path)], check=False).returncode == 0
