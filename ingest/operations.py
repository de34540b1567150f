"""What people do in a shop: enter timbers and events, attach sensors, take something back.

A form on a page, a command and an import call the same function here.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from functools import partial
from typing import Any, Final

from baulk.ingest import (
    entered_before,
    event_checks,
    known_places,
    pipeline,
    plausibility,
    routing,
    sensors,
)
from baulk.ingest.errors import Unlikely
from baulk.ingest.pipeline import Replayed
from baulk.ingest.sensors import Settled
from baulk.ingest.shop import Shop
from baulk.ingest.store import notes
from baulk.ingest.store.rejected import Cause, Rejected, Which
from baulk.models import plausible
from baulk.models.errors import OutOfRange
from baulk.models.plausible import Finding, Level
from baulk.models.quantity import Owner
from baulk.models.section import Face
from baulk.models.timber import Event, EventKind, Place, Timber

_STRETCH_S: Final = 0.3


def add_timber(  # noqa: PLR0913 - each says another thing
    shop: Shop,
    timber: Timber,
    *,
    by: str = "",
    now_utc: datetime | None = None,
    stop: Callable[[], bool] = lambda: False,
    sure: bool = False,
    new_place: bool = False,
    weight_kg: float | None = None,
) -> int:
    """Enter a timber and store what waited in quarantine for its tag; return how many readings.

    What ``stop`` leaves, the listener stores. Sizes that can hardly be meant, and a timber that seems to have
    been entered before (``weight_kg`` may tell it from another), raise `Unlikely`, unless the person is
    ``sure``; so does a place that nobody entered, unless it is a ``new_place``.
    """
    check_timber(shop, timber)
    if not sure:
        _refuse_unlikely(shop, timber, *entered_before.findings(shop, timber, weight_kg=weight_kg))
    if not new_place:
        known_places.refuse_new(shop, timber.place)
    shop.register.add(timber, by=by, now_utc=now_utc)
    came = pipeline.replay(shop, Which(waits_for=timber.tag), stop=stop).stored
    return came + _replay_air(shop, timber.place, stop=stop)


def edit_timber(  # noqa: PLR0913 - a person names them one by one
    shop: Shop,
    tag: str,
    /,
    *,
    now_utc: datetime,
    by: str = "",
    note: str = "",
    place_was_wrong: bool = False,
    sure: bool = False,
    new_place: bool = False,
    **changes: Any,  # noqa: ANN401 - the timber's own fields
) -> tuple[Event, ...]:
    """Correct a timber under the rules of entering one; see `Register.edit`.

    Another ``tag`` takes everything of the timber along, and what waited in quarantine for it is stored.
    """
    old = shop.register.get(tag)
    if not new_place and changes.get("place", old.place) != old.place:
        known_places.refuse_new(shop, str(changes["place"]))

    def check(timber: Timber) -> None:
        check_timber(shop, timber)
        if not sure and (timber.section, timber.length_mm) != (old.section, old.length_mm):
            _refuse_unlikely(shop, timber)

    made = shop.register.edit(
        tag,
        now_utc=now_utc,
        by=by,
        note=note,
        check=check,
        place_was_wrong=place_was_wrong,
        **changes,
    )
    if made and made[-1].tag != old.tag:
        pipeline.replay(shop, Which(waits_for=made[-1].tag))  # sent under it before it was changed
    return made


def add_event(  # noqa: PLR0913 - each says another thing
    shop: Shop,
    event: Event,
    *,
    move: bool = False,
    new_place: bool = False,
    sure: bool = False,
    stop: Callable[[], bool] = lambda: False,
    tell: Callable[[int], None] = lambda _: None,
) -> tuple[Event, Settled]:
    """Enter an event; the readings of a sensor that was attached or detached go where they belong.

    Parameters
    ----------
    event : Event
        What happened.
    move : bool
        Whether a sensor that is attached may be taken off the timber that it is on.
    new_place : bool
        Whether a timber may be moved to a place that nobody entered.
    sure : bool
        Whether the person knows what speaks against its numbers, or that the same stands there already.
    stop, tell : callable
        As in `settle`.

    Raises
    ------
    Unlikely
        If one of the two would happen and nobody said so, its numbers can hardly be meant, or the very same
        was noted within half an hour.
    OutOfRange, RegisterError
        If its numbers can't be, or the sensor is there already.
    """
    if event.kind is EventKind.SENSOR_ATTACHED:
        event_checks.refuse_without_depth(shop, event, sure=sure)
        if not move:
            event_checks.refuse_taken_off(shop, event)
    event_checks.refuse_there(shop, event)
    event_checks.refuse_numbers(shop, event, sure=sure)
    if event.kind is EventKind.MOVED and not new_place:
        shop.register.get(event.tag)  # a tag that nobody knows comes first
        known_places.refuse_new(shop, str(event.detail["to"]).strip())
    entered = shop.register.add_event(event)
    if entered.kind is EventKind.RETIRED:
        shop.store.forget(notes.fit_key(entered.tag))
    if entered.kind is EventKind.MOVED:
        _replay_air(shop, str(entered.detail["to"]), stop)
    return entered, settle(shop, stop=stop, tell=tell)


def add_place(shop: Shop, place: Place) -> int:
    """Enter a place; return how many readings of its air waited in quarantine and are stored now."""
    shop.register.save_place(place)
    return _replay_air(shop, place.name)


def _replay_air(shop: Shop, place: str, stop: Callable[[], bool] = lambda: False) -> int:
    return pipeline.replay(shop, Which(waits_for=known_places.waits_for(place)), stop=stop).stored


def attach_sensor(  # noqa: PLR0913 - a person names them one by one
    shop: Shop,
    sensor: str,
    tag: str,
    *,
    now_utc: datetime,
    at_utc: datetime | None = None,
    depth_mm: float | None = None,
    face: Face | None = None,
    from_end_mm: float | None = None,
    by: str = "",
    note: str = "",
    move: bool = False,
    sure: bool = False,
    stop: Callable[[], bool] = lambda: False,
    tell: Callable[[int], None] = lambda _: None,
) -> tuple[Event, Settled]:
    """Note that a sensor was put on a timber, now or then; from then on it is on no other.

    One that is on another timber raises `Unlikely`, unless it is to ``move``; so does one without a depth of
    which nothing tells what it measures, unless somebody is ``sure`` that it is no pair of pins.

    Readings of it that waited in quarantine are stored, and those that went to another timber follow; for
    ``stop`` and ``tell`` see `settle`.
    """
    given = {
        "sensor": sensor,
        "depth_mm": depth_mm,
        "face": face and face.value,
        "from_end_mm": from_end_mm,
    }
    return add_event(
        shop,
        Event(
            tag=tag,
            kind=EventKind.SENSOR_ATTACHED,
            at_utc=at_utc or now_utc,
            noted_utc=now_utc,
            detail={name: value for name, value in given.items() if value is not None},
            by=by,
            note=note,
        ),
        move=move,
        sure=sure,
        stop=stop,
        tell=tell,
    )


def undo(  # noqa: PLR0913 - each says another thing
    shop: Shop,
    number: int,
    *,
    by: str,
    now_utc: datetime,
    sure: bool = False,
    stop: Callable[[], bool] = lambda: False,
) -> tuple[Event, Settled]:
    """Take an event back, and with it what it did to the readings of a sensor.

    The arrival of a timber that was entered by mistake takes the timber with it: its events are taken back,
    and its readings wait in quarantine until its tag is entered again. Where there are any the person has to
    be ``sure``, else `Unlikely` is raised. For ``stop`` see `settle`.
    """
    arrival = next(
        (one for one in shop.register.events(kind=EventKind.ARRIVED) if one.number == number), None
    )
    if arrival is None:
        return shop.register.undo(number, by=by, now_utc=now_utc), settle(shop, stop=stop)
    readings = shop.store.readings(Owner.TIMBER, arrival.tag)
    events = len(shop.register.events(arrival.tag)) - 1
    if (readings or events) and not sure:
        raise Unlikely(
            f"{arrival.tag} would leave the register with all that was noted of it (events: {events}), and "
            f"its readings ({len(readings)}) would wait in quarantine for its tag. Retire a timber that left."
        )
    undone = shop.register.undo(number, by=by, now_utc=now_utc)
    settled = settle(shop, stop=stop)
    left = shop.store.readings(Owner.TIMBER, undone.tag)
    waiting = [
        Rejected(
            raw=sensors.as_message(one, undone.tag),
            reason=routing.not_entered(undone.tag),
            cause=Cause.UNKNOWN_TIMBER,
            waits_for=undone.tag,
        )
        for one in left
    ]
    if left:
        shop.store.reattribute(left, [], waiting)
    shop.store.withdraw_evaluation(undone.tag)
    shop.store.forget(notes.fit_key(undone.tag))
    return undone, replace(settled, set_aside=settled.set_aside + len(left))


def settle(
    shop: Shop,
    *,
    stop: Callable[[], bool] = lambda: False,
    tell: Callable[[int], None] = lambda _: None,
) -> Settled:
    """Bring the readings of sensors that were attached, detached or taken back to where they belong.

    What waits in quarantine is tried in stretches, each for itself. Where ``stop`` or a power cut breaks it
    off, the next call goes on, the listener's a second later.

    Parameters
    ----------
    shop : Shop
        An open shop.
    stop : callable
        Whether to leave the rest; asked after each stretch.
    tell : callable
        Takes how many readings of a sensor came out of quarantine so far, after each stretch.
    """
    numbers: dict[str, list[int]] = {}
    for number, sensor in sorted(shop.register.unsettled().items()):
        numbers.setdefault(sensor, []).append(number)
    done: list[Settled] = []
    for sensor, events in sorted(numbers.items()):
        done.append(_follow(shop, sensor, events, stop, tell))
        if not done[-1].is_done:
            break
    return sensors.total(done)


def _follow(
    shop: Shop, sensor: str, events: list[int], stop: Callable[[], bool], tell: Callable[[int], None]
) -> Settled:
    """Let the readings of one sensor follow its events, from where the last call stopped."""
    begun = notes.followed(shop.store, sensor, events)
    moved = Settled() if begun else sensors.move(shop, sensor)
    done = Replayed(after=begun[0] if begun else 0, upto=begun[1] if begun else 0, is_done=False)
    while not done.is_done:
        end = time.monotonic() + _STRETCH_S
        more = pipeline.replay(
            shop,
            Which(waits_for=sensors.waits_for(sensor)),
            after=done.after,
            upto=done.upto or None,
            stop=partial(_is_past, end),
        )
        done = replace(more, stored=done.stored + more.stored)
        if not done.is_done:
            notes.keep_followed(shop.store, sensor, events, done.after, done.upto)
            tell(done.stored)
            if stop():
                return replace(moved, came=done.stored, is_done=False)
    shop.register.settle(*events)
    shop.store.forget(notes.FOLLOWING + sensor)
    return replace(moved, came=done.stored)


def _is_past(end: float) -> bool:
    return time.monotonic() > end


def check_timber(shop: Shop, timber: Timber) -> None:
    """Refuse a timber whose wood or use the shop does not know, or whose sizes can't be meant."""
    shop.woods.species.get(timber.species)
    shop.woods.use_classes.get(timber.use_class)
    _refuse_mixed_units(timber)
    findings = plausible.of_timber(timber)
    if any(each.level is Level.IMPOSSIBLE for each in findings):
        raise OutOfRange("this can't be:", plausibility.words(shop, findings))


def _refuse_unlikely(shop: Shop, timber: Timber, *more: Finding) -> None:
    if findings := (*plausible.of_timber(timber), *more):
        raise Unlikely(plausibility.words(shop, findings))


def _refuse_mixed_units(timber: Timber) -> None:
    """Refuse a finished size typed in another unit than the green one: 6 x 6 mm out of 8 x 8 in."""
    green, wanted = timber.section, timber.finished
    if wanted.width_mm < green.width_mm / 10 and wanted.depth_mm < green.depth_mm / 10:
        raise OutOfRange(
            "the finished size",
            f"of {wanted.width_mm:g} x {wanted.depth_mm:g} mm is under a tenth of the green "
            f"{green.width_mm:.0f} x {green.depth_mm:.0f} mm; write the unit, for instance 6 x 6 in",
        )
