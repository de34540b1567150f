"""How the machine is that carries the shop: room on its disk, the night's backup, who may read the files.

The limits are our own judgement, without a published source; each is a constant with its reason.
"""

from __future__ import annotations

import json
import os
import shutil
import stat
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from baulk.ingest.config import FILE, Config
from baulk.ingest.exchange.manifest import SECRETS
from baulk.ingest.monitoring import nightly
from baulk.ingest.monitoring.finding import Finding, Trouble
from baulk.ingest.shop import Shop
from baulk.models.reason import Reason, Values

SIZES_KEY: Final = "disk-used"  # of the note that holds how large the shop was, by day
KEPT: Final = timedelta(days=90)
LEAST_FREE: Final = 500e6  # bytes: spool, log of messages and a night's work need some hundred megabytes
SPARE: Final = 1.2  # times the store: an upgrade keeps a copy of it, and VACUUM and backup need as much
SOON: Final = timedelta(days=60)  # a disk is not bought overnight
LONG_ENOUGH: Final = timedelta(days=7)  # of sizes, before a growth is told
LATE: Final = timedelta(days=2)  # a backup or a night's work that has not come


def look(shop: Shop, now_utc: datetime) -> list[Finding]:
    """Return what of the machine is to be seen to.

    Parameters
    ----------
    shop : Shop
        An open shop, only read.
    now_utc : datetime
        Now, with a time zone.

    Returns
    -------
    list of Finding
        Of the kinds disk, backup, open files, forecasts stopped.
    """
    return [
        *_of_disk(shop),
        *_of_backup(shop, now_utc),
        *_of_files(shop.config),
        *_stopped(shop, now_utc),
    ]


def note_size(shop: Shop, now_utc: datetime) -> None:
    """Keep how large the shop is today, for its growth to be known; once a day is enough."""
    sizes = _sizes(shop)
    today = now_utc.astimezone(UTC).date().isoformat()
    if today in sizes:
        return
    sizes[today] = used(shop.config)
    first = (now_utc - KEPT).date().isoformat()
    kept = {day: size for day, size in sizes.items() if day >= first}
    shop.store.note(SIZES_KEY, json.dumps(kept).encode())


def used(config: Config) -> int:
    """Return the bytes of the files in the shop's folder, its database included wherever that lies."""
    files = {each for each in config.shop_dir.rglob("*") if not each.is_symlink()}
    files |= {config.store_path, config.store_path.with_name(f"{config.store_path.name}-wal")}
    total = 0
    for each in files:
        with suppress(OSError):
            status = each.lstat()
            total += status.st_size if stat.S_ISREG(status.st_mode) else 0
    return total


def growth(shop: Shop) -> float | None:
    """Return the bytes a day by which the shop has grown lately; None before a week of sizes."""
    sizes = sorted(_sizes(shop).items())
    if len(sizes) < 2:
        return None
    (first, small), (last, large) = sizes[0], sizes[-1]
    length = datetime.fromisoformat(last) - datetime.fromisoformat(first)
    return (large - small) / (length / timedelta(days=1)) if length >= LONG_ENOUGH else None


def backup_beside(config: Config) -> Path | None:
    """Return the folder of the night's backups if it lies on the shop's own disk, else None.

    A disk that is not plugged in looks like this: its folder is an empty one of the shop's own disk.
    """
    if config.store.backup_dir is None:
        return None
    folder = config.beside(config.store.backup_dir.expanduser())
    there = next((each for each in (folder, *folder.parents) if each.exists()), folder)
    try:
        return folder if there.stat().st_dev == config.store_path.stat().st_dev else None
    except OSError:
        return None


def _sizes(shop: Shop) -> dict[str, int]:
    try:
        found = json.loads(shop.store.noted(SIZES_KEY) or b"{}")
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def _of_disk(shop: Shop) -> list[Finding]:
    free, size = _free(shop.config.store_path.parent), _size(shop.config.store_path)
    if free is None:
        return []
    folder = str(shop.config.shop_dir)
    values: Values = {"folder": folder, "free_mb": _coarse(free / 1e6)}
    if free < max(LEAST_FREE, SPARE * size):
        needed: Values = {**values, "needed_mb": _coarse(max(LEAST_FREE, SPARE * size) / 1e6)}
        return [_found(Trouble.DISK, folder, Reason(code="health.disk", values=needed))]
    per_day = growth(shop)
    if per_day is None or per_day <= 0 or free / per_day >= SOON / timedelta(days=1):
        return []
    weeks = int(free / per_day / 7)
    grown: Values = {**values, "mb_a_week": _coarse(7 * per_day / 1e6), "weeks": weeks}
    return [_found(Trouble.DISK, folder, Reason(code="health.disk_weeks", values=grown))]


def _of_backup(shop: Shop, now_utc: datetime) -> list[Finding]:
    part = shop.config.store
    if part.backup_dir is None:
        return []
    folder = str(shop.config.beside(part.backup_dir.expanduser()))
    last, tried = (_moment(shop.store.noted(key)) for key in (nightly.BACKUP_KEY, nightly.TRIED))
    late = last is not None and now_utc - last > LATE
    if not late and (tried is None or (last is not None and now_utc - last < LATE)):
        return []
    values: Values = {"folder": folder, "last_utc": None if last is None else _whole(last)}
    return [_found(Trouble.BACKUP, folder, Reason(code="health.backup", values=values))]


def _of_files(config: Config) -> list[Finding]:
    """Name secrets that others may read, or a shop folder that others may change."""
    if os.name != "posix":
        return []
    folder = config.shop_dir
    secret = (*SECRETS, *(each.name for each in folder.glob("spool-*.db")), config.store_path.name)
    paths = [folder / name for name in secret]
    read = [each for each in paths if _mode(each) & 0o007]
    changed = [each for each in (folder, folder / FILE) if _mode(each) & 0o002]
    if not _mode(folder) & 0o001:
        read = []  # nobody else gets into the folder
    named = sorted({each.name for each in (*read, *changed)})
    if not named:
        return []
    values: Values = {"folder": str(folder), "files": tuple(named[:3]), "more": max(0, len(named) - 3)}
    return [_found(Trouble.FILES, str(folder), Reason(code="health.files", values=values))]


def _stopped(shop: Shop, now_utc: datetime) -> list[Finding]:
    """Tell that the part that forecasts and sees to the night no longer runs, where it once did."""
    last = _moment(shop.store.noted(nightly.MESSAGES_KEY))
    if last is None or now_utc - last <= LATE + timedelta(hours=2):
        return []
    return [_old(last)]


def stopped_before_a_night(shop: Shop, now_utc: datetime) -> list[Finding]:
    """Tell that forecasts are old in a shop that has seen no night, such as one of an older version.

    For whoever asks: a notice would tell it at the first start after an upgrade, just before it is mended.
    """
    if shop.store.noted(nightly.MESSAGES_KEY) is not None:
        return []
    last = max(shop.store.evaluated().values(), default=None)
    return [] if last is None or now_utc - last <= LATE + timedelta(hours=2) else [_old(last)]


def _old(last_utc: datetime) -> Finding:
    reason = Reason(code="health.stopped", values={"since_utc": _whole(last_utc)})
    return _found(Trouble.STOPPED, "forecasts", reason)


def _found(kind: Trouble, about: str, reason: Reason) -> Finding:
    return Finding(kind=kind, about=about, reason=reason)


def _free(folder: Path) -> int | None:
    try:
        return shutil.disk_usage(folder).free
    except OSError:
        return None


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _mode(path: Path) -> int:
    try:
        return stat.S_IMODE(path.stat().st_mode)
    except OSError:
        return 0


def _moment(noted: bytes | None) -> datetime | None:
    return None if noted is None else datetime.fromisoformat(noted.decode())


def _whole(moment: datetime) -> datetime:
    return moment.replace(minute=0, second=0, microsecond=0)


def _coarse(number: float) -> float:
    """Return a number to two digits: a finding is another only when its words are."""
    return float(f"{number:.2g}")
