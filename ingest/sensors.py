"""Readings of sensors that move: each belongs to the timber that its sensor was on when it was taken.

The wire marks such a reading with the flag of its sensor and puts the sensor's name where the tag will stand.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from functools import lru_cache
from typing import Final

from baulk.ingest.errors import WireError
from baulk.ingest.register.register import Attachments
from baulk.ingest.shop import Shop
from baulk.ingest.store.reading_body import body_of, reading_of
from baulk.ingest.store.rejected import Cause, Rejected
from baulk.ingest.wire.message import Decoded, RawMessage
from baulk.ingest.wire.senml import NO_DEPTH_MM
from baulk.models import text
from baulk.models.errors import BaulkError
from baulk.models.quantity import AT_DEPTH, SIZES, Owner, Quantity
from baulk.models.reading import MEASURED_ALONG, Reading, Series, end_flag, sensor_of
from baulk.models.reason import Reason, Values
from baulk.models.section import Face

ASIDE: Final = "set-aside/"  # begins the topic of a reading that was stored and whose sensor was on nothing


def waits_for(sensor: str | Reading) -> str:
    """Say what a message waits for whose sensor is on nothing yet."""
    return f"sensor:{sensor_of(sensor.flags) if isinstance(sensor, Reading) else sensor}"


def place(reading: Reading, known: Attachments) -> Reading | None:
    """Give a reading the timber, depth and face of its sensor at the time; None if nobody has said.

    Parameters
    ----------
    reading : Reading
        With or without the flag of a sensor; without one it stays as it is.
    known : Attachments
        Where the sensors were.
    """
    sensor = sensor_of(reading.flags)
    if (
        sensor is None or reading.series.owner is Owner.AIR
    ):  # of air the topic says where, and the flag by whom
        return reading
    at = known.find(sensor, reading.taken_utc)
    if at is None:
        return None
    old = reading.series
    pins = old.quantity in AT_DEPTH
    depth_mm = at.depth_mm or old.depth_mm
    if pins and depth_mm == NO_DEPTH_MM:
        return None
    series = _series(
        at.tag,
        old.quantity,
        depth_mm if pins else None,
        _face(old, at.face),
        (old.from_end_mm if at.from_end_mm is None else at.from_end_mm) if old.quantity in SIZES else None,
    )
    flags = tuple(flag for flag in reading.flags if not (pins and flag.startswith("end-")))
    if pins and at.from_end_mm is not None:
        flags = (*flags, end_flag(at.from_end_mm))
    if series == old and set(flags) == set(reading.flags):
        return reading
    return replace(reading, series=series, flags=flags)


@lru_cache(maxsize=1024)  # the places of a shop's sensors are few and come again and again
def _series(
    tag: str, quantity: Quantity, depth_mm: float | None, face: Face | None, from_end_mm: float | None
) -> Series:
    return Series(
        owner=Owner.TIMBER,
        name=tag,
        quantity=quantity,
        depth_mm=depth_mm,
        face=face,
        from_end_mm=from_end_mm,
    )


def _face(old: Series, attached: Face | None) -> Face | None:
    """Give the face of pins, or the one that a gauge measures along; pins beside it may be in another."""
    if old.quantity in SIZES:
        return attached if attached in MEASURED_ALONG[old.quantity] else old.face
    return (attached or old.face) if old.quantity in AT_DEPTH else None


def why_not(reading: Reading, known: Attachments) -> Reason:
    """Return why a reading can't be placed."""
    sensor = sensor_of(reading.flags) or ""
    at = known.find(sensor, reading.taken_utc)
    if at is not None:
        values: Values = {"sensor": sensor, "tag": at.tag, "number": at.number}
        return Reason(code="sensor.no_depth", values=values)
    return Reason(code="sensor.on_nothing", values={"sensor": sensor, "taken_utc": reading.taken_utc})


def why_not_words(reading: Reading, known: Attachments, *, zone: tzinfo | None = None) -> str:
    """Return why a reading can't be placed, in the words that quarantine and imports keep.

    They hold no quantity, so they are the same in either system of units.
    """
    return text.sentence(why_not(reading, known), "metric", zone=zone)


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """What a change of a sensor's place did to its readings.

    Parameters
    ----------
    came : int
        Readings that waited in quarantine and are stored now.
    moved : int
        Stored readings that went to another timber, depth or face.
    set_aside : int
        Stored readings that went into quarantine, for their sensor was on nothing.
    is_done : bool
        Whether all that waited was looked at; else the listener goes on with it.
    """

    came: int = 0
    moved: int = 0
    set_aside: int = 0
    is_done: bool = True


def total(those: Sequence[Settled]) -> Settled:
    """Add up."""
    return Settled(
        came=sum(one.came for one in those),
        moved=sum(one.moved for one in those),
        set_aside=sum(one.set_aside for one in those),
        is_done=all(one.is_done for one in those),
    )


def move(shop: Shop, sensor: str) -> Settled:
    """Bring every stored reading of a sensor to where the register says that it was when it was taken.

    Many go in stretches; broken off, it is done again. What can't be placed any more waits in quarantine for
    its sensor, and what would take the place of another sensor's reading waits for that one to be moved.
    """
    known = shop.register.attachments()
    tags = {event.tag for event in shop.register.events(undone=True) if event.detail.get("sensor") == sensor}
    here = [one for tag in sorted(tags) for one in shop.store.readings(Owner.TIMBER, tag)]
    right_of = {_key(one): place(one, known) for one in here if sensor_of(one.flags) == sensor}
    wrong = [one for one in here if right_of.get(_key(one), one) is not one]
    leaving = {_key(one) for one in wrong}
    held = {_key(one): one for one in here if _key(one) not in leaving}
    come: list[Reading] = []
    aside: list[Rejected] = []
    for one in wrong:
        right = right_of[_key(one)]
        if right is None:
            aside.append(
                Rejected(
                    raw=as_message(one, sensor),
                    reason=why_not_words(one, known, zone=shop.config.zone),
                    cause=Cause.UNPLACED_SENSOR,
                    waits_for=waits_for(sensor),
                )
            )
        elif (other := held.get(_key(right))) and other.value != right.value:
            holder = sensor_of(other.flags)
            at = right.taken_utc.astimezone(shop.config.zone)
            why = f"{right.series} at {at:%Y-%m-%d %H:%M:%S} is held by another reading, {other.value:g}"
            aside.append(
                Rejected(
                    raw=as_message(one, sensor),
                    reason=why,
                    cause=Cause.CLASH,
                    waits_for=waits_for(holder) if holder else None,
                )
            )
        else:
            come.append(right)
    if wrong:
        shop.store.reattribute(wrong, come, aside)
    return Settled(moved=len(come), set_aside=len(aside))


def _key(reading: Reading) -> tuple[Series, datetime]:
    return reading.series, reading.taken_utc


def as_message(reading: Reading, waits: str) -> RawMessage:
    """Make a message of a stored reading that waits for its sensor or its timber."""
    payload = json.dumps(body_of(reading)).encode()
    return RawMessage(topic=f"{ASIDE}{waits}", payload=payload, arrived_utc=reading.arrived_utc)


def set_aside(raw: RawMessage) -> Decoded | None:
    """Read a reading that was set aside, or return nothing for any other message."""
    if not raw.topic.startswith(ASIDE):
        return None
    try:
        reading = reading_of(json.loads(raw.payload), raw.arrived_utc)
    except (ValueError, KeyError, TypeError, BaulkError) as err:
        raise WireError(f"this is no reading that was set aside: {err}") from err
    return Decoded(readings=(reading,))


class Sensors:
    """Where the sensors were, asked of the register only when a message needs it, and once a batch."""

    def __init__(self, shop: Shop) -> None:
        self._shop = shop
        self._known: Attachments | None = None

    def assign(self, readings: Sequence[Reading]) -> tuple[list[Reading], Reading | None]:
        """Return the readings that belong to a timber, and the first whose sensor was on nothing."""
        for one in readings:  # nearly always none has a flag
            if one.flags and one.series.owner is Owner.TIMBER and sensor_of(one.flags):
                break
        else:
            return list(readings), None
        right = [place(one, self.known) for one in readings]
        waiting = (one for one, placed in zip(readings, right, strict=True) if placed is None)
        return [one for one in right if one is not None], next(waiting, None)

    @property
    def asked(self) -> bool:
        """Whether a message needed it."""
        return self._known is not None

    def changed(self) -> list[str]:
        """Name the sensors that were attached or taken off since they were asked for."""
        if self._known is None:
            return []
        then, now = self._known.steps, self._shop.register.attachments().steps
        return sorted(one for one in then.keys() | now.keys() if then.get(one) != now.get(one))

    @property
    def known(self) -> Attachments:
        """Where every sensor was at any time."""
        if self._known is None:
            self._known = self._shop.register.attachments()
        return self._known
