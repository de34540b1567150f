"""A backup of a shop while it runs: one zip, checked by restoring it before it is called one."""

from __future__ import annotations

import os
import re
import shutil
import zipfile
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from baulk.ingest import photos, working_folder
from baulk.ingest.config import FILE, Config
from baulk.ingest.errors import BackupError
from baulk.ingest.exchange import manifest as manifests
from baulk.ingest.exchange import moving, pg_copy, signature, snapshot
from baulk.ingest.exchange.manifest import DUMP, SECRETS, SPOOLS, SQLITE, Manifest, Member
from baulk.ingest.exchange.restore import proved
from baulk.ingest.register.engine import on_sqlite
from baulk.ingest.register.register import Register
from baulk.ingest.store import open_store, sqlite_file
from baulk.ingest.store_kinds import STORES
from baulk.models import species, use_class


@dataclass(frozen=True, slots=True, kw_only=True)
class Backup:
    """A backup that was made and proved.

    Parameters
    ----------
    file : Path
        The zip.
    size_mb : float
        How large it is. [MB]
    made_utc : datetime
        The moment that it shows.
    counts : dict
        Rows of each table.
    files : int
        How many files are in it.
    left_out : tuple of str
        What is not in it, in words.
    signed : bool
        Whether the shop's key signed it.
    """

    file: Path
    size_mb: float
    made_utc: datetime
    counts: dict[str, int]
    files: int
    left_out: tuple[str, ...]
    signed: bool


def name_for(config: Config, now_utc: datetime) -> str:
    """Give the usual name of a backup."""
    return f"baulk-{config.slug}-{now_utc.astimezone(UTC):%Y%m%d-%H%M%S}.zip"


def make(
    config: Config, file: Path, now_utc: datetime, *, revision: int | None = None, with_readings: bool = False
) -> Backup:
    """Back a shop up, others writing to it or not; the file is there only once it has been proved.

    Parameters
    ----------
    config : Config
        The shop's settings.
    file : Path
        The zip to make; an older one of this name is replaced.
    now_utc : datetime
        Now.
    revision : int, optional
        The store's, by which backups are told older from newer whatever the clock said.
    with_readings : bool
        Bring what lies on a PostgreSQL or InfluxDB server into it, readings and all; what is restored then
        has everything in one file.

    Raises
    ------
    BackupError
        If it can't be written, or what was written can't be restored.

    Notes
    -----
    It is signed where the shop folder holds a key (`baulk.ingest.exchange.signature`). What an earlier one
    that was killed has left beside it goes (`baulk.ingest.working_folder`).
    """
    former = rf"\.({re.escape(file.name)}|baulk-[a-z0-9-]+-\d{{8}}-\d{{6}}(-\d+)?\.zip)\.[0-9a-f]{{8}}\.part"
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        with working_folder.made(file.parent, "backup", former=former) as working:
            part = working / "backup.zip"
            made = _write(config, part, working, now_utc, revision, fetch=with_readings)
            proved(part, working / "proof")
            size = part.stat().st_size
            part.replace(file)
    except OSError as err:
        if isinstance(err, BackupError) or err.strerror is None:
            raise
        raise BackupError(f"the backup {file} can't be written: {err.strerror}") from err
    return Backup(
        file=file,
        size_mb=round(size / 1e6, 3),
        made_utc=made.made_utc,
        counts=made.counts,
        files=len(made.members),
        left_out=made.left_out,
        signed=signature.key_of(config.shop_dir) is not None,
    )


def _write(  # noqa: PLR0913 - one a part
    config: Config, target: Path, working: Path, now_utc: datetime, revision: int | None, *, fetch: bool
) -> Manifest:
    fetch = fetch and (
        config.store.postgres_url is not None or STORES[config.store.kind].own_backup is not None
    )
    on_server = config.store.postgres_url is not None and not fetch
    database = working / (DUMP if on_server else SQLITE)
    # The spools first: what a listener stores from its spool meanwhile is in both then, which the store's key
    # makes one again when the restored spool is emptied. The other way round it would be in neither.
    spools = sorted(config.shop_dir.glob(SPOOLS))
    for spool in spools:
        snapshot.take(spool, working / spool.name, wait_s=config.store.wait_s)
    kind, settings = config.store.kind, config.shop_dir / FILE
    if fetch:
        counts, kind, settings = _fetch(config, working, database), "sqlite", working / FILE
    elif on_server:
        counts = pg_copy.dump(config.store, database)
    else:
        _room_for(config.store_path, working)
        counts = snapshot.take(config.store_path, database, wait_s=config.store.wait_s)
    members: dict[str, Member] = {}
    key = signature.key_of(config.shop_dir)
    os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        members[database.name] = manifests.put(archive, database, database.name)
        for spool in spools:
            members[spool.name] = manifests.put(archive, working / spool.name, spool.name)
        for path, name in _files(config):
            members[name] = manifests.put(archive, settings if name == FILE else path, name)
        made = Manifest(
            format=manifests.FORMAT,
            made_utc=now_utc.astimezone(UTC),
            baulk=manifests.program(),
            shop=config.shop.name,
            kind=kind,
            books="postgres" if on_server else "sqlite",
            counts=counts,
            members=members,
            left_out=tuple(_left_out(config, kind)),
            revision=revision,
        )
        said = made.model_dump_json(indent=2).encode()
        archive.writestr(manifests.NAME, said)
        if key is not None:
            signature.sign(archive, key, said)
    return made


def _fetch(config: Config, working: Path, database: Path) -> dict[str, int]:
    """Bring all that lies on servers into one file, with settings that find it there."""
    part = moving.settings_for(config, "sqlite").model_copy(update={"path": Path(SQLITE)})
    text = (config.shop_dir / FILE).read_text(encoding="utf-8")
    (working / FILE).write_text(moving.toml_for(text, part), encoding="utf-8")
    whole = database.with_name(f"whole-{database.name}")
    changed = config.model_copy(update={"store": part.model_copy(update={"path": whole})})
    sqlite_file.create(whole)
    Register(on_sqlite(whole)).close()
    with closing(open_store(config)) as source, closing(open_store(changed)) as target:
        moving.copy(config, source, changed, target)
    return snapshot.take(whole, database, wait_s=config.store.wait_s)


def _files(config: Config) -> Iterator[tuple[Path, str]]:
    """Give the files beside the database, and their names in the zip."""
    folder = config.shop_dir
    for name in (FILE, species.FILE, use_class.FILE):
        if (folder / name).is_file():
            yield folder / name, name
    year = config.climate.typical_year
    if year is not None and not year.is_absolute() and manifests.safe(year.as_posix()):
        path = config.beside(year)
        if path.is_file() and manifests.known(year.as_posix(), year=year.as_posix()):
            yield path, year.as_posix()
    for path in sorted((folder / photos.FOLDER).rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_file() and not path.is_symlink() and manifests.safe(name) and _is_known(name):
            yield path, name


def _is_known(name: str) -> bool:
    return manifests.known(name, year=None)


def _left_out(config: Config, kind: str) -> Iterator[str]:
    there = [name for name in SECRETS if (config.shop_dir / name).exists()]
    yield "secrets: " + (", ".join(there) if there else "none lie in the folder") + "; keys and passwords"
    if server := STORES[kind].own_backup:
        yield (
            f"the readings, which lie in the {server} at {config.store.url}; back them up with that server's "
            "own tool, or make this backup --with-readings"
        )
    folder = config.shop_dir
    found = [each for each in (folder / photos.FOLDER).rglob("*") if each.is_file()]
    odd = sorted(name for each in found if not _is_known(name := each.relative_to(folder).as_posix()))
    if odd:
        more = f" and {len(odd) - 1} more" if len(odd) > 1 else ""
        yield f"what is no photograph (.jpg, .png): {odd[0]!r}{more}"
    year = config.climate.typical_year
    if year is not None and year.is_absolute():
        yield f"the typical year, which lies elsewhere: {year}"


def _room_for(source: Path, folder: Path) -> None:
    """Refuse to begin what would fill the disk: the copy, the zip and its proof."""
    need = 3 * source.stat().st_size if source.exists() else 0
    free = shutil.disk_usage(folder).free
    if free < need:
        raise BackupError(
            f"a backup needs up to {need / 1e6:.0f} MB for a moment, and {free / 1e6:.0f} MB are free in "
            f"{folder.parent}; make room or name another disk"
        )
