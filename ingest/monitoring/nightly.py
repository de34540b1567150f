"""What a shop does every night: drop old messages; plan the air of each place; thin and back up if asked."""

from __future__ import annotations

import json
import re
import zipfile
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from baulk.ingest import decode_again, device_clock, host_clock
from baulk.ingest.errors import BackupError, StoreError
from baulk.ingest.exchange import backup, manifest
from baulk.ingest.exchange.manifest import Manifest
from baulk.ingest.shop import Shop

RETENTION_KEY: Final = "thinned"  # of the note that says when
MESSAGES_KEY: Final = "messages-tidied"  # likewise
TIMES_KEY: Final = "times-mended"  # likewise
_MENDED: Final = timedelta(days=7)
BACKUP_KEY: Final = "backed-up"  # likewise
TRIED: Final = "backup-failed"
AGED_KEY: Final = "quarantine-aged"  # as above
AIRS_KEY: Final = "airs-planned"  # as above
AIRS_LEFT_KEY: Final = "airs-left"  # places whose air is still to be planned tonight, JSON
KEEP: Final = 14  # backups
_AGAIN: Final = timedelta(hours=1)  # after one that failed
_NIGHT: Final = range(5)  # hours of the shop's clock


def thinning_due(shop: Shop, now_utc: datetime) -> bool:
    """Whether the settings ask for thinning and it was not done tonight, or by day for two days."""
    return shop.config.store.thin_after_days is not None and tonight(shop, RETENTION_KEY, now_utc)


def tonight(shop: Shop, key: str, now_utc: datetime) -> bool:
    """Whether what every night does was not done tonight, or by day for two days; a note says when."""
    noted = shop.store.noted(key)
    if noted is None:
        return True
    since = now_utc - datetime.fromisoformat(noted.decode())
    return since > timedelta(
        hours=20 if now_utc.astimezone(shop.config.zone).hour in _NIGHT else 48
    ) or since < timedelta(0)


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


def age_quarantine(shop: Shop, now_utc: datetime) -> int:
    """Let go, once a night, of what has lain in quarantine for longer than the settings keep it."""
    if not tonight(shop, AGED_KEY, now_utc):
        return 0
    part = shop.config.store
    since = now_utc - timedelta(days=part.quarantine_days)
    gone = shop.store.trim_quarantine(part.quarantine_mb * 1e6, since, now_utc)
    shop.store.note(AGED_KEY, now_utc.astimezone(UTC).isoformat().encode())
    return gone


def tidy_messages(shop: Shop, now_utc: datetime) -> int:
    """Drop messages that are older than they need be kept, if it is due; return how many went."""
    if not tonight(shop, MESSAGES_KEY, now_utc):
        return 0
    part = shop.config.store
    gone = shop.store.raw.tidy(now_utc, days=part.messages_days, most_bytes=part.messages_mb * 1e6)
    shop.store.note(MESSAGES_KEY, now_utc.astimezone(UTC).isoformat().encode())
    return gone


def due(shop: Shop, now_utc: datetime) -> bool:
    """Whether any of the night's work is due: a few short questions, asked every second."""
    return (
        any(tonight(shop, key, now_utc) for key in (AGED_KEY, MESSAGES_KEY, AIRS_KEY))
        or shop.store.noted(AIRS_LEFT_KEY) is not None
        or thinning_due(shop, now_utc)
        or (tonight(shop, TIMES_KEY, now_utc) and _clocks_to_mend(shop))
        or (shop.config.store.backup_dir is not None and _backup_due(shop, now_utc))
    )


def mend_times(shop: Shop, now_utc: datetime) -> int:
    """Put estimated times right by what the last days have taught of clocks; return how many readings.

    A device whose clock was never set may send a buffer message by message, the oldest first: when that one
    came, nobody could know how old it was.
    """
    if not tonight(shop, TIMES_KEY, now_utc) or not _clocks_to_mend(shop):
        return 0
    done = decode_again.put_right(shop, now_utc, since=now_utc - _MENDED, only_times=True)
    shop.store.note(TIMES_KEY, now_utc.astimezone(UTC).isoformat().encode())
    return done.changed + done.added


def plan_airs(
    shop: Shop,
    now_utc: datetime,
    stop: Callable[[], bool] = lambda: False,
    interrupt: Callable[[], bool] = lambda: False,
) -> int:
    """Plan the air of every place that holds timber, once a night; return how many were planned.

    A place that can't be planned keeps the sentence that says why, and stops none of the others. After each
    it ends if ``stop`` says so, or if ``interrupt`` says that other work is due; the places that are
    left are planned when it is called again. One over which the process ends is not begun a second time.
    """
    from baulk.ingest.planning import humidity, kept_air  # noqa: PLC0415 - the listener loads this file too

    if tonight(shop, AIRS_KEY, now_utc):
        _note_remaining(shop, left := list(humidity.places(shop)))
        shop.store.note(AIRS_KEY, now_utc.astimezone(UTC).isoformat().encode())
    elif (noted := shop.store.noted(AIRS_LEFT_KEY)) is None:
        return 0
    else:
        held = humidity.places(shop)  # others may have gone since
        _note_remaining(shop, left := [each for each in json.loads(noted) if each in held])
    planned = 0
    while left and not stop():
        place = left.pop(0)
        _note_remaining(shop, left)
        planned += kept_air.make(shop, place, now_utc).plan is not None
        if left and interrupt():
            break
    return planned


def _note_remaining(shop: Shop, places: list[str]) -> None:
    """Note the places whose air is still to be planned; without any there is nothing due."""
    if places:
        shop.store.note(AIRS_LEFT_KEY, json.dumps(places).encode())
    else:
        shop.store.forget(AIRS_LEFT_KEY)


def back_up(shop: Shop, now_utc: datetime) -> str | None:
    """Make the backup of tonight if it is due, and say in one sentence what came of it.

    One that fails is said and tried again an hour later; nothing that stands behind it waits for it.
    """
    part = shop.config.store
    if part.backup_dir is None or not _backup_due(shop, now_utc):
        return None
    folder = shop.config.beside(part.backup_dir.expanduser())
    try:
        file = _free(folder / backup.name_for(shop.config, now_utc))
        made = backup.make(shop.config, file, now_utc, revision=shop.store.revision())
    except (BackupError, StoreError) as err:
        shop.store.note(TRIED, now_utc.astimezone(UTC).isoformat().encode())
        return f"no backup tonight: {err}"
    shop.store.note(BACKUP_KEY, now_utc.astimezone(UTC).isoformat().encode())
    shop.store.forget(TRIED)
    gone = tidy(folder, shop.config.slug, made.file)
    return f"backup {made.file.name} made and proved, {made.size_mb:.1f} MB; older ones taken away: {gone}"


def tidy(folder: Path, slug: str, newest: Path) -> int:
    """Take away our own backups of this shop that are older than the last fortnight of them.

    Older is what both its time and the revision of the store in it say: a wrong clock spoils the one, a
    restored shop the other, and neither makes a good backup go. One that can't be read is left alone.
    """
    named = re.compile(rf"baulk-{re.escape(slug)}-\d{{8}}-\d{{6}}(-\d+)?\.zip")
    ours = [each for each in folder.iterdir() if named.fullmatch(each.name)]
    found = [(each, told) for each in ours if (told := _told(each))]
    by_time = sorted(found, key=lambda one: one[1].made_utc)[-KEEP:]
    by_revision = sorted(found, key=lambda one: (one[1].revision or 0, one[1].made_utc))[-KEEP:]
    stay = {newest, *(each for each, _ in (*by_time, *by_revision))}
    old = [each for each, _ in found if each not in stay]
    for each in old:
        with suppress(OSError):
            each.unlink()
    return len(old)


def _told(file: Path) -> Manifest | None:
    """Return what a backup says of itself, if it can be read."""
    try:
        with zipfile.ZipFile(file) as archive:
            return manifest.read(archive, file.name)
    except (BackupError, OSError, *manifest.TORN):
        return None


def _free(file: Path) -> Path:
    """Return a name that no backup has yet; a clock set back may give one twice."""
    names = (file, *(file.with_stem(f"{file.stem}-{number}") for number in range(2, 1000)))
    return next((each for each in names if not each.exists()), file)


def _clocks_to_mend(shop: Shop) -> bool:
    store = shop.store
    return bool(host_clock.wrong_clocks(store) or host_clock.spans(store) or device_clock.spans(store))


def _backup_due(shop: Shop, now_utc: datetime) -> bool:
    tried = shop.store.noted(TRIED)
    if tried is not None and timedelta(0) <= now_utc - datetime.fromisoformat(tried.decode()) < _AGAIN:
        return False
    return tonight(shop, BACKUP_KEY, now_utc)
