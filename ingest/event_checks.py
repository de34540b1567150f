"""What speaks against an event before it is entered: said by a person, a file or a message."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from baulk.ingest import plausibility, sensors, wire
from baulk.ingest.errors import RegisterError, Unlikely
from baulk.ingest.register import event_rules
from baulk.ingest.register.events import Attachment
from baulk.ingest.shop import Shop
from baulk.ingest.store.rejected import Which
from baulk.ingest.wire.senml import NO_DEPTH_MM
from baulk.models import plausible, text
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.plausible import Level
from baulk.models.quantity import AT_DEPTH
from baulk.models.reading import sensor_of
from baulk.models.reason import Reason
from baulk.models.timber import AFTER, BEFORE, Event, EventKind

_LOOKED_AT: Final = 20  # messages that wait for a sensor, the newest: its kind does not change


def refuse_numbers(shop: Shop, event: Event, *, sure: bool) -> None:
    """Refuse numbers that can't be, and ask about those that can hardly be meant or stand there already.

    Parameters
    ----------
    shop : Shop
        An open shop.
    event : Event
        As understood.
    sure : bool
        Whether somebody said that it is right.

    Raises
    ------
    OutOfRange, NotFound
        If its numbers can't be, or nobody entered its timber.
    Unlikely
        If they can hardly be meant, or the very same was noted within half an hour.
    """
    findings = plausibility.of_event(shop, event)
    if any(each.level is Level.IMPOSSIBLE for each in findings):
        raise OutOfRange("this can't be:", plausibility.words(shop, findings))
    if not sure:
        _refuse_entered_twice(shop, event)
        _refuse_out_of_order(shop, event)
        if findings:
            raise Unlikely(plausibility.words(shop, findings))


def _refuse_entered_twice(shop: Shop, event: Event) -> None:
    """Ask about the last event of its kind once more within half an hour."""
    before = [one for one in shop.register.events(event.tag, kind=event.kind) if one.at_utc <= event.at_utc]
    if not before or "sensor" in event.detail or event.at_utc - before[-1].at_utc >= plausible.TWICE:
        return
    if event_rules.says_the_same(event, before[-1]):
        at = before[-1].at_utc.astimezone(shop.config.zone)
        raise Unlikely(
            f"The same is noted of {before[-1].tag} at {at:%Y-%m-%d %H:%M} already (number "
            f"{before[-1].number}). Was it entered twice?"
        )


def _refuse_out_of_order(shop: Shop, event: Event) -> None:
    """Ask about a stage of a piece that comes before one that comes first, or after one that comes later."""
    if event.kind not in BEFORE:
        return
    noted = [one for one in shop.register.events(event.tag) if one.counts and one.kind in BEFORE]
    late = [one for one in noted if one.kind in AFTER[event.kind] and one.at_utc < event.at_utc]
    if late:
        first = min(late, key=lambda one: one.at_utc)
        raise Unlikely(
            f"{first.tag} is noted as {first.kind.value} at "
            f"{first.at_utc.astimezone(shop.config.zone):%Y-%m-%d %H:%M} (number {first.number}), and it is "
            f"{event.kind.value} before that. Is the day right?"
        )
    there = {one.kind for one in noted if one.at_utc <= event.at_utc}
    missing = [kind.value for kind in BEFORE[event.kind] if kind not in there]
    if missing:
        raise Unlikely(
            f"{event.tag} is not noted as {' or '.join(missing)} before that day, and it is "
            f"{' and '.join(missing)} before it is {event.kind.value}. Was that left out?"
        )


def refuse_taken_off(shop: Shop, event: Event) -> None:
    """Refuse to take a sensor off another timber in silence."""
    sensor = str(event.detail["sensor"]).strip()
    on = shop.register.attached(sensor, event.at_utc)
    if on is not None and on.tag.lower() != event.tag.strip().lower():
        since = on.since_utc.astimezone(shop.config.zone)
        raise Unlikely(f"sensor {sensor} is on {on.tag} since {since:%Y-%m-%d %H:%M}.", "--move")


def refuse_there(shop: Shop, event: Event) -> None:
    """Refuse to attach a sensor where it is."""
    if event.kind is not EventKind.SENSOR_ATTACHED:
        return
    on = shop.register.attached(str(event.detail["sensor"]).strip(), event.at_utc)
    if on is not None and on.tag.lower() == event.tag.strip().lower() and _as_there(on, event):
        raise RegisterError(
            f"sensor {on.sensor} is there already, on {on.tag} since "
            f"{on.since_utc.astimezone(shop.config.zone):%Y-%m-%d %H:%M} (number {on.number}); "
            "nothing was changed"
        )


def _as_there(on: Attachment, event: Event) -> bool:
    there = (on.depth_mm, on.face and on.face.value, on.from_end_mm)
    return there == tuple(event.detail.get(name) for name in ("depth_mm", "face", "from_end_mm"))


def refuse_without_depth(shop: Shop, event: Event, *, sure: bool) -> None:
    """Refuse pins without the depth that their readings need; ask where nothing tells what it is.

    Parameters
    ----------
    shop : Shop
        An open shop.
    event : Event
        The attaching.
    sure : bool
        Whether somebody said that it is no pair of pins.

    Raises
    ------
    OutOfRange
        If it is a pair of pins.
    Unlikely
        If it may be one: settings, earlier attachings and what waits for it say nothing.
    """
    sensor = str(event.detail["sensor"]).strip()
    if "depth_mm" in event.detail:
        return
    speaking = [
        one
        for one in shop.config.source
        if one.sensor is not None and (one.sensor == sensor or "{" in one.sensor)
    ]
    bare = [one.quantity in AT_DEPTH and one.depth_mm is None for one in speaking]
    named = [is_bare for one, is_bare in zip(speaking, bare, strict=True) if one.sensor == sensor]
    by_settings = any(named) or (bool(bare) and all(bare))
    every = shop.register.events(kind=EventKind.SENSOR_ATTACHED)
    once = ["depth_mm" in one.detail for one in every if one.detail["sensor"] == sensor]
    waiting = _waiting_as_pins(shop, sensor)
    if by_settings or any(once) or any(waiting):
        raise OutOfRange(
            f"sensor {sensor}",
            "is a pair of pins and needs the depth of its tips, for instance --depth '45 mm'",
        )
    told = bool(named or once or waiting) or (bool(bare) and not any(bare))
    if not (sure or told):
        event_rules.checked(
            event, shop.register.get(event.tag), zone=shop.config.zone
        )  # what can't be comes first
        raise Unlikely(
            f"nothing tells yet what sensor {sensor} measures. Pins need the depth of their tips: say it if "
            "these are pins; a scale, a gauge or a thermometer has none."
        )


def _waiting_as_pins(shop: Shop, sensor: str) -> list[bool]:
    """Say of each reading of a sensor that waits in quarantine whether it can't be placed without a depth."""
    found = []
    for row in shop.store.quarantined(_LOOKED_AT, Which(waits_for=sensors.waits_for(sensor))):
        try:
            decoded = sensors.set_aside(row.raw) or wire.understand(
                row.raw, slug=shop.config.slug, sources=shop.config.source
            )
        except BaulkError:
            continue  # it stays in quarantine with its own reason
        found += [
            one.series.depth_mm == NO_DEPTH_MM for one in decoded.readings if sensor_of(one.flags) == sensor
        ]
    return found


def enter_sent(shop: Shop, event: Event, *, confirmed_by: str | None = None, preview: bool = False) -> Event:
    """Enter an event that a message told, once however often the message comes.

    Parameters
    ----------
    shop : Shop
        An open shop.
    event : Event
        Of a kind that no reading follows (`baulk.models.timber.BY_MESSAGE`).
    confirmed_by : str, optional
        Who said that it is right however unlikely it is, which stands in its note from then on.
    preview : bool
        Only say what speaks against it.

    Returns
    -------
    Event
        As it stands in the register, or would in a preview, also where it was entered, or taken back, before.

    Raises
    ------
    Unlikely, OutOfRange, NotFound, RegisterError
        As `refuse_numbers`, or if the register will not have it.
    """
    said = event_rules.checked(event, shop.register.get(event.tag), zone=shop.config.zone)
    for one in shop.register.events(event.tag, undone=True, kind=event.kind):
        if event_rules.is_one(said, one):
            return one
    try:
        refuse_numbers(shop, event, sure=False)
    except Unlikely:
        if confirmed_by is None:
            raise
        confirmed = text.sentence(
            Reason(code="plausible.confirmed", values={"by": confirmed_by.strip()}),
            shop.config.shop.units,
            zone=shop.config.zone,
        )
        event = replace(event, note="; ".join(each for each in (event.note, confirmed) if each))
    return event if preview else shop.register.add_event(event, once=True)
