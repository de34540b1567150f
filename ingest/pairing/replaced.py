"""A sensor put in the place of another: it goes on with the series that the old one fed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from baulk.ingest import operations
from baulk.ingest.errors import MappingError
from baulk.ingest.shop import Shop
from baulk.ingest.store import mappings
from baulk.ingest.store.mappings import Mapping
from baulk.ingest.wire import topics
from baulk.models.errors import NotFound
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
    """

    old: str
    new: str
    tag: str | None = None
    mappings: tuple[Mapping, ...] = ()


def replace(  # noqa: PLR0913 - which, when, who
    shop: Shop, old: str, new: str, *, now_utc: datetime, at_utc: datetime, by: str = "", note: str = ""
) -> Replaced:
    """Let a sensor go on with the series of another.

    Of sensors that move the new one is attached where the old one is, at the same depth, face and distance
    from an end. Of mapped topics each mapping of the old one is made anew for the new one and taken back
    for the old. A series is named by timber or place, so what comes joins what was there.

    Parameters
    ----------
    shop : Shop
        An open shop.
    old, new : str
        Names of sensors that move, or topics of mappings that people made.
    now_utc, at_utc : datetime
        Now, and when it was replaced.
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
    there = shop.register.attachments().find(old, at_utc)
    if there is not None:
        gone = Event(
            tag=there.tag,
            kind=EventKind.SENSOR_DETACHED,
            at_utc=at_utc,
            noted_utc=now_utc,
            detail={"sensor": old},
            by=by,
            note=note or f"replaced by {new}",
        )
        operations.add_event(shop, gone)
        operations.attach_sensor(
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
        )
        return Replaced(old=old, new=new, tag=there.tag)
    return Replaced(old=old, new=new, mappings=_mapped(shop, old, new, now_utc=now_utc, by=by, note=note))


def _mapped(  # noqa: PLR0913 - which, when, who
    shop: Shop, old: str, new: str, *, now_utc: datetime, by: str, note: str
) -> tuple[Mapping, ...]:
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
    made = []
    for one in mine:
        source = mappings.read({**one.body, "topic": new})
        words = note or one.note or f"in place of {old}"
        made.append(mappings.add(shop.store, source, now_utc=now_utc, by=by, note=words))
        mappings.undo(shop.store, one.number, now_utc=now_utc, by=by)
    return tuple(made)
