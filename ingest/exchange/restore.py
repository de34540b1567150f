"""A shop out of a backup: into a new folder, every sum checked, all of it or nothing."""

from __future__ import annotations

import os
import re
import shutil
import tomllib
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from baulk.ingest import config as settings
from baulk.ingest import shop, working_folder
from baulk.ingest.config import Config
from baulk.ingest.errors import BackupError
from baulk.ingest.exchange import manifest as manifests
from baulk.ingest.exchange import pg_copy, restored_settings, signature, snapshot
from baulk.ingest.exchange.manifest import DUMP, KEY_FILE, SQLITE, Manifest
from baulk.ingest.register.engine import on_sqlite
from baulk.ingest.register.register import Register
from baulk.ingest.store.sqlite import SqliteSql
from baulk.ingest.store_kinds import STORES

_MOST_SETTINGS: Final = 1_000_000  # bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored:
    """A shop that was restored.

    Parameters
    ----------
    folder : Path
        Where it lies.
    made_utc : datetime
        The moment that it shows.
    counts : dict
        Rows of each table, as they were counted again.
    files : int
        How many files.
    left_out : tuple of str
        What the backup did not hold.
    notes : tuple of str
        What was changed in the settings.
    """

    folder: Path
    made_utc: datetime
    counts: dict[str, int]
    files: int
    left_out: tuple[str, ...]
    notes: tuple[str, ...] = ()


def restore(
    file: Path,
    folder: Path,
    *,
    database: str | None = None,
    key_file: Path | None = None,
    keep_addresses: bool = False,
) -> Restored:
    """Restore a backup into a new or empty folder.

    Its settings reach no other machine then (`baulk.ingest.exchange.restored_settings`), unless a key shows
    that the backup is the shop's own, or the person says so.

    Parameters
    ----------
    file : Path
        The zip.
    folder : Path
        It must not exist, or be empty.
    database : str, optional
        For a backup of a PostgreSQL database: the address of a new, empty one.
    key_file : Path, optional
        The key that has to have signed it; it becomes the restored shop's key.
    keep_addresses : bool
        Leave the addresses in the settings as they are.

    Raises
    ------
    BackupError
        If the zip is torn, foreign, or not what it says, or not signed with that key; then nothing is
        restored.
    """
    key = None if key_file is None else signature.read_key(key_file.expanduser())
    folder = folder.expanduser().absolute()
    if folder.is_symlink() or (folder.exists() and (not folder.is_dir() or any(folder.iterdir()))):
        raise BackupError(f"{folder} is not empty; a backup goes into a new folder, nothing is overwritten")
    former = rf"\.{re.escape(folder.name)}\.[0-9a-f]{{8}}\.part"
    try:
        with _archive(file) as archive:  # first: a file that is none makes no folders
            if key is not None:
                signature.check(archive, key, file.name)
            manifests.read(archive, file.name)
        trusted = keep_addresses or key is not None
        folder.parent.mkdir(parents=True, exist_ok=True)
        with working_folder.made(folder.parent, "restore", former=former) as working:
            part = working / "shop"
            found, notes = _unpacked(file, part, database, live=True, trusted=trusted)
            if key is not None:
                number = os.open(part / KEY_FILE, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
                with os.fdopen(number, "w", encoding="ascii") as kept:
                    kept.write(key.hex() + "\n")
            if folder.exists():
                folder.rmdir()
            part.rename(folder)
    except OSError as err:
        if isinstance(err, BackupError) or err.strerror is None:
            raise
        raise BackupError(f"{folder} can't be made: {err.strerror}") from err
    return Restored(
        folder=folder,
        made_utc=found.made_utc,
        counts=found.counts,
        files=len(found.members),
        left_out=found.left_out,
        notes=notes,
    )


def proved(file: Path, folder: Path) -> Manifest:
    """Restore a backup for proof, into a folder that goes again; servers are not written to."""
    try:
        found, _ = _unpacked(file, folder, None, live=False, trusted=True)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return found


def _unpacked(
    file: Path, folder: Path, database: str | None, *, live: bool, trusted: bool
) -> tuple[Manifest, tuple[str, ...]]:
    with _archive(file) as archive:
        found = manifests.read(archive, file.name)
        if database is not None and found.books != "postgres":
            raise BackupError(f"{file.name} holds no PostgreSQL database; leave --database away")
        if live and found.books == "postgres" and database is None:
            raise BackupError(
                f"{file.name} holds a PostgreSQL database; name a new, empty one for it with "
                "--database postgresql://user@host/name"
            )
        _refuse_unknown(archive, found, file.name)
        _room_for(found, folder)
        folder.mkdir(parents=True, mode=0o700)
        _extract(archive, found, folder, file.name)
    if settings.FILE not in found.members:
        raise BackupError(f"{file.name} is not whole: there is no {settings.FILE} in it")
    notes = restored_settings.settle(folder, database, trusted=trusted)
    config = settings.load(folder)
    if found.books == "sqlite":
        _place_database(config, folder, found)
    else:
        _prove_dump(folder / DUMP, found)
        if live:
            pg_copy.load(config.store, folder / DUMP)
            (folder / DUMP).unlink()
    _opens(config, found, live=live)
    return found, notes


@contextmanager
def _archive(file: Path) -> Iterator[zipfile.ZipFile]:
    if not file.is_file():
        raise BackupError(f"there is no file {file}")
    try:
        with zipfile.ZipFile(file) as archive:
            yield archive
    except manifests.TORN as err:
        raise BackupError(
            f"{file.name} is torn or no zip ({str(err)[:120]}); take another backup, or copy it once more"
        ) from err


def _refuse_unknown(archive: zipfile.ZipFile, found: Manifest, name: str) -> None:
    """Refuse a zip that would put anything into the folder that no shop has."""
    year = None
    if settings.FILE in found.members and found.members[settings.FILE].size < _MOST_SETTINGS:
        with suppress(UnicodeDecodeError, tomllib.TOMLDecodeError):  # `_settle` says it in words
            with archive.open(settings.FILE) as file:  # the zip may hold more than it says
                text = file.read(_MOST_SETTINGS)
            climate = tomllib.loads(text.decode()).get("climate")
            year = climate.get("typical_year") if isinstance(climate, dict) else None
    for member in found.members:
        if not manifests.known(member, year=year if isinstance(year, str) else None):
            raise BackupError(f"{name} holds {member!r}, which is no file of a shop; it is not restored")


def _extract(archive: zipfile.ZipFile, found: Manifest, folder: Path, name: str) -> None:
    for member, said in found.members.items():
        path = folder / member
        path.parent.mkdir(parents=True, exist_ok=True)
        with archive.open(member) as source:
            number = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(number, "wb") as target:
                got = manifests.copied(source, target, most=said.size)
        if got != said:
            raise BackupError(f"{name} is damaged: {member} is not what was put in; take another backup")


def _room_for(found: Manifest, folder: Path) -> None:
    need, there = sum(each.size for each in found.members.values()), folder.parent
    while not there.exists():
        there = there.parent
    if (free := shutil.disk_usage(there).free) < need:
        raise BackupError(f"{need / 1e6:.0f} MB are needed in {there}, and {free / 1e6:.0f} MB are free")


def _place_database(config: Config, folder: Path, found: Manifest) -> None:
    if SQLITE not in found.members:
        raise BackupError(f"the backup is not whole: there is no {SQLITE} in it")
    path = config.store_path
    if path != folder / SQLITE:
        path.parent.mkdir(parents=True, exist_ok=True)
        (folder / SQLITE).rename(path)
    snapshot.check(path, found.counts)


def _prove_dump(dumped: Path, found: Manifest) -> None:
    if not dumped.is_file():
        raise BackupError(f"the backup is not whole: there is no {DUMP} in it")
    counts = pg_copy.counted(dumped)
    if counts != found.counts:
        raise BackupError(f"the dump holds other numbers of rows than were counted: {counts}, {found.counts}")


def _opens(config: Config, found: Manifest, *, live: bool) -> None:
    """Open what was restored, which brings tables of an older form up to date."""
    kind = STORES.get(found.kind)
    if kind is not None and kind.holds_register and (live or not kind.url_schemes):
        shop.open(config.shop_dir).close()
    elif found.books == "sqlite":  # the readings' server has nothing to do with it
        SqliteSql(config.store_path).close()
        Register(on_sqlite(config.store_path)).close()
