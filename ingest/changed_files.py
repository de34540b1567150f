"""Files that a person edits, watched for a change; loads nothing that reads them."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import Final

_GONE: Final = b"\0"


def digest(paths: Sequence[Path]) -> bytes:
    """Return what files say, put together.

    Parameters
    ----------
    paths : sequence of Path
        The files; one that can't be read counts as gone.

    Returns
    -------
    bytes
        16 bytes; others when a file changed, came or went. A file that was only saved again changes nothing.
    """
    made = hashlib.blake2b(digest_size=16)
    for path in paths:
        try:
            said = path.read_bytes()
        except OSError:
            said = _GONE
        made.update(len(said).to_bytes(8) + said)
    return made.digest()


class Eye:
    """Notices that the files have changed, once they stand still: an editor may be in the middle of saving.

    Parameters
    ----------
    paths : sequence of Path
        What the settings were read from (`settings_watch.files`).
    """

    def __init__(self, paths: Sequence[Path]) -> None:
        self._paths = tuple(paths)
        self._taken = self._seen = digest(paths)
        self._refused: bytes | None = None

    def changed(self) -> bool:
        """Whether they are others than those taken or refused last, and the same as at the last look."""
        now = digest(self._paths)
        stands, self._seen = now == self._seen, now
        if now == self._taken:
            self._refused = None
        return stands and now not in {self._taken, self._refused}

    def take(self, paths: Sequence[Path]) -> None:
        """Go on with what has been read anew."""
        self._paths = tuple(paths)
        self._taken = self._seen = digest(paths)
        self._refused = None

    def refuse(self, err: Exception) -> str:
        """Leave them alone until they change again, and return the sentence to tell."""
        self._refused = self._seen
        return f"the settings have changed and can't be taken: {err}; those of before go on"
