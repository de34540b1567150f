"""What a person should hear of without looking: each thing once, not at night, by page, topic and messenger.

A notice is open as long as its cause stands. It is told when it opens and not again until it has closed and
opened anew. What opens in the quiet hours waits for the morning; if it has closed by then nobody hears of it.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta, tzinfo
from typing import Any, Final

from baulk.ingest.monitoring.finding import Trouble
from baulk.ingest.monitoring.notice_causes import causes
from baulk.ingest.shop import Shop
from baulk.models import text
from baulk.models.reason import Reason
from baulk.models.units import System

KEY: Final = "notices"  # of the note that holds what is open
CLEARED: Final = timedelta(days=2)  # a cause that comes and goes within that is the same cause
KINDS: Final = (
    "ready",
    "slipped",
    "check risk",
    "check growth",
    "contradiction",
    "suspected pins",
    "mould",
    "drifting air",
    "drifting temperature",
    "decay",
    "swapped tags",
    Trouble.SILENT.value,
    Trouble.BATTERY.value,
    Trouble.CLOCK.value,
    Trouble.STUCK.value,
    Trouble.QUARANTINE.value,
    Trouble.SESSION.value,
    Trouble.CERTIFICATE.value,
    Trouble.BEHIND.value,
    Trouble.STOPPED.value,
    Trouble.DISK.value,
    Trouble.BACKUP.value,
    Trouble.FILES.value,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """One thing to hear of.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    about : str
        Tag, place, sensor; with the kind it names the notice.
    reason : Reason
        What it is, a code of `baulk.models.text.notices`.
    since_utc : datetime
        When its cause was first seen.
    told_utc : datetime or None
        When the messengers were given it.
    """

    kind: str
    about: str
    reason: Reason
    since_utc: datetime
    told_utc: datetime | None = None

    @property
    def key(self) -> str:
        """Name it."""
        return f"{self.kind}/{self.about}"

    def words(self, system: System, *, zone: tzinfo | None = None) -> str:
        """Return what it is and what to do, in the reader's units; no capital, no full stop."""
        return text.sentence(self.reason, system, zone=zone)


def open_ones(shop: Shop) -> list[Notice]:
    """Give what was open when it was last looked, the newest first."""
    return sorted(_kept(shop).notices.values(), key=lambda each: each.since_utc, reverse=True)


def look(shop: Shop, now_utc: datetime) -> list[Notice]:
    """Look at causes, keep what is open, and return it.

    Parameters
    ----------
    shop : Shop
        An open shop.
    now_utc : datetime
        Now, with a time zone.
    """
    before = _kept(shop)
    dates = dict(before.dates)
    wanted = set(KINDS) - set(shop.config.notices.without)
    standing: dict[str, Notice] = {}
    gone: dict[str, datetime] = dict(before.gone)
    for kind, about, reason in causes(shop, now_utc, dates):
        if kind not in wanted:
            continue
        one = Notice(kind=kind, about=about, reason=reason, since_utc=now_utc)
        known = before.notices.get(one.key)
        left = gone.pop(one.key, None)
        if known is not None:
            one = replace(one, since_utc=known.since_utc, told_utc=known.told_utc)
        elif left is not None and now_utc - left < CLEARED:
            one = replace(one, told_utc=left)
        standing[one.key] = one
    for key, each in before.notices.items():
        if key not in standing and each.told_utc is not None:
            gone[key] = now_utc
    gone = {key: at for key, at in gone.items() if now_utc - at < CLEARED}
    _keep(shop, _Kept(notices=standing, gone=gone, dates=dates), before, now_utc)
    return sorted(standing.values(), key=lambda each: each.since_utc, reverse=True)


def changed_utc(shop: Shop) -> datetime | None:
    """Give when anything last opened, closed or was told; None before anybody looked."""
    at = _content(shop.store.noted(KEY) or b"{}").get("changed_utc")
    return datetime.fromisoformat(at) if isinstance(at, str) else None


def due(shop: Shop, now_utc: datetime) -> list[Notice]:
    """Give what is open, was not told yet, and may be told at this hour."""
    part = shop.config.notices
    if quiet(now_utc.astimezone(shop.config.zone), part.quiet_from, part.quiet_to):
        return []
    return [each for each in open_ones(shop) if each.told_utc is None]


def told(shop: Shop, notices: Iterable[Notice], now_utc: datetime) -> None:
    """Remember that these were told."""
    before = _kept(shop)
    standing = dict(before.notices)
    for each in notices:
        if (known := standing.get(each.key)) is not None:
            standing[each.key] = replace(known, told_utc=now_utc)
    _keep(shop, _Kept(notices=standing, gone=before.gone, dates=before.dates), before, now_utc)


def quiet(now: datetime, begins: str | None, ends: str | None) -> bool:
    """Return whether it is the quiet time by the clock that the moment has; it may reach over midnight."""
    if begins is None or ends is None:
        return False
    at, first, last = now.time(), time.fromisoformat(begins), time.fromisoformat(ends)
    return first <= at < last if first <= last else at >= first or at < last


def _content(payload: bytes) -> dict[str, Any]:
    try:
        found = json.loads(payload)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kept:
    notices: Mapping[str, Notice]
    gone: Mapping[str, datetime]
    dates: Mapping[str, str]


def _kept(shop: Shop) -> _Kept:
    body = _content(shop.store.noted(KEY) or b"{}")
    try:
        notices = [
            Notice(
                kind=each["kind"],
                about=each["about"],
                reason=_stored(each),
                since_utc=datetime.fromisoformat(each["since_utc"]),
                told_utc=each["told_utc"] and datetime.fromisoformat(each["told_utc"]),
            )
            for each in body.get("notices", [])
        ]
        gone = {str(key): datetime.fromisoformat(at) for key, at in body.get("gone", {}).items()}
        dates = {str(tag): str(day) for tag, day in body.get("dates", {}).items()}
    except (KeyError, TypeError, ValueError, AttributeError):  # another version's: begin anew
        return _Kept(notices={}, gone={}, dates={})
    return _Kept(notices={each.key: each for each in notices}, gone=gone, dates=dates)


def _stored(each: Mapping[str, Any]) -> Reason:
    """Return a kept notice's reason; version 0.1.0 kept a sentence."""
    if "code" in each:
        return Reason.from_json(each)
    return Reason(code="stored.text", values={"text": str(each["sentence"])})


def _keep(shop: Shop, now: _Kept, before: _Kept, now_utc: datetime) -> None:
    if now == before and shop.store.noted(KEY) is not None:
        return
    body = {
        "changed_utc": now_utc.astimezone(UTC).isoformat(),
        "notices": [_plain(each) for each in now.notices.values()],
        "gone": {key: at.isoformat() for key, at in now.gone.items()},
        "dates": dict(now.dates),
    }
    shop.store.note(KEY, json.dumps(body).encode())


def _plain(notice: Notice) -> dict[str, Any]:
    return {
        "kind": notice.kind,
        "about": notice.about,
        **notice.reason.to_json(),
        "since_utc": notice.since_utc.astimezone(UTC).isoformat(),
        "told_utc": notice.told_utc.astimezone(UTC).isoformat() if notice.told_utc else None,
    }


def as_json(notice: Notice, system: System, *, zone: tzinfo | None = None) -> dict[str, Any]:
    """Return a notice as it is published: its code, its values in SI, and its words in the shop's units."""
    return {**_plain(notice), "sentence": notice.words(system, zone=zone)}


def published(notices: Sequence[Notice], system: System, *, zone: tzinfo | None = None) -> bytes:
    """Return what goes out on the retained topic: every open notice, by name."""
    ordered = sorted(notices, key=lambda each: each.key)
    return json.dumps({"open": [as_json(each, system, zone=zone) for each in ordered]}).encode()
