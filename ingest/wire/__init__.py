"""What came over the wire, turned into readings. A new format: its file, and its line in `formats`."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Sequence
from functools import lru_cache

from baulk.ingest.errors import WireError
from baulk.ingest.wire import event_message, senml, senml_quick, topics
from baulk.ingest.wire.formats import FORMATS
from baulk.ingest.wire.message import Decoded, RawMessage, Told
from baulk.ingest.wire.source import KeptSource, Source
from baulk.models.reading import Reading

__all__ = ["FORMATS", "Decoded", "RawMessage", "decode", "understand"]

_Reader = Callable[[RawMessage, Source], Decoded]
_target = lru_cache(maxsize=1024)(topics.target)  # the topics of a shop are few and come again and again


def understand(raw: RawMessage, *, slug: str, sources: Sequence[Source] = ()) -> Decoded:
    """Read a message: SenML and events on our own topics, else by every mapping whose filter fits.

    Of several mappings one that fails spoils nothing of the others.

    Raises
    ------
    WireError
        If nothing in it can be read.
    """
    if found := ours(raw.topic, slug):
        return senml_quick.decode(raw, *found)
    if tag := topics.event_tag(raw.topic, slug):
        return event_message.decode(raw, tag)
    if mapped_by := _mapped_by(raw.topic, sources):
        return _together(raw, mapped_by)
    head = f"{topics.ROOT}/{slug}"
    if topics.matches(topics.own_filter(slug), raw.topic):
        raise WireError(
            f"the topic {raw.topic[:120]!r} is none that readings come on; publish to {head}/timber/TAG or "
            f"{head}/air/PLACE, an event to {head}/timber/TAG/event, weather ahead to "
            f"{head}/weather/ahead, with an account of its own to "
            f"{head}/sensor/NAME, or map it by a [[source]] in baulk.toml"
        )
    raise WireError(f"the topic {raw.topic[:120]!r} is neither ours nor that of a [[source]] in baulk.toml")


@lru_cache(maxsize=1024)
def ours(topic: str, slug: str) -> tuple[topics.Target, senml.Asked] | None:
    """Tell what a topic of ours speaks of and how its names are read; None for any other.

    Raises
    ------
    WireError
        If it is that of a sensor with an impossible name.
    """
    target = _target(topic, slug)
    return None if target is None else (target, senml.asked_of(target.sensor))


@lru_cache(maxsize=1024)
def _fits(pattern: str, topic: str) -> bool:
    return topics.matches(pattern, topic)


_is_answer = lru_cache(maxsize=1024)(topics.is_answer)


@lru_cache(maxsize=64)
def _reader(name: str) -> _Reader:
    entry = FORMATS[name]
    found: _Reader = getattr(importlib.import_module(f"{__name__}.{entry.module}"), entry.function)
    return found


def _mapped_by(topic: str, sources: Sequence[Source]) -> list[Source]:
    return [source for source in sources if _fits(source.topic, topic)]


def _together(raw: RawMessage, sources: Sequence[Source]) -> Decoded:
    if len(sources) == 1:
        return _reader(sources[0].format)(raw, sources[0])
    readings: list[Reading] = []
    problems: list[str] = []
    told: list[Told] = []
    old, failed = 0, 0
    for source in sources:
        try:
            found = _reader(source.format)(raw, source)
        except WireError as err:
            problems.append(str(err))
            failed += 1
            continue
        kept = isinstance(source, KeptSource)
        readings += _not_said_yet(found.readings, readings) if kept else found.readings
        problems += found.problems
        told += found.told
        old += found.old
    if failed == len(sources):
        raise WireError("; ".join(dict.fromkeys(problems)))
    return Decoded(
        readings=tuple(readings), problems=tuple(dict.fromkeys(problems)), old=old, told=tuple(told)
    )


def _not_said_yet(mine: Sequence[Reading], before: Sequence[Reading]) -> list[Reading]:
    """Leave out what a mapping of baulk.toml, or an earlier one, has read already: that one wins."""
    known = {one.series for one in before}
    return [one for one in mine if one.series not in known]


def is_ours(topic: str, slug: str) -> bool:
    """Whether readings come on a topic by our own convention, or it is one that we publish to."""
    if topics.event_tag(topic, slug) is not None or topic == topics.weather_ahead(slug):
        return True
    return _target(topic, slug) is not None or _is_answer(topic, slug)


def wanted(topic: str, *, slug: str, sources: Sequence[Source]) -> bool:
    """Whether a topic is under the shop's level, our own answers apart, or some mapping's.

    A subscription may be wider than both.
    """
    if _target(topic, slug) is not None:
        return True
    if _fits(topics.own_filter(slug), topic):
        return not _is_answer(topic, slug)
    return any(_fits(one.topic, topic) for one in sources)


def decode(raw: RawMessage, *, slug: str, sources: Sequence[Source] = ()) -> tuple[Reading, ...]:
    """Read a message and insist that all of it makes sense.

    Raises
    ------
    WireError
        If any record of it can't be read.
    """
    decoded = understand(raw, slug=slug, sources=sources)
    if decoded.problems:
        raise WireError("; ".join(decoded.problems))
    return decoded.readings
