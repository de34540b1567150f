"""The wheel, built and installed in an environment of its own, as a stranger would have it."""

from __future__ import annotations

import shutil
import subprocess
import sys
import sysconfig
import zipfile

import pytest

PARTS = ("models", "ingest", "dashboard")


@pytest.fixture(scope="module")
def wheel(root, tmp_path_factory):
    """A wheel built from a copy, so that no build folder is left in the project."""
    here = tmp_path_factory.mktemp("wheel")
    copy = here / "source"
    copy.mkdir()
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(root / name, copy)
    for part in PARTS:
        shutil.copytree(root / part, copy / part, ignore=shutil.ignore_patterns("__pycache__"))
    subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(here), str(copy)],
        check=True,
        capture_output=True,
    )
    return next(here.glob("*.whl"))


@pytest.fixture(scope="module")
def installed(wheel, tmp_path_factory):
    """Folder of an environment that has the wheel, and everything else from ours but not our own baulk."""
    here = tmp_path_factory.mktemp("elsewhere")
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", str(here)], check=True)
    site = next(here.glob("lib/python*/site-packages"))
    pip = [sys.executable, "-m", "pip", "--python", str(here / "bin/python")]
    subprocess.run([*pip, "install", "--no-deps", "--no-index", "--quiet", str(wheel)], check=True)
    # a plain path: the .pth files of ours, among them the editable baulk, are not read from there
    (site / "dependencies.pth").write_text(sysconfig.get_path("purelib") + "\n")
    return here


def run(installed, *words):
    return subprocess.run(
        [str(installed / "bin/baulk"), *words],
        cwd=installed,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


def test_the_installed_command_answers_from_the_wheel(installed):
    done = run(installed, "emc", "--temp", "21.1C", "--rh", "50")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("9.2 %")  # Wood Handbook FPL-GTR-282, table 4-2: 9.2 at 21.1 degC, 50 %
    where = subprocess.run(
        [str(installed / "bin/python"), "-c", "import baulk.models; print(baulk.models.__file__)"],
        cwd=installed,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    assert where.startswith(str(installed))


def test_nothing_of_ours_but_baulk_lies_at_the_top_of_site_packages(installed):
    site = next(installed.glob("lib/python*/site-packages"))
    names = {path.name for path in site.iterdir() if path.suffix not in {".dist-info", ".pth"}}
    assert names == {"baulk"}
    assert {path.name for path in (site / "baulk").iterdir() if path.name != "__pycache__"} == set(PARTS)


def test_the_wheel_holds_every_module_and_table(wheel, root):
    packed = set(zipfile.ZipFile(wheel).namelist())
    wanted = {
        f"baulk/{path.relative_to(root)}"
        for part in PARTS
        for pattern in ("*.py", "*.csv", "*.css", "*.mako", "*.json", "*.md", "*.svg", "py.typed")
        for path in (root / part).rglob(pattern)
        if path.name != "README.md"  # for who works on the code
    }
    assert wanted - packed == set()
    assert not any(name.startswith(("models/", "ingest/", "dashboard/", "tests/")) for name in packed)


def test_the_species_table_is_read_from_the_wheel(installed):
    done = subprocess.run(
        [
            str(installed / "bin/python"),
            "-c",
            "from baulk.models import species; print(len(species.names()))",
        ],
        cwd=installed,
        capture_output=True,
        text=True,
        check=True,
    )
    assert int(done.stdout) >= 12
