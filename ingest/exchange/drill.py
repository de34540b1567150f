"""A restore that is only tried: a backup into a folder of its own, opened, worked with, and taken away."""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from baulk.ingest import config as settings
from baulk.ingest import shop as shops
from baulk.ingest import working_folder
from baulk.ingest.errors import BackupError
from baulk.ingest.evaluation import batch
from baulk.ingest.evaluation.document_read import summary_of
from baulk.ingest.exchange import restore as restoring
from baulk.ingest.store_kinds import STORES
from baulk.models.formatting import count


@dataclass(frozen=True, slots=True, kw_only=True)
class Drill:
    """What a tried restore found.

    Parameters
    ----------
    file : Path
        The backup.
    made_utc : datetime
        The moment that it shows.
    counts : dict
        Rows of each table, all of them read.
    tag : str or None
        The timber that was worked out anew; None of a shop without timbers, or with its readings elsewhere.
    verdict : str or None
        What came of it: its step, or why there is none.
    left_out : tuple of str
        What is not in it, in words: to be at hand when it is needed.
    seconds : float
        How long it all took. [s]
    """

    file: Path
    made_utc: datetime
    counts: dict[str, int]
    tag: str | None
    verdict: str | None
    left_out: tuple[str, ...]
    seconds: float


def drill(
    file: Path, now_utc: datetime, *, database: str | None = None, key_file: Path | None = None
) -> Drill:
    """Restore a backup for a try, into a folder that goes again, and work out one timber from it.

    It connects to no other machine: without a key the addresses in the settings are taken out as in any
    restore, and nothing is started that would.

    Parameters
    ----------
    file : Path
        The zip.
    now_utc : datetime
        Now, with a time zone.
    database : str, optional
        For a backup of a PostgreSQL database: the address of a new, empty one, which stays.
    key_file : Path, optional
        The key that has to have signed it.

    Raises
    ------
    BackupError
        If it can't be restored, opened or read.
    """
    began = time.monotonic()
    with working_folder.made(file.expanduser().absolute().parent, "drill") as place:
        folder = place / "shop"
        found = restoring.restore(file, folder, database=database, key_file=key_file)
        tag, verdict = _worked_with(folder, found.counts, file.name, now_utc)
    return Drill(
        file=file,
        made_utc=found.made_utc,
        counts=found.counts,
        tag=tag,
        verdict=verdict,
        left_out=found.left_out,
        seconds=time.monotonic() - began,
    )


def _worked_with(
    folder: Path, counts: dict[str, int], name: str, now_utc: datetime
) -> tuple[str | None, str | None]:
    """Read every timber and every series, and work out the timber that was worked out last."""
    if not STORES[settings.load(folder).store.kind].holds_register:
        return None, None  # its readings lie on a server, which nothing of this is to touch
    with shops.open(folder) as opened:
        known = opened.register.list(retired=True)
        if len(known) != counts.get("timber", 0):
            raise BackupError(
                f"{name} counts {count(counts.get('timber', 0), 'timber')}, and {len(known)} can be read"
            )
        for series in opened.store.series():
            opened.store.read(series)
        standing = {each.tag for each in opened.register.list()}
        made = {tag: when for tag, when in opened.store.evaluated().items() if tag in standing}
        tag = max(made, key=made.__getitem__, default=min(standing, default=None))
        if tag is None:
            return None, None
        failed = batch.run(opened, [tag], now_utc, workers=1, again=True).failed
        stored = opened.store.evaluation(tag)
        told = None if stored is None else summary_of(stored[1])
        return tag, failed.get(tag) or (None if told is None else told.verdict.step)
