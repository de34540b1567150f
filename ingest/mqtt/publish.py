"""Verdicts back out: retained, QoS 1, one topic a timber."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from baulk.ingest.evaluation import document_read
from baulk.ingest.monitoring import notices
from baulk.ingest.mqtt import message_schema
from baulk.ingest.shop import Shop
from baulk.ingest.wire import topics

_LONG_AGO: Final = datetime.min.replace(tzinfo=UTC)  # older than any verdict that comes under the tag again
NOTICES: Final = ""  # stands for a tag; no timber has an empty one


@dataclass(frozen=True, slots=True, kw_only=True)
class Outgoing:
    """One retained message.

    Parameters
    ----------
    tag : str
        Of which timber.
    made_utc : datetime
        When its evaluation was made.
    topic : str
        Where it goes.
    payload : bytes
        JSON: tag, made_utc, and the fields of the verdict; nothing takes away what stands there.
    """

    tag: str
    made_utc: datetime
    topic: str
    payload: bytes


def messages(shop: Shop, sent: Mapping[str, datetime] | None = None) -> Iterator[Outgoing]:
    """Give the verdicts that are newer than those sent already."""
    sent = sent or {}
    for tag, made_utc in shop.store.evaluated().items():
        if tag in sent and sent[tag] >= made_utc:
            continue
        stored = shop.store.evaluation(tag)
        if stored is None:
            continue
        body = message_schema.verdict_body(tag, stored[0], document_read.summary_of(stored[1]))
        yield Outgoing(
            tag=tag,
            made_utc=stored[0],
            topic=topics.verdict(tag, shop.config.slug),
            payload=json.dumps(body).encode(),
        )
    yield from _taken_away(shop, sent)
    yield from _notices(shop, sent)


def _taken_away(shop: Shop, sent: Mapping[str, datetime]) -> Iterator[Outgoing]:
    """Take the verdicts away that stand under tags which no timber has any more, once a connection."""
    names = shop.store.names()
    once = {*names.former, *names.undone}
    for tag in sorted(once.difference(shop.register.tags())) if once else ():  # asked after every reading
        if sent.get(tag) != _LONG_AGO:
            yield Outgoing(
                tag=tag, made_utc=_LONG_AGO, topic=topics.verdict(tag, shop.config.slug), payload=b""
            )


def _notices(shop: Shop, sent: Mapping[str, datetime]) -> Iterator[Outgoing]:
    """Give what is open, if any of it has opened, closed or been told since; it has no tag."""
    changed = notices.changed_utc(shop)
    if changed is not None and (NOTICES not in sent or sent[NOTICES] < changed):
        yield Outgoing(
            tag=NOTICES,
            made_utc=changed,
            topic=topics.notices(shop.config.slug),
            payload=notices.published(notices.open_ones(shop), shop.config.shop.units, zone=shop.config.zone),
        )
