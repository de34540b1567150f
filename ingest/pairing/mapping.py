"""A mapping tried on the last messages, saved with what was kept of its sensor, and taken back whole."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from baulk.ingest import decode_again, known_places, pipeline, routing
from baulk.ingest import shop as shops
from baulk.ingest.config import Config
from baulk.ingest.errors import Unlikely
from baulk.ingest.pairing import asked
from baulk.ingest.shop import Shop
from baulk.ingest.store import mappings
from baulk.ingest.store.mappings import Mapping
from baulk.ingest.wire import topics
from baulk.ingest.wire.message import RawMessage
from baulk.ingest.wire.source import Source
from baulk.models.errors import NotFound
from baulk.models.reading import Reading

MOST_TAKEN: Final = 50  # messages heard before that come in with the mapping
SHOWN: Final = 5  # last messages that are shown as they are read
LOOKED_AT: Final = 20_000  # newest messages of the log among which those of a sensor are looked for


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """A message as a mapping reads it.

    Parameters
    ----------
    raw : RawMessage
        The message.
    readings : tuple of Reading
        What it says.
    problem : str or None
        What can't be read or stored, in one sentence.
    """

    raw: RawMessage
    readings: tuple[Reading, ...]
    problem: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Saved:
    """What saving a mapping did.

    Parameters
    ----------
    mapping : Mapping
        As it is kept.
    readings : tuple of Reading
        Those of the messages heard before.
    again : Report or None
        What came of decoding again what was kept; None where nothing could have been.
    """

    mapping: Mapping
    readings: tuple[Reading, ...] = ()
    again: decode_again.Report | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Came:
    """What came in with new mappings of a topic.

    Parameters
    ----------
    readings : tuple of Reading
        Those of the messages heard while pairing.
    again : Report or None
        What came of decoding again what was kept; None where nothing could have been.
    """

    readings: tuple[Reading, ...] = ()
    again: decode_again.Report | None = None

    @property
    def count(self) -> int:
        """How many readings came in or were changed."""
        again = 0 if self.again is None else self.again.added + self.again.changed
        return len(self.readings) + again


def trial(shop: Shop, source: Source | None, raws: Sequence[RawMessage]) -> list[Trial]:
    """Read messages by a mapping; nothing is stored.

    Parameters
    ----------
    shop : Shop
        An open shop, whose timbers, places and sensors are asked.
    source : Source or None
        The mapping; None for all that hold now.
    raws : sequence of RawMessage
        Messages whose topics fit it.
    """
    alone = shop if source is None else replace(shop, config=_by(shop, (source,)))
    tags = frozenset(shop.register.tags())
    found = []
    for raw in raws:
        # the last message that the broker kept for new subscribers shows as well as any how it is read
        one = routing.route(replace(raw, retained=False), alone, tags)
        found.append(Trial(raw=raw, readings=one.readings, problem=one.reason))
    return found


def kept(shop: Shop, pattern: str, *, most: int = SHOWN) -> list[RawMessage]:
    """Return the last messages on the topics of a filter, oldest first: heard while pairing, else kept.

    Parameters
    ----------
    shop : Shop
        An open shop.
    pattern : str
        The filter.
    most : int
        At most so many.
    """
    heard = asked.heard(shop.store).of(pattern)
    return heard[-most:] or preview(shop, pattern, most=most)


def preview(shop: Shop, pattern: str, *, most: int = SHOWN) -> list[RawMessage]:
    """Return the last messages that the log has on the topics of a filter, oldest first.

    However much the log holds, only its newest part is gone through; saving decodes all of it again.
    """
    return shop.store.raw.last(lambda topic: topics.matches(pattern, topic), count=most, within=LOOKED_AT)


def refuse_unknown(shop: Shop, source: Source) -> None:
    """Refuse a mapping to a timber or a place that nobody entered: a slip of the pen would make a new one.

    Raises
    ------
    Unlikely
        With the nearest that are known.
    """
    if source.place is not None and "{" not in source.place:
        try:
            known_places.refuse_new(shop, source.place)
        except Unlikely as err:
            raise Unlikely(str(err)) from err
    if source.tag is not None and "{" not in source.tag and not shop.register.has(source.tag):
        raise Unlikely(
            f"{NotFound('timber', source.tag, shop.register.tags())}; what comes would wait for it"
        )


def save(  # noqa: PLR0913 - what, when, who
    shop: Shop,
    source: Source,
    *,
    now_utc: datetime,
    by: str = "",
    note: str = "",
    heard: Sequence[RawMessage] = (),
) -> Saved:
    """Keep a mapping, take in what was heard on its topics, and decode again what was kept of them.

    Parameters
    ----------
    shop : Shop
        An open shop.
    source : Source
        The mapping.
    now_utc : datetime
        Now, with a time zone.
    by, note : str
        Who made it, and free words.
    heard : sequence of RawMessage
        Messages heard while it was made; a retained one is not news, as ever.

    Raises
    ------
    MappingError
        If the same one is in force already.
    """
    kept_before = was_kept(shop, source.topic)
    made = mappings.add(shop.store, source, now_utc=now_utc, by=by, note=note)
    came = bring_in(shop, source.topic, now_utc=now_utc, heard=heard, kept_before=kept_before)
    return Saved(mapping=made, readings=came.readings, again=came.again)


def take_back(shop: Shop, saved: Saved, *, now_utc: datetime, by: str = "") -> None:
    """Take back a mapping just saved with all that it brought in."""
    mappings.undo(shop.store, saved.mapping.number, now_utc=now_utc, by=by)
    take_out(shop, Came(readings=saved.readings, again=saved.again))


def bring_in(  # noqa: PLR0913 - which, when, of what
    shop: Shop,
    topic: str,
    *,
    now_utc: datetime,
    heard: Sequence[RawMessage] = (),
    kept_before: bool,
    since: datetime | None = None,
) -> Came:
    """Take in what was heard on the topics of new mappings, and decode again what was kept of them.

    Parameters
    ----------
    shop : Shop
        An open shop; its mappings are read anew.
    topic : str
        The filter.
    now_utc : datetime
        Now, with a time zone.
    heard : sequence of RawMessage
        Messages heard while pairing; a retained one is not news, as ever.
    kept_before : bool
        What `was_kept` said before the mappings were made.
    since : datetime, optional
        Only messages that arrived later.
    """
    now = shops.read_mappings(shop)
    raws = [one for one in heard if not one.cut and topics.matches(topic, one.topic)]
    raws = [one for one in raws if since is None or one.arrived_utc > since][-MOST_TAKEN:]
    tags = frozenset(now.register.tags())
    readings = tuple(one for raw in raws for one in routing.route(raw, now, tags).readings)
    if raws:
        pipeline.handle_batch(raws, now)
    if not kept_before:
        return Came(readings=readings)
    after = None if since is None else since + timedelta(microseconds=1)
    return Came(readings=readings, again=decode_again.put_right(now, now_utc, since=after, topic=topic))


def take_out(shop: Shop, came: Came) -> None:
    """Take out again what `bring_in` brought."""
    if came.again is not None and came.again.number is not None:
        decode_again.undo(shop, came.again.number)
    keys = {(one.series, one.taken_utc): one for one in came.readings}
    stored = [
        one
        for owner, name in sorted({(each.series.owner, each.series.name) for each in came.readings})
        for one in shop.store.readings(owner, name)
        if (mine := keys.get((one.series, one.taken_utc))) and mine.value == one.value
    ]
    if stored:
        shop.store.reattribute(stored, ())


def _by(shop: Shop, sources: tuple[Source, ...]) -> Config:
    return shop.config.model_copy(update={"source": sources})


def was_kept(shop: Shop, pattern: str) -> bool:
    """Whether the listener has ever listened to any topic of a filter."""
    before = (topics.own_filter(shop.config.slug), *(one.topic for one in shop.config.source))
    former = (one.source.topic for one in mappings.all_of(shop.store, undone=True))
    return any(topics.overlap(one, pattern) for one in (*before, *former))
