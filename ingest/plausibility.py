"""What the one check (`baulk.models.plausible`) is given: the timber as it was, its wood, what stood before.

A page, a command, a file and a message all ask here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.ingest.register import event_rules
from baulk.ingest.shop import Shop
from baulk.ingest.store.moments import from_us
from baulk.models import plausible, plausible_event, text
from baulk.models.errors import BaulkError, NotFound
from baulk.models.plausible import Expected, Finding, Level, Limits
from baulk.models.quantity import SIZES, Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.reason import Reason
from baulk.models.section import Face
from baulk.models.species import Species
from baulk.models.timber import Event, EventKind, Timber

BEFORE_ARRIVAL: Final = "before-arrival"  # flag of a sensor's reading from before its timber came
_NEW_SERIES: Final = frozenset({EventKind.CUT, EventKind.PLANED, EventKind.TARED})  # of weights, from then on
_FRESH: Final = timedelta(days=10)  # a forecast this far from a reading still says what it should be


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Known:
    """A timber in its largest size, its wood, and what it can weigh and hold in any size that it had.

    Parameters
    ----------
    timber : Timber
        As it came.
    wood : Species
        Its wood.
    can : Limits
        Of every size that it had.
    deepest_mm : mapping
        How deep pins can stand below each face, and below any. [mm]
    first_utc : datetime
        Before this a reading is older than its arrival.
    """

    timber: Timber
    wood: Species
    can: Limits
    deepest_mm: Mapping[Face | None, float]
    first_utc: datetime

    def within(self, series: Series) -> tuple[float, float] | None:
        """Return the lowest and highest value of a series; None where its place is outside the piece."""
        if series.from_end_mm is not None and series.from_end_mm > self.timber.length_mm:
            return None
        if series.depth_mm is not None and series.depth_mm > self.deepest_mm[series.face]:
            return None
        if series.quantity is Quantity.MOISTURE:
            return -math.inf, self.can.wettest_pct
        if series.quantity is Quantity.WEIGHT:
            return self.can.lightest_kg, self.can.heaviest_kg
        if series.quantity in SIZES:
            return self.can.size_mm(series.quantity)
        return -math.inf, math.inf

    def fits(self, reading: Reading) -> bool:
        """Whether nothing speaks against a message's reading."""
        fit = self.within(reading.series)
        return fit is not None and fit[0] <= reading.value <= fit[1] and reading.taken_utc >= self.first_utc


def known(shop: Shop, tag: str) -> Known | None:
    """Give what an entered timber can be, remembered for a minute; None where its wood is not known."""
    held, found = shop.register.recalled(tag)
    if not held:
        found = _known(shop, tag)
        shop.register.recall(tag, found)
    one: Known | None = found
    return one


def _known(shop: Shop, tag: str) -> Known | None:
    now = shop.register.get(tag)
    whole = shop.register.as_of(tag, now.arrived_utc)
    try:
        wood = shop.woods.species.get(whole.species)
    except NotFound:  # the shop's own table has lost it
        return None
    most, least = plausible.limits(whole, wood), plausible.limits(now, wood)
    tares = shop.register.events(tag, kind=EventKind.TARED)
    tare_kg = max((float(each.detail["tare_kg"]) for each in tares), default=0.0)
    can = Limits(
        lightest_kg=least.lightest_kg,
        heaviest_kg=most.heaviest_kg + tare_kg,
        light_kg=least.light_kg,
        heavy_kg=most.heavy_kg + tare_kg,
        wettest_pct=most.wettest_pct,
        width_mm=(least.width_mm[0], most.width_mm[1]),
        depth_mm=(least.depth_mm[0], most.depth_mm[1]),
    )
    return Known(
        timber=whole,
        wood=wood,
        can=can,
        deepest_mm={face: whole.section.size_mm(face) for face in (None, *Face)},
        first_utc=now.arrived_utc - plausible.BEFORE,
    )


def of_message(shop: Shop, one: Known, reading: Reading) -> tuple[str | None, bool]:
    """Say why a sensor's reading can't be of its timber, and whether it is from before that came."""
    why = plausible.in_timber(reading, one.timber, one.can)
    if why is not None:
        return text.sentence(why, shop.config.shop.units, zone=shop.config.zone), False
    return None, reading.taken_utc < one.first_utc


def impossible_rows(shop: Shop, series: Series, values: NDArray[np.float64]) -> Iterator[tuple[int, str]]:
    """Say which of a file's values can't be of their timber, by index, with the limit."""
    if series.owner is Owner.AIR or (one := known(shop, series.name)) is None:
        return
    doubtful = np.isfinite(values)
    if (fit := one.within(series)) is not None:
        doubtful &= (values < fit[0]) | (values > fit[1])
    for n in np.flatnonzero(doubtful).tolist():
        at = one.timber.arrived_utc
        reading = Reading(series=series, value=float(values[n]), taken_utc=at, arrived_utc=at)
        if (why := plausible.in_timber(reading, one.timber, one.can)) is not None:
            yield n, text.sentence(why, shop.config.shop.units, zone=shop.config.zone)


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What a reading is held against.

    Parameters
    ----------
    timber : Timber or None
        As it was then; None for air.
    wood : Species or None
        Its wood.
    earlier : tuple of Reading
        Those of the same timber or place, without weights from before a cut.
    tare_kg : float
        Slings and pallet then. [kg]
    expected : (float, float, float) or None
        What the forecast expects there. [%]
    """

    timber: Timber | None = None
    wood: Species | None = None
    earlier: tuple[Reading, ...] = ()
    tare_kg: float = 0.0
    expected: Expected | None = None

    def findings(self, reading: Reading) -> tuple[Finding, ...]:
        """Return what speaks against it."""
        return plausible.of_reading(
            reading,
            timber=self.timber,
            wood=self.wood,
            earlier=self.earlier,
            tare_kg=self.tare_kg,
            expected=self.expected,
        )

    def hint(self, reading: Reading) -> Reason:
        """Return what it is held against where nothing speaks against it."""
        return plausible.hint(reading, earlier=self.earlier, expected=self.expected)


def evidence(shop: Shop, reading: Reading) -> Evidence:
    """Gather what one reading is held against.

    Parameters
    ----------
    shop : Shop
        An open shop.
    reading : Reading
        As understood, before it is stored.

    Raises
    ------
    NotFound
        If nobody entered its timber.
    """
    series = reading.series
    if series.owner is Owner.AIR:
        return Evidence()
    tag, taken = shop.register.get(series.name).tag, reading.taken_utc
    timber = shop.register.as_of(tag, taken)
    try:
        wood = shop.woods.species.get(timber.species)
    except NotFound:
        wood = None
    cuts = [each for each in shop.register.events(tag) if each.kind in _NEW_SERIES and each.at_utc <= taken]
    tare = [float(each.detail["tare_kg"]) for each in cuts if each.kind is EventKind.TARED]
    since = max((each.at_utc for each in cuts), default=None)
    earlier = [
        one
        for one in _earlier(shop, reading)
        if since is None or one.series.quantity is not Quantity.WEIGHT or one.taken_utc >= since
    ]
    return Evidence(
        timber=timber,
        wood=wood,
        earlier=tuple(earlier),
        tare_kg=tare[-1] if tare else 0.0,
        expected=expected(shop, timber, series, taken),
    )


def of_reading(shop: Shop, reading: Reading) -> tuple[Finding, ...]:
    """Return what speaks against a reading; see `baulk.models.plausible.of_reading`."""
    return evidence(shop, reading).findings(reading)


def of_event(shop: Shop, event: Event) -> tuple[Finding, ...]:
    """Return what speaks against the numbers of an event; see `baulk.models.plausible_event.of_event`.

    Raises
    ------
    NotFound, OutOfRange
        If nobody entered its timber, or a detail is none that it can hold.
    """
    now = shop.register.get(event.tag)
    event, tag = event_rules.checked(event, now, zone=shop.config.zone), now.tag
    timber = shop.register.as_of(tag, event.at_utc)
    try:
        wood = shop.woods.species.get(timber.species)
    except NotFound:
        wood = None
    tares = [each for each in shop.register.events(tag, kind=EventKind.TARED) if each.at_utc <= event.at_utc]
    tare_kg = float(tares[-1].detail["tare_kg"]) if tares else 0.0
    return plausible_event.of_event(event, timber, wood, tare_kg=tare_kg)


def _earlier(shop: Shop, reading: Reading) -> list[Reading]:
    """Give the readings about the same time, and the last weight before."""
    series, taken = reading.series, reading.taken_utc
    near = shop.store.readings(Owner.TIMBER, series.name, taken - plausible.TWICE, taken + plausible.TWICE)
    if series.quantity is not Quantity.WEIGHT:
        return near
    last = [one for one in shop.store.latest(Owner.TIMBER, series.name) if one.series == series]
    if any(one.taken_utc >= taken for one in last):  # entered late: the one before it lies further back
        every = shop.store.readings(Owner.TIMBER, series.name, None, taken)
        last = [one for one in every if one.series == series]
    return [*near, *last]


def expected(shop: Shop, timber: Timber, series: Series, taken: datetime) -> Expected | None:
    """Return what the last forecast expects at pin tips: 5, 50 and 95 % quantile in percent.

    None where there is no forecast of about that time, or none that can be read.
    """
    if series.quantity is not Quantity.MOISTURE or series.depth_mm is None:
        return None
    stored = shop.store.evaluation(timber.tag)
    if stored is None or abs(stored[0] - taken) > _FRESH:
        return None
    from baulk.ingest.evaluation.document_read import document_of  # noqa: PLC0415 - the listener needs none

    answer = document_of(stored[1])
    if answer is None:
        return None
    field = answer.field_now
    edges = np.asarray(field.x_edges_mm), np.asarray(field.y_edges_mm)
    try:
        return at_tips(timber, edges, (field.median_pct, field.sd_pct), series.depth_mm, series.face)
    except BaulkError:  # deeper than the piece, which is found by itself
        return None


def at_tips(
    timber: Timber,
    edges_mm: tuple[NDArray[np.float64], NDArray[np.float64]],
    field_pct: tuple[Sequence[Sequence[float]], Sequence[Sequence[float]]],
    depth_mm: float,
    face: Face | None,
) -> Expected:
    """Return the 5, 50 and 95 % quantile of a field at pin tips; without a face, the middle of all four.

    Parameters
    ----------
    timber : Timber
        The piece.
    edges_mm : (ndarray, ndarray)
        Where the field's columns and rows begin and end. [mm]
    field_pct : (rows, rows)
        Median and standard deviation of each cell. [%]
    depth_mm : float
        Depth of the tips below the face. [mm]
    face : Face or None
        The face.

    Raises
    ------
    OutOfRange
        If the pins would come out on the other side.
    """
    timber.section.refuse_depth(depth_mm, face)
    found = []
    for each in [face] if face else list(Face):
        tip = timber.section.pin_tip_mm(depth_mm, each)
        column, row = (
            int(np.clip(np.searchsorted(edge, at) - 1, 0, len(edge) - 2))
            for edge, at in zip(edges_mm, tip, strict=True)
        )
        found.append((field_pct[0][row][column], field_pct[1][row][column]))
    middle, sd = (float(np.mean(each)) for each in zip(*found, strict=True))
    return middle - 1.645 * sd, middle, middle + 1.645 * sd


def words(shop: Shop, findings: Iterable[Finding]) -> str:
    """Return findings as one line in the shop's units."""
    units, zone = shop.config.shop.units, shop.config.zone
    return " ".join(text.sentence(each.reason, units, zone=zone) for each in findings)


def odd_rows(
    shop: Shop, series: Series, taken_us: NDArray[np.int64], values: NDArray[np.float64]
) -> Iterator[tuple[int, str]]:
    """Say which of a file's readings of one series are unlikely, by index, in the order of time.

    Parameters
    ----------
    shop : Shop
        An open shop.
    series : Series
        Which.
    taken_us : ndarray of int64, shape (n,)
        Microseconds since 1970.
    values : ndarray, shape (n,)
        In the unit of the quantity.
    """
    one = None if series.owner is Owner.AIR else known(shop, series.name)
    order = np.argsort(taken_us, kind="stable")
    if series.quantity is not Quantity.WEIGHT:
        doubtful = np.zeros(len(values), dtype=bool)
        if series.quantity in {Quantity.MOISTURE, Quantity.HUMIDITY}:
            doubtful |= (values > 0) & (values <= plausible.RATIO)
        if series.quantity is Quantity.HUMIDITY:
            doubtful |= values > plausible.SATURATED_RH
        if series.quantity is Quantity.MOISTURE:
            doubtful |= (values < plausible.BELOW_METER_PCT) | (values > plausible.MOST_SHOWN_PCT)
        if one is not None:
            first_us = (one.timber.arrived_utc - plausible.BEFORE).timestamp() * 1e6
            doubtful |= taken_us < first_us
        order = order[doubtful[order]]
    earlier: tuple[Reading, ...] = ()
    for n in order.tolist():
        at = from_us(int(taken_us[n]))
        reading = Reading(series=series, value=float(values[n]), taken_utc=at, arrived_utc=at)
        if series.quantity is Quantity.WEIGHT:
            held = evidence(shop, reading)
            held = Evidence(
                timber=held.timber,
                wood=held.wood,
                earlier=(*held.earlier, *earlier),
                tare_kg=held.tare_kg,
            )
            earlier = (reading,)
        else:
            held = Evidence() if one is None else Evidence(timber=one.timber, wood=one.wood)
        findings = [each for each in held.findings(reading) if each.level is Level.UNLIKELY]
        if findings:
            yield n, words(shop, findings)
