"""A sensor put in the place of another: it goes on with the series that the old one fed."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from baulk.ingest import decode_again, devices, operations
from baulk.ingest import shop as shops
from baulk.ingest.errors import MappingError
from baulk.ingest.pairing import asked, mapping
from baulk.ingest.pairing.mapping import Came
from baulk.ingest.register.events import Attachment
from baulk.ingest.shop import Shop
from baulk.ingest.store import mappings
from baulk.ingest.store.mappings import Mapping
from baulk.ingest.wire import topics
from baulk.models.errors import BaulkError, NotFound
from baulk.models.timber import Event, EventKind

_NAMED: Final = "sensor or mapped topic"


@dataclass(frozen=True, slots=True, kw_only=True)
class Replaced:
    """What the new sensor goes on with.

    Parameters
    ----------
    old, new : str
        Names of sensors, or topics.
    tag : str or None
        The timber on which it takes the old one's place.
    mappings : tuple of Mapping
        Those of the new topic; the old one's are taken back.
    events : tuple of int
        Numbers of the events that it took, in the order in which they were entered.
    ended : tuple of int
        Numbers of the old topic's mappings.
    came : Came
        What was heard and kept of the new topic, which came in with its mappings.
    since_utc : datetime or None
        From when on messages of the old topic were set aside; None where they stay.
    """

    old: str
    new: str
    tag: str | None = None
    mappings: tuple[Mapping, ...] = ()
    events: tuple[int, ...] = ()
    ended: tuple[int, ...] = ()
    came: Came = field(default_factory=Came)
    since_utc: datetime | None = None


def can_be_replaced(shop: Shop, now_utc: datetime) -> list[str]:
    """Give the sensors that are on a timber now, and the topics that people mapped.

    Parameters
    ----------
    shop : Shop
        An open shop, only read.
    now_utc : datetime
        Now, with a time zone.
    """
    on = shop.register.attachments()
    names = [name for name in sorted(on.steps) if on.find(name, now_utc) is not None]
    return [*names, *dict.fromkeys(one.source.topic for one in mappings.all_of(shop.store))]


def can_replace(shop: Shop, old: str, now_utc: datetime) -> list[str]:
    """Give what is known and could go on in place of a sensor.

    Parameters
    ----------
    shop : Shop
        An open shop, only read.
    old : str
        One of `can_be_replaced`.
    now_utc : datetime
        Now, with a time zone.

    Returns
    -------
    list of str
        In place of a sensor that moves: names that have an account or have spoken, and are on no timber. In
        place of a topic: those that were heard while pairing, or wait in quarantine, and are not read yet.
    """
    slug, on = shop.config.slug, shop.register.attachments()
    waiting = [one.sender for one in shop.store.quarantine_groups()]
    if on.find(old, now_utc) is not None:
        own = (topics.target(sender, slug) for sender in waiting)
        named = {one.sensor for one in own if one is not None and one.sensor}
        enrolled = {one.name for one in devices.enrolled(shop) if one.revoked_utc is None}
        return sorted(one for one in named | enrolled | set(on.steps) if on.find(one, now_utc) is None)
    heard = [one.topic for one in asked.heard(shop.store).messages]
    read = [one.topic for one in shop.config.source]
    return sorted(
        one
        for one in {*heard, *waiting}
        if topics.target(one, slug) is None
        and not topics.is_answer(one, slug)
        and not any(topics.matches(each, one) for each in read)
    )


def replace(  # noqa: PLR0913 - which, when, who
    shop: Shop,
    old: str,
    new: str,
    *,
    now_utc: datetime,
    at_utc: datetime | None = None,
    by: str = "",
    note: str = "",
) -> Replaced:
    """Let a sensor go on with the series of another.

    Of sensors that move the new one is attached where the old one is, at the same depth, face and distance
    from an end. Of mapped topics each mapping of the old one is made anew for the new one and taken back
    for the old; what was heard and kept of the new one since it took over is read by them, and what the
    old one sent after the moment that was named waits in quarantine. A series is named by timber or place,
    so what comes joins what was there.

    Parameters
    ----------
    shop : Shop
        An open shop.
    old, new : str
        Names of sensors that move, or topics of mappings that people made.
    now_utc : datetime
        Now, with a time zone.
    at_utc : datetime, optional
        When it was replaced; left out: now, and of mapped topics with the old one's last message, for
        what the new one sent before that it sent from somewhere else.
    by, note : str
        Who did it, and free words.

    Raises
    ------
    NotFound
        If the old one is on no timber and no mapping has its topic.
    MappingError
        If both are the same, or the mapping of the old one stands in baulk.toml.
    """
    if old == new:
        raise MappingError(f"{old} can't replace itself; name the new sensor second")
    moment = now_utc if at_utc is None else at_utc
    there = shop.register.attachments().find(old, moment)
    if there is not None:
        return _moved(shop, there, new, now_utc=now_utc, at_utc=moment, by=by, note=note)
    return _mapped(shop, old, new, now_utc=now_utc, at_utc=at_utc, by=by, note=note)


def take_back(shop: Shop, done: Replaced, *, now_utc: datetime, by: str = "") -> None:
    """Let the old sensor go on as before; what the new one has sent goes back to where it was.

    Parameters
    ----------
    shop : Shop
        An open shop.
    done : Replaced
        What `replace` returned.
    now_utc : datetime
        Now, with a time zone.
    by : str
        Who takes it back.

    Raises
    ------
    BaulkError
        If one of its events or mappings was taken back already.
    """
    mapping.take_out(shop, done.came)
    for number in reversed(done.events):
        operations.undo(shop, number, by=by, now_utc=now_utc)
    for one in done.mappings:
        mappings.undo(shop.store, one.number, now_utc=now_utc, by=by)
    for number in done.ended:
        mappings.redo(shop.store, number)
    if done.since_utc is not None:
        mapping.bring_in(shop, done.old, now_utc=now_utc, kept_before=True, since=done.since_utc)


def _moved(  # noqa: PLR0913 - which, when, who
    shop: Shop, there: Attachment, new: str, *, now_utc: datetime, at_utc: datetime, by: str, note: str
) -> Replaced:
    """Take the old one off and put the new one there; where it can't be put there, the old one stays."""
    held = shop.register.attachments().find(new, at_utc)
    if held is not None:
        raise MappingError(f"{new} is on {held.tag}; take it off there first, or name another sensor")
    old = there.sensor
    off, _ = operations.add_event(
        shop,
        Event(
            tag=there.tag,
            kind=EventKind.SENSOR_DETACHED,
            at_utc=at_utc,
            noted_utc=now_utc,
            detail={"sensor": old},
            by=by,
            note=note or f"replaced by {new}",
        ),
    )
    try:
        on, _ = operations.attach_sensor(
            shop,
            new,
            there.tag,
            now_utc=now_utc,
            at_utc=at_utc,
            depth_mm=there.depth_mm,
            face=there.face,
            from_end_mm=there.from_end_mm,
            by=by,
            note=note or f"in place of {old}",
            sure=True,  # the old one was there as it was
        )
    except BaulkError:
        operations.undo(shop, off.number, by=by, now_utc=now_utc)
        raise
    return Replaced(old=old, new=new, tag=there.tag, events=(off.number, on.number))


def _mapped(  # noqa: PLR0913 - which, when, who
    shop: Shop, old: str, new: str, *, now_utc: datetime, at_utc: datetime | None, by: str, note: str
) -> Replaced:
    known = mappings.all_of(shop.store)
    mine = [one for one in known if one.source.topic == old]
    if not mine:
        if any(topics.matches(one.topic, old) for one in shop.config.source):
            raise MappingError(
                f"{old} is read by a filter for several sensors or by a [[source]] of baulk.toml; "
                f"say there or by `baulk sensor map` what {new} measures"
            )
        names = sorted({*shop.register.attachments().steps, *(one.source.topic for one in known)})
        raise NotFound(_NAMED, old, names)
    if not topics.valid_filter(new):
        raise MappingError(f"{new!r} is not a topic")
    since = _last_word(shop, old) if at_utc is None else at_utc
    heard, kept_before = asked.heard(shop.store).of(new), mapping.was_kept(shop, new)
    made = []
    for one in mine:
        source = mappings.read({**one.body, "topic": new})
        words = note or one.note or f"in place of {old}"
        made.append(mappings.add(shop.store, source, now_utc=now_utc, by=by, note=words))
        mappings.undo(shop.store, one.number, now_utc=now_utc, by=by)
    ended = tuple(one.number for one in mine)
    if at_utc is not None:
        left = shops.read_mappings(shop)
        decode_again.put_right(left, now_utc, since=at_utc, topic=old, unread=True)
    came = mapping.bring_in(shop, new, now_utc=now_utc, heard=heard, kept_before=kept_before, since=since)
    return Replaced(old=old, new=new, mappings=tuple(made), ended=ended, came=came, since_utc=at_utc)


def _last_word(shop: Shop, topic: str) -> datetime | None:
    """Return when the last message of a topic arrived that the log still has near its end."""
    found = mapping.preview(shop, topic, most=1)
    return found[-1].arrived_utc if found else None
