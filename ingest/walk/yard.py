"""The timbers in the order in which a person walks along them, and what is expected of each."""

from __future__ import annotations

import re
from collections import OrderedDict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from threading import Lock
from typing import Final

from baulk.ingest.evaluation.document import Document
from baulk.ingest.evaluation.document_read import parse
from baulk.ingest.shop import Shop
from baulk.ingest.store.base import StoredEvaluation
from baulk.ingest.walk import plausible
from baulk.models.errors import BaulkError
from baulk.models.meter import pin_depth
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import BY_HAND, Reading, Series
from baulk.models.section import Face
from baulk.models.timber import Timber

_SHARES: Final = (0.08, 0.2, 1 / 3, 0.5)  # of the smaller side: where the expected moisture is told
_FINEST_PCT: Final = 0.1  # to which the ends of a likely range are looked for
_FINEST_SHARE: Final = 0.001  # the same of a weight
_KEPT: Final = 400  # timbers whose expectations are remembered
_REMEMBERING: Final = Lock()
_REMEMBERED: OrderedDict[tuple[object, ...], tuple[Expected, ...]] = OrderedDict()


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What a pin meter should show at one depth below one face.

    Parameters
    ----------
    depth_mm : float
        Of the pin tips. [mm]
    face : Face or None
        None for any face.
    low_pct, median_pct, high_pct : float or None
        5, 50 and 95 % quantile of the forecast; None without one. [%]
    least_pct, most_pct : float
        Within these a number is likely; what lies outside is asked about. [%]
    """

    depth_mm: float
    face: Face | None
    low_pct: float | None
    median_pct: float | None
    high_pct: float | None
    least_pct: float
    most_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """One timber of the walk.

    Parameters
    ----------
    timber : Timber
        The piece.
    pins : Reading or None
        Its newest reading with pins, one by hand before one of a sensor.
    weight : Reading or None
        Its newest weight.
    depth_mm : float
        Where the pins are offered: as last time, else where the mean of the section is read. [mm]
    face : Face or None
        The face, as last time.
    expected : tuple of Expected
        By face and depth; the offered depth is the first.
    likely_kg : (float, float) or None
        Within these a weight of now is likely; None before the first. [kg]
    pins_utc, weight_utc : datetime or None
        When its moisture and its weight were read last, by whatever: who has waited longest.
    """

    timber: Timber
    pins: Reading | None
    weight: Reading | None
    depth_mm: float
    face: Face | None
    expected: tuple[Expected, ...]
    likely_kg: tuple[float, float] | None
    pins_utc: datetime | None = None
    weight_utc: datetime | None = None


def natural(text: str) -> tuple[tuple[int, int, str], ...]:
    """Return a key that sorts FER-9 before FER-10."""
    return tuple(
        (0, int(part), "") if part.isdecimal() else (1, 0, part.casefold())
        for part in re.split(r"(\d{1,18})", text)
        if part
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """What the shop holds of one timber for a walk.

    Parameters
    ----------
    timber : Timber
        The piece.
    stored : StoredEvaluation or None
        Its last evaluation.
    latest : tuple of Reading
        The newest reading of each of its series.
    """

    timber: Timber
    stored: StoredEvaluation | None
    latest: tuple[Reading, ...]


def held(shop: Shop) -> tuple[Held, ...]:
    """Return what the shop holds of every timber in the order of the walk: place after place, then by tag."""
    stored = {each.tag: each for each in shop.store.evaluations()}
    latest: dict[str, list[Reading]] = {}
    for each in shop.store.latest(Owner.TIMBER):
        latest.setdefault(each.series.name, []).append(each)
    timbers = sorted(shop.register.list(), key=lambda one: (natural(one.place), natural(one.tag)))
    return tuple(
        Held(timber=one, stored=stored.get(one.tag), latest=tuple(latest.get(one.tag, ()))) for one in timbers
    )


def stops(every: Iterable[Held], now_utc: datetime) -> tuple[Stop, ...]:
    """Return the timbers of the walk with what is likely of each; it needs no shop, and so holds up no page.

    Parameters
    ----------
    every : iterable of Held
        In the order of the walk.
    now_utc : datetime
        Now, with a time zone.
    """
    return tuple(_stop(one, now_utc, remembered=True) for one in every)


def stop(shop: Shop, tag: str, now_utc: datetime) -> Stop:
    """Return one timber of the walk; an unknown tag is refused with the nearest."""
    timber = shop.register.get(tag)
    found = shop.store.evaluation(timber.tag)
    stored = None if found is None else StoredEvaluation(tag=timber.tag, made_utc=found[0], payload=found[1])
    latest = tuple(shop.store.latest(Owner.TIMBER, timber.tag))
    return _stop(Held(timber=timber, stored=stored, latest=latest), now_utc, remembered=False)


def about(shop: Shop, tag: str) -> plausible.About:
    """Return what a reading of a timber is held against; an unknown tag is refused with the nearest."""
    timber = shop.register.get(tag)
    found = shop.store.evaluation(timber.tag)
    return plausible.About(
        timber=timber,
        answer=None if found is None else _parsed(found[1]),
        latest=shop.store.latest(Owner.TIMBER, timber.tag),
    )


def expected_at(known: plausible.About, depth_mm: float, face: Face | None, now_utc: datetime) -> Expected:
    """Return what is expected and what is likely at a depth below a face.

    Raises
    ------
    OutOfRange
        If the pins would come out on the other side.
    """
    there = None
    known.timber.section.refuse_depth(depth_mm, face)
    if known.answer is not None:
        there = plausible.expected_pct(known.answer, known.timber, depth_mm, face)

    def likely(mc_pct: float) -> bool:
        return plausible.doubt(_pins(known.timber, mc_pct, depth_mm, face, now_utc), known) is None

    middle = 20.0 if there is None else min(there.median, plausible.FSP_PCT)
    least, most = _ends(likely, middle, low=0.0, high=plausible.MOST_PCT, finest=_FINEST_PCT)
    return Expected(
        depth_mm=depth_mm,
        face=face,
        low_pct=None if there is None else max(there.low, 0.0),
        median_pct=None if there is None else there.median,
        high_pct=None if there is None else there.high,
        least_pct=least,
        most_pct=most,
    )


def _stop(one: Held, now_utc: datetime, *, remembered: bool) -> Stop:
    timber, latest = one.timber, one.latest
    pins = _newest(each for each in latest if each.series.quantity is Quantity.MOISTURE)
    weight = _newest(each for each in latest if each.series.quantity is Quantity.WEIGHT)
    side_mm = min(timber.section.width_mm, timber.section.depth_mm)
    last_mm = None if pins is None else pins.series.depth_mm
    depth_mm = pin_depth.mean_depth_share(4) * side_mm if last_mm is None or last_mm > side_mm else last_mm
    face = None if pins is None else pins.series.face
    places = {(depth_mm, face): None, (depth_mm, None): None}
    places |= dict.fromkeys((share * side_mm, None) for share in _SHARES)
    made = None if one.stored is None else one.stored.made_utc
    key = (timber, made, tuple(places), now_utc.date())
    with _REMEMBERING:
        expected = _REMEMBERED.get(key) if remembered else None
    if expected is None:
        answer = None if one.stored is None else _parsed(one.stored.payload)
        known = plausible.About(timber=timber, answer=answer, latest=latest)
        expected = tuple(expected_at(known, deep, which, now_utc) for deep, which in places)
        if remembered:
            _remember(key, expected)
    return Stop(
        timber=timber,
        pins=pins,
        weight=weight,
        depth_mm=depth_mm,
        face=face,
        expected=expected,
        likely_kg=None if weight is None else _likely_kg(timber, weight, latest, now_utc),
        pins_utc=_last_utc(latest, Quantity.MOISTURE),
        weight_utc=_last_utc(latest, Quantity.WEIGHT),
    )


def _last_utc(latest: Sequence[Reading], quantity: Quantity) -> datetime | None:
    return max((one.taken_utc for one in latest if one.series.quantity is quantity), default=None)


def _remember(key: tuple[object, ...], expected: tuple[Expected, ...]) -> None:
    with _REMEMBERING:
        _REMEMBERED[key] = expected
        while len(_REMEMBERED) > _KEPT:
            _REMEMBERED.popitem(last=False)


def _newest(readings: Iterable[Reading]) -> Reading | None:
    return max(readings, key=lambda one: (one.source == BY_HAND, one.taken_utc), default=None)


def _parsed(payload: bytes) -> Document | None:
    try:
        return parse(payload)
    except BaulkError:  # a failed evaluation, or another version's: nothing is expected then
        return None


def _pins(timber: Timber, mc_pct: float, depth_mm: float, face: Face | None, at_utc: datetime) -> Reading:
    series = Series(
        owner=Owner.TIMBER, name=timber.tag, quantity=Quantity.MOISTURE, depth_mm=depth_mm, face=face
    )
    return Reading(series=series, value=mc_pct, taken_utc=at_utc, arrived_utc=at_utc, source=BY_HAND)


def _likely_kg(
    timber: Timber, last: Reading, latest: Sequence[Reading], now_utc: datetime
) -> tuple[float, float]:
    known = plausible.About(timber=timber, answer=None, latest=latest)

    def likely(kg: float) -> bool:
        new = replace(last, value=kg, taken_utc=max(now_utc, last.taken_utc), arrived_utc=now_utc)
        return plausible.doubt(new, known) is None

    finest = _FINEST_SHARE * last.value
    return _ends(likely, last.value, low=0.0, high=10 * last.value, finest=finest)


def _ends(
    likely: Callable[[float], bool], middle: float, *, low: float, high: float, finest: float
) -> tuple[float, float]:
    """Return the ends of the range about a likely value outside which the check asks."""
    if not likely(middle):
        return middle, middle
    return _end(likely, middle, low, finest), _end(likely, middle, high, finest)


def _end(likely: Callable[[float], bool], inside: float, outside: float, finest: float) -> float:
    if likely(outside):
        return outside
    while abs(outside - inside) > finest:
        between = (inside + outside) / 2
        if likely(between):
            inside = between
        else:
            outside = between
    return inside
