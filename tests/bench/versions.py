"""The program of now and of an earlier commit, each to be imported by a process of its own."""

from __future__ import annotations

import subprocess
from pathlib import Path

ROOT = Path(__file__).parents[2]


def tree(folder: Path, sources: Path) -> str:
    """Make a folder from which a tree of sources imports as ``baulk``."""
    (folder / "baulk").mkdir(parents=True)
    for name in ("models", "ingest", "dashboard"):
        (folder / "baulk" / name).symlink_to(sources / name)
    return str(folder)


def earlier(folder: Path, commit: str) -> str:
    """Take a commit out of the repository; give the path to import it from."""
    folder.mkdir()
    packed = subprocess.run(["git", "-C", ROOT, "archive", commit], check=True, capture_output=True).stdout
    subprocess.run(["tar", "-x", "-C", folder], input=packed, check=True)
    return tree(folder / "path", folder)
