"""What a person should hear of, seen in readings, verdicts, air and places as they stand."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from baulk.ingest.evaluation import document, document_read, keeping_record
from baulk.ingest.monitoring import air_drift, health, sensor_drift
from baulk.ingest.shop import Shop
from baulk.ingest.store import notes
from baulk.models import checking, keeping, openings
from baulk.models.air import AirSeries
from baulk.models.errors import BaulkError
from baulk.models.reason import Reason, Values
from baulk.models.timber import EventKind

GROWTH_IS_NEWS: Final = timedelta(days=45)  # since a check was measured last; our own judgement, no source
SLIP: Final = timedelta(days=14)
OLD_PROMISE: Final = timedelta(days=14)  # after the day that was promised; our own judgement, no source
MOULD_WINDOW: Final = timedelta(days=28)
MOULD_SHARE: Final = 0.25  # of the time, as in the reasons of a verdict; our own judgement

Cause = tuple[str, str, Reason]


def causes(shop: Shop, now_utc: datetime, dates: dict[str, str]) -> list[Cause]:
    """Return every cause that stands now, as kind, what it is about, and the reason.

    Parameters
    ----------
    shop : Shop
        An open shop.
    now_utc : datetime
        Now, with a time zone.
    dates : dict of str to str
        The expected days that were told, by tag; brought up to date.
    """
    return [
        *_of_sensors(shop, now_utc),
        *_of_timbers(shop, now_utc, dates),
        *_of_openings(shop, now_utc),
        *_of_tags(shop),
        *_of_air(shop, now_utc),
        *_of_neighbours(shop, now_utc),
        *_of_thermometers(shop, now_utc),
        *_of_decay(shop, now_utc),
    ]


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
    if was < now_utc - OLD_PROMISE:  # from here on the new one counts
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
