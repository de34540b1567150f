"""What the Health page asks of the shop."""

from __future__ import annotations

import platform
import shutil
import sqlite3
from datetime import datetime
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path

from baulk.dashboard import words
from baulk.dashboard.server.shop_access import ask, folder
from baulk.ingest import host_clock
from baulk.ingest.evaluation import yard_memory
from baulk.ingest.monitoring import health, nightly
from baulk.ingest.monitoring import sensor_rows as rows_module
from baulk.ingest.monitoring.sensor_rows import SensorRow
from baulk.ingest.mqtt import last_messages as heard_module
from baulk.ingest.mqtt.last_messages import LastMessage
from baulk.ingest.shop import Shop
from baulk.models.calibrate.yard_lessons import Lesson
from baulk.models.quantity import Owner
from baulk.models.reason import Reason

__all__ = [
    "broker",
    "drifting",
    "heard",
    "learned",
    "look",
    "machine",
    "mark",
    "moment",
    "sensor_rows",
]


def look(revision: int, minute_utc: datetime) -> health.Health:
    """Look at every sensor, once for each revision and minute."""
    return _look(folder(), revision, minute_utc)


@lru_cache(maxsize=4)
def _look(shop: Path, revision: int, minute_utc: datetime) -> health.Health:  # noqa: ARG001 - they are the key
    return ask(lambda s: health.look(s, minute_utc))


def sensor_rows(seen: health.Health, now: datetime) -> list[SensorRow]:
    """Return a row for each sensor."""
    return ask(lambda s: rows_module.rows(s, seen, now))


def drifting() -> dict[str, Reason]:
    """Return by series what the model or its neighbours say against it."""
    return ask(rows_module.drifting)


def mark() -> str:
    """Return a text that changes with any sensor's last word and with what is in quarantine."""

    def question(s: Shop) -> str:
        last = max((each.taken_utc for owner in Owner for each in s.store.latest(owner)), default=None)
        return f"{last} {s.store.quarantine_count()}"

    return ask(question)


def learned() -> tuple[datetime, tuple[Lesson, ...]] | None:
    """Return what the yard had learned when that was last put together; None where it is switched off."""
    return ask(yard_memory.learned)


def heard() -> list[LastMessage]:
    """Return the last message of each topic."""
    return ask(heard_module.last_messages)


def moment(text: str) -> datetime:
    """Return a stored moment."""
    return datetime.fromisoformat(text)


def broker() -> str:
    """Return where the broker is."""
    settings = ask(lambda s: s.config.broker)
    return f"{settings.host}:{settings.port}"


def machine() -> list[tuple[str, str, str]]:
    """Return name, value and remark of what runs here."""
    config = ask(lambda s: s.config)
    free = shutil.disk_usage(config.shop_dir).free / 1e9
    rows = [
        ("Baulk", version("baulk"), ""),
        ("system", platform.system(), platform.release()),
        ("page server", version("streamlit"), ""),
        ("database", sqlite3.sqlite_version, ""),
        ("store", config.store.kind, ""),
        ("room on the disk", f"{free:.1f} GB", "tight: make room" if free < 1 else "free"),
    ]
    kept = {True: "kept by a time server", False: "kept by no time server", None: "unknown"}
    rows.append(("this machine's clock", kept[host_clock.synchronised()], "as its system says"))
    log = ask(lambda s: s.store.raw.extent())
    if log.first_utc is not None:
        since = f"since {words.clock(log.first_utc)}, {log.size / 1e6:.1f} MB"
        rows.append(("messages as they came", f"{log.count}", since))
    if config.store_path.exists():
        size = config.store_path.stat().st_size / 1e6
        rows.append(("the shop's file", f"{size:.1f} MB", config.store_path.name))
    if (backed := ask(lambda s: s.store.noted(nightly.BACKUP_KEY))) is not None:
        rows.append(("last nightly backup", words.clock(moment(backed.decode())), "made and proved"))
    elif config.store.backup_dir is None:
        rows.append(("nightly backup", "none", "backup_dir in [store] of baulk.toml makes one"))
    return rows
