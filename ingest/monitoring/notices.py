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

from baulk.ingest.evaluation import document, document_read, keeping_record
from baulk.ingest.monitoring import air_drift, health, sensor_drift
from baulk.ingest.monitoring.finding import Trouble
from baulk.ingest.shop import Shop
from baulk.ingest.store import notes
from baulk.models import checking, keeping, openings, text
from baulk.models.air import AirSeries
from baulk.models.errors import BaulkError
from baulk.models.reason import Reason, Values
from baulk.models.timber import EventKind
from baulk.models.units import System

KEY: Final = "notices"  # of the note that holds what is open
GROWTH_IS_NEWS: Final = timedelta(days=45)  # since a check was measured last; our own judgement, no source
SLIP: Final = timedelta(days=14)
MOULD_WINDOW: Final = timedelta(days=28)
MOULD_SHARE: Final = 0.25  # of the time, as in the reasons of a verdict; our own judgement
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
    causes = [
        *_of_sensors(shop, now_utc),
        *_of_timbers(shop, now_utc, dates),
        *_of_openings(shop, now_utc),
        *_of_tags(shop),
        *_of_air(shop, now_utc),
        *_of_neighbours(shop, now_utc),
        *_of_thermometers(shop, now_utc),
        *_of_decay(shop, now_utc),
    ]
    wanted = set(KINDS) - set(shop.config.notices.without)
    standing: dict[str, Notice] = {}
    gone: dict[str, datetime] = dict(before.gone)
    for kind, about, reason in causes:
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


Cause = tuple[str, str, Reason]


def _of_sensors(shop: Shop, now_utc: datetime) -> list[Cause]:
    return [(each.kind.value, each.about, each.reason) for each in health.look(shop, now_utc).findings]


def _of_timbers(shop: Shop, now_utc: datetime, dates: dict[str, str]) -> list[Cause]:
    """Causes that verdicts give; `dates` remembers the expected days that were told, by tag."""
    found: list[Cause] = []
    standing = {timber.tag for timber in shop.register.list()}
    for stored in shop.store.evaluations():
        judged = document_read.summary_of(stored.payload)
        if stored.tag not in standing or judged is None:
            continue
        tag, step = stored.tag, judged.verdict.step
        if (apart := judged.verdict.contradiction) is not None:
            found.append(_contradiction(tag, apart))
        else:  # there is no one date while scale and pins exclude each other
            if step in {"square", "rough out"}:
                reason = Reason(code="notice.ready", values={"tag": tag, "step": step})
                found.append(("ready", f"{tag}, {step}", reason))
            square = judged.verdict.dates.get("square")
            found += _slipped(tag, step, square and square.isoformat(), dates, now_utc)
        found += _suspected(judged.calibration.suspected)
        margin = judged.checking
        if margin is not None and margin.at_risk:
            values: Values = {"tag": tag, "from_utc": None if margin.ahead is None else margin.ahead.risk_utc}
            found.append(("check risk", tag, Reason(code="notice.check_risk", values=values)))
    for tag in set(dates) - standing:
        del dates[tag]
    return found


def _of_openings(shop: Shop, now_utc: datetime) -> list[Cause]:
    """Return the checks, shakes and splits that were longer, wider or deeper when they were measured last."""
    standing = {timber.tag for timber in shop.register.list()}
    measured = {each.tag for each in shop.register.events(kind=EventKind.CHECKED)} & standing
    found: list[Cause] = []
    for tag in sorted(measured):
        for each in openings.seen(shop.register.events(tag)):
            if now_utc - each.days[-1].at_utc > GROWTH_IS_NEWS:
                continue
            for reason in openings.growth_reasons(each, "notice.check_grew", tag=tag):
                values = {
                    **reason.values,
                    "from_utc": _of(reason, "from_utc"),
                    "to_utc": _of(reason, "to_utc"),
                }
                about = f"{tag}, {each.kind} {each.face or ''}{each.name}".strip()
                found.append(("check growth", about, replace(reason, values=values)))
    return found


def _of(reason: Reason, name: str) -> datetime:
    moment = reason.values[name]
    assert isinstance(moment, datetime)  # noqa: S101 - a name that ends in _utc holds a moment
    return _whole(moment)


def _contradiction(tag: str, told: document.Contradiction) -> Cause:
    """Return that scale and pins contradict each other, in whole percents: a new fit alone is no news."""
    values: Values = {
        "tag": tag,
        "since_utc": _whole(told.since_utc),
        "scale_mean_pct": round(told.scale_mean_now_pct.median),
        "pins_mean_pct": round(told.pins_mean_now_pct.median),
    }
    return "contradiction", tag, Reason(code="notice.contradiction", values=values)


def _suspected(series: Iterable[str]) -> list[Cause]:
    """Return the series of pins that the calibration leaves out whole: they drift or are in other wood."""
    return [
        ("suspected pins", each, Reason(code="notice.suspected_pins", values={"series": each}))
        for each in series
    ]


def _slipped(tag: str, step: object, square: object, dates: dict[str, str], now_utc: datetime) -> list[Cause]:
    """Tell when the day has moved back by more than two weeks since it was last told or came nearer."""
    if step == "square" or not isinstance(square, str):
        if square is None and tag in dates and step != "square":
            return [("slipped", tag, Reason(code="notice.no_date", values={"tag": tag}))]
        dates.pop(tag, None)
        return []
    expected, known = datetime.fromisoformat(square), dates.get(tag)
    if known is None or expected < datetime.fromisoformat(known):
        dates[tag] = square
        return []
    was = datetime.fromisoformat(known)
    if expected - was <= SLIP:
        return []
    days = (expected - was).days
    if was < now_utc - CLEARED * 7:  # an old promise; from here on the new one counts
        dates[tag] = square
    values: Values = {"tag": tag, "days": days, "expected_utc": _whole(expected), "was_utc": _whole(was)}
    return [("slipped", tag, Reason(code="notice.slipped", values=values))]


def _of_tags(shop: Shop) -> list[Cause]:
    """Tell of timbers that seem to bear each other's tags; `baulk.ingest.evaluation.swaps` looks for them."""
    return [("swapped tags", " and ".join(each.tags), each.reason) for each in notes.swaps(shop.store)]


def _of_air(shop: Shop, now_utc: datetime) -> list[Cause]:
    found: list[Cause] = []
    lying = {timber.place for timber in shop.register.list()}
    for place in sorted(lying & set(shop.store.places())):
        try:
            air = shop.store.air(place, now_utc - MOULD_WINDOW)
            part = checking.mould_share(air, since_s=(now_utc - MOULD_WINDOW).timestamp())
        except (BaulkError, ValueError):  # too little air to say
            continue
        if part >= MOULD_SHARE:
            values: Values = {"place": place, "share": round(part, 2)}
            found.append(("mould", place, Reason(code="notice.mould", values=values)))
    return found


def _of_neighbours(shop: Shop, now_utc: datetime) -> list[Cause]:
    """Return the places whose humidity has moved against that of all others."""
    return [
        (
            "drifting air",
            place,
            Reason(code="notice.air_departed", values={"place": place, "change_pct": round(moved)}),
        )
        for place, moved in air_drift.departed(shop, now_utc).items()
    ]


def _of_thermometers(shop: Shop, now_utc: datetime) -> list[Cause]:
    """Return the thermometers that have moved against the others in their place."""
    found = sensor_drift.look(shop, now_utc).departed
    return [("drifting temperature", series, reason) for series, reason in sorted(found.items())]


def _of_decay(shop: Shop, now_utc: datetime) -> list[Cause]:
    """Return the timbers that have lain wet and warm for weeks; each place's air is read once."""
    airs: dict[str, AirSeries | None] = {}
    found: list[Cause] = []
    for timber in shop.register.list():
        stored = shop.store.evaluation(timber.tag)
        judged = None if stored is None else document_read.summary_of(stored[1])
        if judged is None or judged.shell_now_pct.median <= keeping.SAFE_PCT:
            continue
        if timber.place not in airs:
            airs[timber.place] = keeping_record.air(shop, timber.place, now_utc)
        lying = keeping_record.lying(shop, timber, judged, airs[timber.place])
        if (reason := keeping.notice(lying, now_utc)) is not None:
            found.append(("decay", timber.tag, reason))
    return found


def _whole(moment: datetime) -> datetime:
    """Return a moment as a stored reason keeps it, so that it equals the one that was stored."""
    return moment.replace(microsecond=0)


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
