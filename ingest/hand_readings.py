"""What a person read and says of readings: entering one, which of two is right, the meter behind them.

A form on a page, the walk and a command call the same function here.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from baulk.ingest import checks, known_places, meters, plausibility
from baulk.ingest.errors import StoreAway, StoreMissing, StoreRefused, Unlikely
from baulk.ingest.shop import Shop
from baulk.ingest.store import notes
from baulk.ingest.store.rejected import Cause, QuarantineRow, Which
from baulk.ingest.store.rows import clash, clashing
from baulk.ingest.wire import message
from baulk.models.errors import OutOfRange
from baulk.models.plausible import Level
from baulk.models.quantity import AT_DEPTH, SIZES, Owner, Quantity
from baulk.models.reading import AT_LEAST, Reading, Series, end_flag
from baulk.models.timber import Timber


def add(  # noqa: PLR0913 - a person names them one by one
    shop: Shop,
    series: Series,
    value: float,
    *,
    now_utc: datetime,
    taken_utc: datetime | None = None,
    from_end_mm: float | None = None,
    at_least: bool = False,
    sure: bool = False,
    new_place: bool = False,
) -> bool:
    """Store one reading that a person took; return whether it was new.

    An impossible value or time, and a tag that is not entered, are refused, for the person can
    still put it right; what is unlikely is asked about. While a server of the readings is away, or
    will not have us, it waits in the books.

    Parameters
    ----------
    series : Series
        Timber or air, quantity, depth and face.
    value : float
        In the unit of the quantity, see `baulk.models.reading.UNITS`.
    now_utc : datetime
        Now, with a time zone.
    taken_utc : datetime, optional
        When it was taken; now if left out.
    from_end_mm : float, optional
        Distance from an end along the grain: of pins a flag, of a width or a depth part of its series. [mm]
    at_least : bool
        Whether the meter's scale ended there, as "OL" and ">30" say; kept as a flag.
    sure : bool
        Whether the person knows what speaks against it (`plausibility.of_reading`).
    new_place : bool
        Whether the air may be that of a place that nobody entered.

    Raises
    ------
    OutOfRange, NotFound
        If value, time or place can't be, or nobody entered the tag.
    Unlikely
        If something speaks against it and nobody said that it is right.
    """
    entered = reading(
        shop,
        series,
        value,
        now_utc=now_utc,
        taken_utc=taken_utc,
        from_end_mm=from_end_mm,
        at_least=at_least,
    )
    try:
        return _store(shop, entered, sure=sure, new_place=new_place)
    except (StoreAway, StoreMissing, StoreRefused):  # the server, its bucket or our right to it
        if not shop.store.apart:
            raise
        shop.store.keep_waiting(entered)  # the books are here
        return True


def _store(shop: Shop, entered: Reading, *, sure: bool, new_place: bool) -> bool:
    series, value = entered.series, entered.value
    held = shop.store.readings(series.owner, series.name, entered.taken_utc, entered.taken_utc)
    for one in held:
        if one.series == series and one.value == value:
            return False
        if one.series == series:
            raise OutOfRange(
                "a reading",
                f"of {one.value:g} {one.unit} stands at that time already; correct it, or say the right time",
            )
    if series.owner is Owner.AIR and not new_place:
        known_places.refuse_new(shop, series.name)
    findings = plausibility.of_reading(shop, entered)
    if any(each.level is Level.IMPOSSIBLE for each in findings):
        raise OutOfRange("this can't be:", plausibility.words(shop, findings))
    if findings and not sure:
        raise Unlikely(plausibility.words(shop, findings))
    return shop.store.append(checks.flag((entered,), shop.store)) == 1


def reading(  # noqa: PLR0913 - a person names them one by one
    shop: Shop,
    series: Series,
    value: float,
    *,
    now_utc: datetime,
    taken_utc: datetime | None = None,
    from_end_mm: float | None = None,
    at_least: bool = False,
) -> Reading:
    """Return a reading as a person means it, before anything is stored; see `add`.

    Raises
    ------
    OutOfRange, NotFound
        If its time or its distance from an end can't be, or nobody entered the tag.
    """
    taken = taken_utc or now_utc
    if taken.tzinfo is None or not message.is_right(taken.timestamp(), now_utc):
        raise OutOfRange(
            "the time of a reading",
            "lies between the year 2000 and now with a time zone, not "
            f"{taken.astimezone(shop.config.zone):%Y-%m-%d %H:%M}",
        )
    if series.owner is Owner.TIMBER:
        _refuse_past_the_end(from_end_mm, shop.register.get(series.name))
    if from_end_mm is not None and series.quantity in SIZES:
        series, from_end_mm = replace(series, from_end_mm=from_end_mm), None
    if from_end_mm is not None and series.quantity not in AT_DEPTH:
        raise OutOfRange(
            "the distance from an end", f"belongs to pins, widths and depths, not to {series.quantity.value}"
        )
    if at_least and series.quantity is not Quantity.MOISTURE:
        raise OutOfRange("at least", f"is what a moisture meter says, not {series.quantity.value}")
    flags = (AT_LEAST,) if at_least else ()
    if from_end_mm is not None:
        flags = (*flags, end_flag(from_end_mm))
    return Reading(
        series=series, value=value, taken_utc=taken, arrived_utc=now_utc, source="hand", flags=flags
    )


def clashing_pair(shop: Shop, row: QuarantineRow) -> tuple[Reading, Reading] | None:
    """Give the stored reading and the one in quarantine that clashes with it; None where there are no two."""
    other = clashing(row.raw) if row.cause is Cause.CLASH else None
    if other is None:
        return None
    series, taken = other.series, other.taken_utc
    found = shop.store.readings(series.owner, series.name, taken, taken)
    return next(((one, other) for one in found if one.series == series), None)


def settle_clash(shop: Shop, number: int, *, take_other: bool, by: str, now_utc: datetime) -> Reading:
    """Settle a reading in quarantine whose time is taken by another value; return the one that is stored.

    Whichever of the two is not taken lies in quarantine as the clash from then on when the stored one is
    exchanged (so that the exchange can be undone the same way), and is discarded when it stays.

    Parameters
    ----------
    number : int
        The message in quarantine.
    take_other : bool
        Whether the value in quarantine is right, and not the stored one.

    Raises
    ------
    OutOfRange
        If the message is no such reading, or its place is free by now.
    """
    row = shop.store.quarantined_one(number)
    other = clashing(row.raw) if row.cause is Cause.CLASH else None
    if other is None:
        raise OutOfRange(
            "the message in quarantine", f"{number} is no reading that clashes with a stored one"
        )
    (other,) = shop.store.names().readings((other,))
    series, taken = other.series, other.taken_utc
    held = next(
        (one for one in shop.store.readings(series.owner, series.name, taken, taken) if one.series == series),
        None,
    )
    if held is None:
        raise OutOfRange("the message in quarantine", f"{number} clashes with nothing now; try it again")
    if not take_other:
        shop.store.discard(Which(number=number), why=f"{held.value:g} is right", by=by, now_utc=now_utc)
        return held
    other = replace(other, arrived_utc=now_utc)
    shop.store.reattribute([held], [other], [clash(held, other.value, shop.config.zone)])
    shop.store.release(number)
    return other


def meter_is_open(shop: Shop) -> bool:
    """Whether the shop is still to be asked if its hand meter corrects for the wood's temperature."""
    known = notes.hand_meter(shop.store)
    return (known is None or not known.asked) and not meters.tell_of_hand_meter(shop.config.meter)


def keep_meter(shop: Shop, meter: notes.HandMeter) -> notes.HandMeter:
    """Keep the record of the meter behind readings by hand; its scale is a wood that the shop knows."""
    if meter.scale:
        meter = replace(meter, scale=shop.woods.species.get(meter.scale).name)
    notes.keep_hand_meter(shop.store, meter)
    return meter


def scale_end_pct(shop: Shop) -> float | None:
    """Return where the scale of the meter behind readings by hand ends, if that is on record, [%]."""
    known = notes.hand_meter(shop.store)
    return None if known is None else known.top_pct


def _refuse_past_the_end(from_end_mm: float | None, timber: Timber) -> None:
    if from_end_mm is not None and from_end_mm > timber.length_mm:
        raise OutOfRange(
            "the distance from an end",
            f"of {from_end_mm:.0f} mm is longer than {timber.tag}, which is {timber.length_mm:.0f} mm",
        )
