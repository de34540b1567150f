"""Timbers announced to home automation, if the shop wants it: a retained JSON on PREFIX/sensor/ID/config.

The open discovery convention of MQTT: whoever reads it shows core, mean, verdict and date of each timber by
itself, out of the verdict's own retained message. Off until a prefix is set; then nothing else of the shop is
said than what the verdict's topic says. What is no longer announced is taken away by an empty message.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from baulk.ingest.errors import StoreError
from baulk.ingest.shop import Shop
from baulk.ingest.wire import topics

KEY: Final = "announced"
_COMPONENT: Final = "sensor"


@dataclass(frozen=True, slots=True, kw_only=True)
class Entity:
    """One value of a timber that is announced.

    Parameters
    ----------
    name : str
        As a person reads it.
    template : str
        Where it stands in the verdict's message.
    extra : dict
        Further keys of the convention.
    """

    name: str
    template: str
    extra: dict[str, str]


ENTITIES: Final = {
    "core": Entity(
        name="Core",
        template="{{ value_json.core_now_pct.median }}",
        extra={"unit_of_measurement": "%", "state_class": "measurement"},
    ),
    "mean": Entity(
        name="Mean",
        template="{{ value_json.mean_now_pct.median }}",
        extra={"unit_of_measurement": "%", "state_class": "measurement"},
    ),
    "verdict": Entity(name="Verdict", template="{{ value_json.step }}", extra={}),
    "square": Entity(
        name="Square from", template="{{ value_json.dates.square }}", extra={"device_class": "timestamp"}
    ),
}


def wanted(shop: Shop) -> dict[str, bytes]:
    """Return every announcement that should stand, by its topic; none without a prefix.

    Parameters
    ----------
    shop : Shop
        An open shop.
    """
    prefix = shop.config.announce.prefix
    if prefix is None:
        return {}
    standing = {timber.tag for timber in shop.register.list()}
    return {
        topic_of(prefix, shop.config.slug, tag, what): json.dumps(_config(shop, tag, what)).encode()
        for tag in sorted(standing & shop.store.evaluated().keys())
        for what in ENTITIES
    }


def topic_of(prefix: str, slug: str, tag: str, what: str) -> str:
    """Return the topic on which one value of a timber is announced."""
    return f"{prefix}/{_COMPONENT}/{_identity(slug, tag, what)}/config"


def changes(shop: Shop, said: dict[str, bytes]) -> Iterator[tuple[str, bytes]]:
    """Give what has to be published, an empty payload to take an announcement away.

    Parameters
    ----------
    shop : Shop
        An open shop.
    said : dict
        What this connection has published already, by topic; it is brought up to date.
    """
    now = wanted(shop)
    try:
        before = set(json.loads(shop.store.noted(KEY) or b"[]"))
    except (ValueError, TypeError):
        before = set()
    if before != now.keys():
        try:  # first, so that what is announced can always be taken away again
            shop.store.note(KEY, json.dumps(sorted(before | now.keys())).encode())
        except StoreError:
            return
    for topic in sorted((before | said.keys()) - now.keys()):
        said.pop(topic, None)
        yield topic, b""
    for topic, payload in now.items():
        if said.get(topic) != payload:
            said[topic] = payload
            yield topic, payload
    if before != now.keys():
        shop.store.note(KEY, json.dumps(sorted(now)).encode())


def _config(shop: Shop, tag: str, what: str) -> dict[str, Any]:
    slug, entity = shop.config.slug, ENTITIES[what]
    state = topics.verdict(tag, slug)
    return {
        "name": entity.name,
        "unique_id": _identity(slug, tag, what),
        "state_topic": state,
        "value_template": entity.template,
        "availability_topic": topics.status("1", slug),
        "payload_available": "online",
        "payload_not_available": "offline",
        "device": {"identifiers": [_identity(slug, tag, "timber")], "name": f"{shop.config.shop.name} {tag}"},
        **entity.extra,
    }


def _identity(slug: str, tag: str, what: str) -> str:
    """Name one value; the convention takes letters, digits, dashes and underscores."""
    plain = re.sub(r"[^A-Za-z0-9_-]", lambda found: f"_{ord(found[0]):x}_", tag)
    return f"baulk-{slug}-{plain}-{what}"
