"""What came over the wire, turned into readings. A new format: its function, and its line in `FORMATS`."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from baulk.ingest import topics
from baulk.ingest.errors import WireError
from baulk.ingest.wire import mapped, senml
from baulk.ingest.wire.message import Decoded, RawMessage
from baulk.models.reading import Reading

if TYPE_CHECKING:
    from baulk.ingest.source import Source

__all__ = ["FORMATS", "Decoded", "RawMessage", "decode", "understand"]

FORMATS: Final[Mapping[str, Callable[[RawMessage, Source], Decoded]]] = {
    "plain": mapped.plain,
    "json": mapped.nested,
}


_target = lru_cache(maxsize=1024)(topics.target)  # the topics of a shop are few and come again and again


def understand(raw: RawMessage, *, slug: str, sources: Sequence[Source] = ()) -> Decoded:
    """Read a message: SenML on our own topics, else by the first mapping whose filter fits.

    Raises
    ------
    WireError
        If nothing in it can be read.
    """
    if target := _target(raw.topic, slug):
        return senml.decode(raw, target)
    for source in sources:
        if topics.matches(source.topic, raw.topic):
            return FORMATS[source.format](raw, source)
    raise WireError(f"the topic {raw.topic[:120]!r} is neither ours nor that of a [[source]] in baulk.toml")


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
