"""deploy/systemd/install in a folder of its own: a shop moves in, an upgrade, the way back, removal."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys

from baulk.ingest import shop

PARTS = ("listener", "forecasts", "pages", "forward")


def _environment(folder, *, opens=True):
    """Make a Python environment that is this one, or one whose program can't open a shop."""
    (folder / "bin").mkdir(parents=True)
    program = folder / "bin" / "baulk"
    stop = (
        'case "$*" in *"timber list"*) echo "this one opens nothing" >&2; exit 1;; esac\n'
        if not opens
        else ""
    )
    program.write_text(
        f'#!/bin/sh\n{stop}exec env {_path()} "{sys.executable}" -P -m baulk.dashboard.commands "$@"\n'
    )
    program.chmod(0o755)
    return folder


def _path():
    return f"PYTHONPATH={os.environ['PYTHONPATH']}" if "PYTHONPATH" in os.environ else ""


def test_install_moves_a_shop_in_upgrades_it_with_a_backup_and_puts_the_old_one_back(
    root, tmp_path, shop_dir, oak
):
    tag = oak.tag
    with shop.open(shop_dir) as opened:
        opened.register.add(oak)
    (shop_dir / "pages.password").write_text("secret")
    place = tmp_path / "machine"
    script = root / "deploy/systemd/install"

    def install(*words, environment):
        return subprocess.run(
            [script, "--root", place, "--environment", environment, *words],
            capture_output=True, text=True, timeout=120, check=False,
        )  # fmt: skip

    first, second = _environment(tmp_path / "first"), _environment(tmp_path / "second", opens=False)
    done = install("--shop", shop_dir, environment=first)
    assert done.returncode == 0, done.stderr
    moved, program = place / "var/lib/baulk/shop", place / "opt/baulk"
    with shop.open(moved) as opened:
        assert opened.register.get(tag).tag == tag
    assert {each.name for each in (place / "etc/systemd/system").iterdir()} == {
        "baulk.target", *(f"baulk-{part}.service" for part in PARTS),
    }  # fmt: skip
    assert (program / "models/units.py").is_file()
    assert "move it away" in install("--shop", shop_dir, environment=first).stderr

    done = install(environment=second)  # an upgrade to a program that can't open the shop
    assert done.returncode == 1
    assert "the older one runs again" in done.stderr.replace("older program", "older one")
    assert list((place / "var/lib/baulk").glob("before-install-*.zip"))
    assert (program / ".venv").resolve() == first
    with shop.open(moved) as opened:
        assert opened.register.get(tag).tag == tag
    assert (moved / "pages.password").read_text() == "secret"

    done = install(environment=first)
    assert done.returncode == 0, done.stderr
    with shop.open(moved) as opened:
        assert opened.register.get(tag).tag == tag

    done = subprocess.run(
        [script, "--root", place, "--remove"], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stderr
    assert not list((place / "opt").iterdir())
    assert not list((place / "etc/systemd/system").iterdir())
    with shop.open(moved) as opened:  # what the shop knows is nobody's to take away with the program
        assert opened.register.get(tag).tag == tag


def test_install_says_that_there_is_no_python_before_it_touches_anything(root, tmp_path):
    tools = tmp_path / "tools"
    tools.mkdir()
    for each in ("bash", "env", "dirname", "realpath", "id", "mkdir", "install", "rm", "cp", "mv", "find"):
        (tools / each).symlink_to(shutil.which(each))
    place = tmp_path / "machine"
    done = subprocess.run(
        [root / "deploy/systemd/install", "--root", place],
        capture_output=True, text=True, timeout=60, check=False, env={"PATH": str(tools)},
    )  # fmt: skip
    assert done.returncode == 1
    assert "Python 3.11 or newer is needed and none is on the path" in done.stderr
    assert "older program" not in done.stderr
    assert not (place / "opt").exists()
