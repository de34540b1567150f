"""What a shop does every night: thin old sensor readings and make a backup, where the settings ask for it."""

from __future__ import annotations

from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from baulk.ingest.errors import BackupError, StoreError
from baulk.ingest.exchange import backup
from baulk.ingest.shop import Shop

RETENTION_KEY: Final = "thinned"  # of the note that says when
BACKUP_KEY: Final = "backed-up"  # likewise
TRIED: Final = "backup-failed"
KEEP: Final = 14  # backups
_AGAIN: Final = timedelta(hours=1)  # after one that failed
_NIGHT: Final = range(5)  # hours of this machine's clock


def thinning_due(shop: Shop, now_utc: datetime) -> bool:
    """Whether the settings ask for thinning and it was not done tonight, or by day for two days."""
    return shop.config.store.thin_after_days is not None and tonight(shop, RETENTION_KEY, now_utc)


def tonight(shop: Shop, key: str, now_utc: datetime) -> bool:
    """Whether what every night does was not done tonight, or by day for two days; a note says when."""
    noted = shop.store.noted(key)
    if noted is None:
        return True
    since = now_utc - datetime.fromisoformat(noted.decode())
    return since > timedelta(hours=20 if now_utc.astimezone().hour in _NIGHT else 48) or since < timedelta(0)


def thin(shop: Shop, now_utc: datetime) -> int:
    """Thin if it is due; return how many readings went.

    Parameters
    ----------
    shop : Shop
        The open shop.
    now_utc : datetime
        Now, with a time zone.
    """
    part = shop.config.store
    if part.thin_after_days is None or not thinning_due(shop, now_utc):
        return 0
    gone = shop.store.thin(now_utc, keep_days=part.thin_after_days, to=part.thin_to)
    shop.store.note(RETENTION_KEY, now_utc.astimezone(UTC).isoformat().encode())
    return gone


def back_up(shop: Shop, now_utc: datetime) -> str | None:
    """Make the backup of tonight if it is due, and say in one sentence what came of it.

    One that fails is said and tried again an hour later; nothing that stands behind it waits for it.
    """
    part = shop.config.store
    if part.backup_dir is None or not _backup_due(shop, now_utc):
        return None
    folder = shop.config.beside(part.backup_dir.expanduser())
    try:
        made = backup.make(shop.config, folder / backup.name_for(shop.config, now_utc), now_utc)
    except (BackupError, StoreError) as err:
        shop.store.note(TRIED, now_utc.astimezone(UTC).isoformat().encode())
        return f"no backup tonight: {err}"
    shop.store.note(BACKUP_KEY, now_utc.astimezone(UTC).isoformat().encode())
    shop.store.forget(TRIED)
    gone = tidy(folder, shop.config.slug)
    return f"backup {made.file.name} made and proved, {made.size_mb:.1f} MB; older ones taken away: {gone}"


def tidy(folder: Path, slug: str) -> int:
    """Take away our own backups of this shop that are older than the last fortnight of them."""
    old = sorted(folder.glob(f"baulk-{slug}-{'[0-9]' * 8}-{'[0-9]' * 6}.zip"))[:-KEEP]
    for each in old:
        with suppress(OSError):
            each.unlink()
    return len(old)


def _backup_due(shop: Shop, now_utc: datetime) -> bool:
    tried = shop.store.noted(TRIED)
    if tried is not None and timedelta(0) <= now_utc - datetime.fromisoformat(tried.decode()) < _AGAIN:
        return False
    return tonight(shop, BACKUP_KEY, now_utc)
