"""What a message holds and where it goes: to be stored, entered, or put aside with the reason."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from baulk.ingest import checks, known_places, plausibility, weather_ahead, wire
from baulk.ingest import sensors as ingest_sensors
from baulk.ingest.errors import WireError
from baulk.ingest.shop import Shop
from baulk.ingest.store.rejected import Cause, Rejected
from baulk.ingest.wire import topics
from baulk.ingest.wire.message import RawMessage, Told
from baulk.models.errors import OutOfRange
from baulk.models.quantity import Owner
from baulk.models.reading import Reading
from baulk.models.timber import Event

_SHOWN: Final = 3  # problems of one message that its reason spells out


@dataclass(slots=True, kw_only=True)  # not frozen: one is made for each message
class Routed:
    """What becomes of one message.

    Parameters
    ----------
    readings : tuple of Reading
        To be stored.
    reason : str or None
        Why it goes to quarantine as well.
    cause : Cause
        What kind of trouble that is.
    waits_for : str or None
        The unknown tag, if that is all that is wrong.
    told : tuple of Told
        What it says of the device itself.
    event : Event or None
        To be entered, which may fail.
    weather : Issue or None
        Of the coming days, to be kept for plans.
    """

    readings: tuple[Reading, ...] = ()
    reason: str | None = None
    cause: Cause = Cause.NOT_UNDERSTOOD
    waits_for: str | None = None
    told: tuple[Told, ...] = ()
    event: Event | None = None
    weather: weather_ahead.Issue | None = None

    def rejected(self, raw: RawMessage) -> Rejected | None:
        """Return what goes to quarantine, if anything does."""
        if self.reason is None:
            return None
        return Rejected(raw=raw, reason=self.reason, cause=self.cause, waits_for=self.waits_for)


def route(
    raw: RawMessage, shop: Shop, tags: frozenset[str], sensors: ingest_sensors.Sensors | None = None
) -> Routed:
    """Decide what of a message can be stored and why the rest can't."""
    try:
        if weather := _weather(raw, shop):
            return weather
        decoded = ingest_sensors.set_aside(raw) or wire.understand(
            raw, slug=shop.config.slug, sources=shop.config.source
        )
    except Exception as err:  # noqa: BLE001 - a mistake of ours must not lose the message
        return _not_read(err)
    if decoded.event is not None:
        return _of_event(shop, decoded.event, tags)
    problems = list(decoded.problems)
    cause = Cause.NOT_UNDERSTOOD if problems else Cause.IMPOSSIBLE
    possible = []
    for reading in decoded.readings:
        if why := checks.impossible(reading):
            problems.append(why)
        else:
            possible.append(reading)
    sensors = sensors or ingest_sensors.Sensors(shop)
    possible, unassigned = sensors.assign(possible)
    if any(one.series.name not in tags and one.series.owner is Owner.TIMBER for one in possible):
        possible = shop.store.names().readings(possible)
    possible, has_air = _of_timbers(possible, shop, tags, problems)
    if unassigned is not None:
        why = ingest_sensors.why_not_words(unassigned, sensors.known, zone=shop.config.zone)
        reason = "; ".join([why, *problems][:_SHOWN])
        return Routed(
            readings=tuple(possible),
            reason=reason,
            cause=Cause.UNPLACED_SENSOR,
            waits_for=ingest_sensors.waits_for(unassigned),
        )
    if (waiting := _waiting(possible, shop, tags, problems, has_air=has_air)) is not None:
        return waiting
    return Routed(readings=tuple(possible), reason=_reason(problems), cause=cause, told=decoded.told)


def _not_read(err: Exception) -> Routed:
    if isinstance(err, WireError | OutOfRange):
        return Routed(reason=str(err))
    reason = f"Baulk itself failed on this message, please report it: {err!r}"
    return Routed(reason=reason, cause=Cause.PROGRAM)


def _weather(raw: RawMessage, shop: Shop) -> Routed | None:
    if raw.topic != topics.weather_ahead(shop.config.slug):
        return None
    return Routed(weather=weather_ahead.read_message(raw))


def _waiting(
    possible: Sequence[Reading], shop: Shop, tags: frozenset[str], problems: list[str], *, has_air: bool
) -> Routed | None:
    """Say what waits for a timber or a place that nobody entered, and what of the message does not."""
    unknown = [
        one.series.name
        for one in possible
        if one.series.name not in tags and one.series.owner is Owner.TIMBER
    ]
    if unknown:
        first = min(unknown)
        stored = tuple(one for one in possible if one.series.name not in unknown)
        reason = "; ".join([not_entered(first), *problems][:_SHOWN])
        return Routed(readings=stored, reason=reason, cause=Cause.UNKNOWN_TIMBER, waits_for=first)
    if has_air:
        places = known_places.names(shop)
        if nowhere := {one.series.name for one in possible if one.series.owner is Owner.AIR} - places:
            first = min(nowhere)
            return Routed(
                readings=tuple(
                    one
                    for one in possible
                    if one.series.owner is not Owner.AIR or one.series.name not in nowhere
                ),
                reason="; ".join([known_places.not_entered(first), *problems][:_SHOWN]),
                cause=Cause.UNKNOWN_PLACE,
                waits_for=known_places.waits_for(first),
            )
    return None


def _of_event(shop: Shop, event: Event, tags: frozenset[str]) -> Routed:
    if event.tag in tags:
        return Routed(event=event)
    if (now := shop.store.names().now(event.tag)) in tags:
        return Routed(event=replace(event, tag=now))
    return Routed(reason=not_entered(event.tag), cause=Cause.UNKNOWN_TIMBER, waits_for=event.tag)


def _of_timbers(
    readings: Iterable[Reading], shop: Shop, tags: frozenset[str], problems: list[str]
) -> tuple[list[Reading], bool]:
    """Give what can be of its timber, and whether there is any of air; say what can't be.

    What is older than the arrival of its timber is flagged.
    """
    found, has_air = [], False
    name, known = "", None  # of the timber that is spoken of, nearly always one in a message
    for one in readings:
        if one.series.owner is Owner.TIMBER:
            if one.series.name != name:
                name = one.series.name
                known = plausibility.known(shop, name) if name in tags else None
            if known is not None and not known.fits(one):
                why, early = plausibility.of_message(shop, known, one)
                if why is not None:
                    problems.append(why)
                    continue
                found.append(replace(one, flags=(*one.flags, plausibility.BEFORE_ARRIVAL)) if early else one)
                continue
        else:
            has_air = True
        found.append(one)
    return found, has_air


def not_entered(tag: str) -> str:
    """Say that a tag is unknown; no likely name is looked for, since a flood of tags would pay for each."""
    return f"no timber called {tag!r}; enter it, or put the tag right at its sensor"


def _reason(problems: list[str]) -> str | None:
    if not problems:
        return None
    more = f"; and {len(problems) - _SHOWN} more" if len(problems) > _SHOWN else ""
    return "; ".join(problems[:_SHOWN]) + more
