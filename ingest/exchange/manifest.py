"""What a backup says of itself: versions, how many rows each table has, and a sum of every file in it."""

from __future__ import annotations

import hashlib
import re
import zipfile
import zlib
from collections import Counter
from datetime import datetime
from fnmatch import fnmatchcase
from importlib.metadata import version
from pathlib import Path, PurePosixPath
from typing import IO, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from baulk.ingest import photos
from baulk.ingest.config import FILE
from baulk.ingest.errors import BackupError
from baulk.ingest.store_kinds import STORES
from baulk.models import species, use_class

NAME: Final = "baulk-backup.json"
FORMAT: Final = 1
SQLITE: Final = "shop.db"
DUMP: Final = "database.dump"
SPOOLS: Final = "spool-*.db"  # in the folder itself
KEY_FILE: Final = "backup.key"
SECRETS: Final = ("pages.password", "login.toml", "notices.urls", "broker/passwd", KEY_FILE)
TORN: Final = (zipfile.BadZipFile, zlib.error, EOFError, RuntimeError, NotImplementedError, OverflowError)
_PICTURES: Final = frozenset({".jpg", ".jpeg", ".png"})
_DATABASES: Final = frozenset({".db", ".sqlite", ".sqlite3"})
_MOST_BYTES: Final = 50_000_000  # of the manifest itself
_BLOCK: Final = 1 << 20
_UNSAFE: Final = re.compile(r"[\\:\x00-\x1f\x7f]")


class Member(BaseModel):
    """One file of a backup."""

    model_config = ConfigDict(frozen=True)

    size: int = Field(ge=0)
    sha256: str = Field(pattern=r"^[0-9a-f]{64}$")


class Manifest(BaseModel):
    """A backup in figures."""

    model_config = ConfigDict(frozen=True)

    format: int
    made_utc: datetime
    baulk: str
    shop: str
    kind: str
    books: Literal["sqlite", "postgres"]  # where register and books lie, and the readings unless with influx
    counts: dict[str, int]
    members: dict[str, Member]
    left_out: tuple[str, ...] = ()
    revision: int | None = None  # of the store, which grows with every change

    @field_validator("kind")
    @classmethod
    def _is_known(cls, text: str) -> str:
        if text not in STORES:
            raise ValueError(f"{text[:40]!r} is not a kind of store; known: {', '.join(STORES)}")
        return text


def program() -> str:
    """Give the version of this program."""
    return version("baulk")


def body(archive: zipfile.ZipFile, name: str) -> bytes:
    """Give what a backup says of itself, as it stands there.

    Raises
    ------
    BackupError
        If the zip is none of ours, or that is too long.
    """
    try:
        info = archive.getinfo(NAME)
    except KeyError as err:
        raise BackupError(f"{name} is a zip, but no backup of Baulk: there is no {NAME} in it") from err
    if info.file_size > _MOST_BYTES:
        raise BackupError(f"{name} is no backup of Baulk: its {NAME} is too large")
    return archive.read(info)


def read(archive: zipfile.ZipFile, name: str) -> Manifest:
    """Read and check the manifest of a backup.

    Raises
    ------
    BackupError
        If the zip is none of ours, was made by a newer program, or holds something else than it says.
    """
    try:
        found = Manifest.model_validate_json(body(archive, name))
    except ValidationError as err:
        raise BackupError(f"{name} is no backup of Baulk that can be read: {_first(err)}") from err
    if found.format > FORMAT:
        raise BackupError(
            f"{name} was made by a newer Baulk ({found.baulk[:40]}); install that one, then restore"
        )
    names = [each.filename for each in archive.infolist() if each.filename != NAME]
    for each in [*names, *found.members]:
        if not safe(each):
            raise BackupError(f"{name} holds {each!r}, which lies outside the folder; it is not restored")
    if twice := sorted(each for each, times in Counter(names).items() if times > 1):
        raise BackupError(
            f"{name} holds {twice[0]!r} twice, and which of the two is right can't be told; it is not "
            "restored. Take another backup"
        )
    if sorted(names) != sorted(found.members):
        odd = sorted(set(names) ^ set(found.members))
        raise BackupError(f"{name} is not whole: {odd[0]!r} is not both in it and in its list")
    return found


def safe(name: str) -> bool:
    """Whether a member's name stays in the folder, and is none of those that are left out."""
    path = PurePosixPath(name)
    return (
        bool(name)
        and name == str(path)
        and not path.is_absolute()
        and not _UNSAFE.search(name)
        and ".." not in path.parts
        and name not in {".", NAME, *SECRETS}
    )


def known(name: str, *, year: str | None) -> bool:
    """Whether a member is a file that a shop has: nothing else gets into its folder.

    Parameters
    ----------
    name : str
        Its name, safe by itself.
    year : str or None
        The typical year that the settings in the same backup name, if they do.
    """
    path = PurePosixPath(name)
    if name in {FILE, species.FILE, use_class.FILE, SQLITE, DUMP}:
        return True
    if len(path.parts) == 1 and fnmatchcase(name, SPOOLS):
        return True
    in_photos = path.parts[0] == photos.FOLDER and len(path.parts) > 1
    return not _hidden(path) and (name == year or (in_photos and path.suffix.lower() in _PICTURES))


def for_database(name: str) -> bool:
    """Whether the settings of a backup may have its database lie there."""
    path = PurePosixPath(name)
    ours = path.suffix.lower() in _DATABASES and not fnmatchcase(path.name, SPOOLS)
    return safe(name) and ours and not _hidden(path)


def _hidden(path: PurePosixPath) -> bool:
    return any(part.startswith(".") for part in path.parts)


def _first(err: ValidationError) -> str:
    each = err.errors()[0]
    return f"{'.'.join(map(str, each['loc'])) or NAME}: {each['msg']}"[:200]


def copied(source: IO[bytes], target: IO[bytes], *, most: int | None = None) -> Member:
    """Copy a file and give its size and sum; stops past ``most`` bytes."""
    total, size = hashlib.sha256(), 0
    while block := source.read(_BLOCK):
        size += len(block)
        if most is not None and size > most:
            break
        total.update(block)
        target.write(block)
    return Member(size=size, sha256=total.hexdigest())


def put(archive: zipfile.ZipFile, path: Path, name: str) -> Member:
    """Put a file into the zip."""
    with path.open("rb") as source, archive.open(name, "w", force_zip64=True) as target:
        return copied(source, target)
