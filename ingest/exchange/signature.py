"""A signature on a backup, by a key of the shop: that nobody has changed it since. For those who want one.

The key (32 random bytes) lies in `backup.key` in the shop folder, is never in a backup, and has to be kept
apart from both. It signs what the backup says of itself, which holds a sum of every file; the signature
stands in the comment of the zip.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
import zipfile
from contextlib import suppress
from pathlib import Path
from typing import Final

from baulk.ingest.errors import BackupError
from baulk.ingest.exchange.manifest import KEY_FILE, body

_BYTES: Final = 32
_PREFIX: Final = b"hmac-sha256:"


def make_key(folder: Path) -> bytes:
    """Make the shop's key if it has none, for its owner alone to read; return it.

    Raises
    ------
    BackupError
        If the file can't be written, or holds no key.
    """
    path = folder / KEY_FILE
    if not path.exists():
        fresh = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
        try:
            number = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(number, "w", encoding="ascii") as file:
                file.write(secrets.token_hex(_BYTES) + "\n")
                file.flush()
                os.fsync(file.fileno())
            with suppress(FileExistsError):  # another process was first: its key is the shop's
                os.link(fresh, path)
        except OSError as err:
            raise BackupError(f"the key {path} can't be made: {err.strerror}") from err
        finally:
            fresh.unlink(missing_ok=True)
    return read_key(path)


def key_of(folder: Path) -> bytes | None:
    """Return the key of a shop folder, None where it has none."""
    path = folder / KEY_FILE
    return read_key(path) if path.exists() else None


def read_key(path: Path) -> bytes:
    """Read a key from its file.

    Raises
    ------
    BackupError
        If there is none.
    """
    try:
        key = bytes.fromhex(path.read_text(encoding="ascii").strip())
    except OSError as err:
        raise BackupError(f"the key {path} can't be read: {err.strerror}") from err
    except (ValueError, UnicodeDecodeError):
        key = b""
    if len(key) != _BYTES:
        raise BackupError(f"{path} is no key of a backup: {2 * _BYTES} digits and letters a to f are meant")
    return key


def sign(archive: zipfile.ZipFile, key: bytes, said: bytes) -> None:
    """Write the signature of what a backup says of itself into the comment of its zip."""
    archive.comment = _PREFIX + hmac.new(key, said, hashlib.sha256).hexdigest().encode()


def signed(archive: zipfile.ZipFile) -> bool:
    """Whether a zip carries a signature, good or bad."""
    return archive.comment.startswith(_PREFIX)


def check(archive: zipfile.ZipFile, key: bytes, name: str) -> None:
    """Refuse a backup that the key did not sign as it is.

    Raises
    ------
    BackupError
        If it carries no signature, or one that does not fit.
    """
    if not signed(archive):
        raise BackupError(f"{name} carries no signature; restore it without --key if you trust it")
    right = _PREFIX + hmac.new(key, body(archive, name), hashlib.sha256).hexdigest().encode()
    if not hmac.compare_digest(right, archive.comment):
        raise BackupError(
            f"{name} was not signed with this key as it is now: it was changed, or belongs to another shop; "
            "it is not restored"
        )
