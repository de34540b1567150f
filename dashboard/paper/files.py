"""Writing a file for a person: whole or not at all, with a sentence when it can't be."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from baulk.dashboard.paper.ink import PaperError


def write(path: Path, content: bytes) -> None:
    """Write a file beside its place and then move it there, so that a full disk leaves the old one."""
    folder = path.parent
    try:
        number, name = tempfile.mkstemp(dir=folder, prefix=f".{path.name}-")
        try:
            with os.fdopen(number, "wb") as file:
                file.write(content)
            Path(name).chmod(0o644)
            Path(name).replace(path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as err:
        raise PaperError(f"{path} can't be written: {err.strerror}; name another file with -o") from err
