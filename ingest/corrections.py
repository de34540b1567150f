"""Readings that a person takes back or corrects: who, when and why stay, and what was stored is kept.

A correction is a note in the store, written in one transaction with the readings that it exchanges. The old
one is not among the readings any more, so that no fit, list or export sees it; the same file brought in
again, and messages that are decoded again, leave out what a correction that counts took away.
"""

from __future__ import annotations

import hashlib
import re
import secrets
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, tzinfo
from typing import Final

from baulk.ingest import checks, plausibility
from baulk.ingest.correction_notes import (
    CORRECTED,
    Correction,
    key_of,
    listed,
    not_on_record,
    note_key,
    packed,
)
from baulk.ingest.errors import Unlikely
from baulk.ingest.shop import Shop
from baulk.ingest.store import Store, notes
from baulk.ingest.wire import message
from baulk.models.errors import OutOfRange
from baulk.models.plausible import Level
from baulk.models.quantity import AT_DEPTH, SIZES, Owner
from baulk.models.reading import AT_LEAST, BY_HAND, Reading, end_flag
from baulk.models.section import Face

# an offset stands behind a time of day only: the end of 2026-11-25 is none
_TIME: Final = re.compile(r"(?s)(.*?)(?:(?<=:\d\d)\s*(Z|[+-]\d\d:?\d\d))?")


def choose(shop: Shop, owner: Owner, name: str, which: str = "last", series: str = "") -> Reading:
    """Give the reading that a person means.

    Parameters
    ----------
    which : str
        "last" for the one that was entered last by hand, or the beginning of its time as lists show it, in
        the shop's zone: 2026-11-25, "2026-11-25 14:30". With an offset or Z behind it it is a time there, as
        exported files have it; so an hour that comes twice when the clocks go back can be said.
    series : str
        The end of its series, such as "weight" or "pin-45/b/moisture", where several have that time.

    Raises
    ------
    OutOfRange
        If there is none, or several; those are named.
    """
    found = [one for one in shop.store.readings(owner, name) if str(one.series).endswith(series)]
    if which.strip().lower() == "last":
        hand = [one for one in found if one.source == BY_HAND]
        if not hand:
            raise OutOfRange("the reading", f"is none that was entered by hand for {name}; say its time")
        return max(hand, key=lambda one: (one.arrived_utc, one.taken_utc))
    begins, zone = _asked_time(which, shop.config.zone)
    found = [one for one in found if f"{one.taken_utc.astimezone(zone):%Y-%m-%d %H:%M:%S}".startswith(begins)]
    if len(found) == 1:
        return found[0]
    if not found:
        raise OutOfRange(
            "the reading", f"{which!r} is none of {name}; `baulk reading list {name}` shows them"
        )
    some = "; ".join(
        f"{_shown_time(one, shop.config.zone)} {one.series} {one.value:g} {one.unit}" for one in found[:5]
    )
    more = f" and {len(found) - 5} more" if len(found) > 5 else ""
    raise OutOfRange("the reading", f"{which!r} means several of {name}: {some}{more}; say more of the time")


def take_back(shop: Shop, reading: Reading, *, by: str, note: str, now_utc: datetime) -> Correction:
    """Take a reading back; what was stored is kept with who, when and why.

    Raises
    ------
    OutOfRange
        If it is not stored.
    """
    return _exchange(shop, reading, None, by=by, note=note, now_utc=now_utc)


def put_right(  # noqa: PLR0913 - a person names them one by one
    shop: Shop,
    reading: Reading,
    *,
    by: str,
    note: str,
    now_utc: datetime,
    value: float | None = None,
    taken_utc: datetime | None = None,
    depth_mm: float | None = None,
    face: Face | None = None,
    from_end_mm: float | None = None,
    at_least: bool = False,
    sure: bool = False,
) -> Correction:
    """Put a reading right; what is left out stays as it was.

    A new value of a moisture means itself, or with ``at_least`` that the meter's scale ended there.

    Raises
    ------
    OutOfRange
        If nothing would change, it can't be so, or its new place is taken.
    Unlikely
        If something speaks against what it would be and nobody said that it is right.
    """
    right = _put_right(reading, value, taken_utc, depth_mm, face, from_end_mm, at_least=at_least)
    if right == reading:
        raise OutOfRange("the reading", "is so already; nothing was changed")
    if not message.is_right(right.taken_utc.timestamp(), now_utc):
        at = right.taken_utc.astimezone(shop.config.zone)
        raise OutOfRange(
            "the time of a reading", f"lies between the year 2000 and now, not {at:%Y-%m-%d %H:%M}"
        )
    findings = plausibility.of_reading(shop, right)
    if any(each.level is Level.IMPOSSIBLE for each in findings):
        raise OutOfRange("this can't be:", plausibility.words(shop, findings))
    if findings and not sure:
        raise Unlikely(plausibility.words(shop, findings))
    (flagged,) = checks.flag((right,), shop.store)
    return _exchange(shop, reading, flagged, by=by, note=note, now_utc=now_utc)


def undo(shop: Shop, correction: Correction, *, by: str, now_utc: datetime) -> Correction:
    """Take a correction back: what was stored before it is stored again.

    Raises
    ------
    OutOfRange
        If that was done already, or another reading stands there by now.
    """
    if correction.undone_utc is not None:
        raise OutOfRange(f"correction {correction.number}", "was taken back already; nothing was changed")
    gone = [] if correction.now is None else [_stored(shop, correction.now)]
    _refuse_taken(shop, correction.was, gone)
    undone = replace(correction, undone_utc=now_utc, undone_by=by)
    shop.store.reattribute(gone, [correction.was], notes={undone.key: packed(undone)})
    _forget_fit(shop, correction.was)
    return undone


def bring(shop: Shop, chain: Sequence[Correction]) -> int:
    """Write down corrections that were made in another shop, and store what they left.

    What stands here as one of them found it makes room, so that a file that was brought in before the
    correction and once more after it comes out as one that was brought in after it.

    Parameters
    ----------
    shop : Shop
        An open shop.
    chain : sequence of Correction
        Of one reading, oldest first; each found what the one before it left.

    Returns
    -------
    int
        How many readings are new, 0 or 1.

    Raises
    ------
    OutOfRange
        If another reading stands where the last one belongs; nothing was changed.
    """
    missing, last = not_on_record(shop.store, chain), chain[-1].now
    if not missing:
        return 0
    gone = [one for each in chain if (one := _found(shop.store, each.was)) is not None]
    come: list[Reading] = []
    if last is not None and (_found(shop.store, last) is None or last.value in {one.value for one in gone}):
        _refuse_taken(shop, last, gone)
        come += checks.flag((last,), shop.store)
    written = {note_key(one, hashlib.blake2b(packed(one), digest_size=4).hexdigest()): one for one in missing}
    shop.store.reattribute(
        list({key_of(one): one for one in gone}.values()),
        come,
        notes={key: packed(one) for key, one in written.items()},
    )
    _forget_fit(shop, chain[-1].was)
    return len(come)


def _exchange(  # noqa: PLR0913 - each says another thing
    shop: Shop, old: Reading, new: Reading | None, *, by: str, note: str, now_utc: datetime
) -> Correction:
    old = _stored(shop, old)
    if new is not None:
        _refuse_taken(shop, new, [old])
    made = Correction(number=0, was=old, now=new, by=by, note=note, at_utc=now_utc)
    key = note_key(made, secrets.token_hex(4))
    shop.store.reattribute([old], [] if new is None else [new], notes={key: packed(made)})
    _forget_fit(shop, old)
    every = listed(shop.store, old.series.owner, old.series.name)
    return next(one for one in every if one.key == key)


def _stored(shop: Shop, reading: Reading) -> Reading:
    """Give a reading as it is stored now."""
    one = _found(shop.store, reading)
    if one is None:
        raise OutOfRange(
            "the reading", f"of {reading.value:g} {reading.unit} is not stored any more; look again"
        )
    return one


def _found(store: Store, reading: Reading) -> Reading | None:
    at, series = reading.taken_utc, reading.series
    for one in store.readings(series.owner, series.name, at, at):
        if one.series == series and one.value == reading.value:
            return one
    return None


def _refuse_taken(shop: Shop, new: Reading, leaving: Sequence[Reading]) -> None:
    at, series = new.taken_utc, new.series
    gone = {key_of(one) for one in leaving}
    for one in shop.store.readings(series.owner, series.name, at, at):
        if one.series == series and key_of(one) not in gone:
            raise OutOfRange(
                "the reading", f"stands there as {one.value:g} {one.unit} already; take that back"
            )


def _put_right(  # noqa: PLR0913, PLR0917 - one a field
    reading: Reading,
    value: float | None,
    taken_utc: datetime | None,
    depth_mm: float | None,
    face: Face | None,
    from_end_mm: float | None,
    *,
    at_least: bool,
) -> Reading:
    old = reading.series
    gauge = old.quantity in SIZES
    if old.quantity not in AT_DEPTH and (
        depth_mm,
        None if gauge else face,
        None if gauge else from_end_mm,
    ) != (
        None,
        None,
        None,
    ):
        raise OutOfRange(
            "depth, face and distance from an end", f"belong to pins, not to {old.quantity.value}"
        )
    series = replace(old, depth_mm=old.depth_mm if depth_mm is None else depth_mm, face=face or old.face)
    if gauge and from_end_mm is not None:
        series, from_end_mm = replace(series, from_end_mm=from_end_mm), None
    flags = [flag for flag in reading.flags if flag not in checks.NAMES and flag != CORRECTED]
    if series != old:  # else the sensor's own place would move it back
        flags = [flag for flag in flags if not flag.startswith("sensor-")]
    if value is not None:
        flags = [flag for flag in flags if flag != AT_LEAST] + [AT_LEAST] * at_least
    if from_end_mm is not None:
        flags = [flag for flag in flags if not flag.startswith("end-")] + [end_flag(from_end_mm)]
    right = replace(
        reading,
        series=series,
        value=reading.value if value is None else value,
        taken_utc=taken_utc or reading.taken_utc,
    )
    if right == reading and set(flags) == set(reading.flags) - {*checks.NAMES, CORRECTED}:
        return reading
    return replace(right, flags=(*flags, CORRECTED))


def _asked_time(which: str, zone: tzinfo | None) -> tuple[str, tzinfo | None]:
    """Return how the time that somebody gave begins, and on whose clock it is."""
    time, offset = _TIME.fullmatch(which.strip()).groups()  # type: ignore[union-attr]  # it matches any text
    if offset is not None:
        try:
            zone = datetime.strptime(offset, "%z").tzinfo or zone
        except ValueError:
            raise OutOfRange(
                "the reading's time", f"{which!r} has no offset that a clock can have, such as +01:00"
            ) from None
    return time.replace("T", " "), zone


def _shown_time(one: Reading, zone: tzinfo | None) -> str:
    """Write a reading's time on the shop's clock, with its offset where that clock shows it twice."""
    at = one.taken_utc.astimezone(zone)
    twice = at.replace(fold=0).utcoffset() != at.replace(fold=1).utcoffset()
    return at.isoformat(" ", "seconds") if twice else f"{at:%Y-%m-%d %H:%M:%S}"


def _forget_fit(shop: Shop, reading: Reading) -> None:
    """Let the next evaluation fit anew: the last fit has taken in what is not so."""
    if reading.series.owner is Owner.TIMBER:
        shop.store.forget(notes.fit_key(reading.series.name))
