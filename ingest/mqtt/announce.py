"""Timbers and rooms announced to home automation, if the shop wants it, by JSON on PREFIX/sensor/ID/config.

The open discovery convention of MQTT: whoever reads these retained messages shows core, mean, verdict and
date of each timber and the window of each room's humidity by itself, out of the retained messages of verdict
and air plan. Off until a prefix is set; then nothing else of the shop is said than what those topics say.
What is no longer announced is taken away by an empty message.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from baulk.ingest.errors import StoreError
from baulk.ingest.mqtt import publish_plan
from baulk.ingest.shop import Shop
from baulk.ingest.store import air_answers
from baulk.ingest.wire import topics
from baulk.ingest.wire.message import MOST_LISTENERS

KEY: Final = "announced"
_COMPONENT: Final = "sensor"


@dataclass(frozen=True, slots=True, kw_only=True)
class Entity:
    """One value of a timber or a room that is announced.

    Parameters
    ----------
    name : str
        As a person reads it.
    template : str
        Where it stands in the message.
    extra : dict
        Further keys of the convention.
    """

    name: str
    template: str
    extra: dict[str, str | int]


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
# Without word it is taken as unknown once the plan has lapsed (`expire_after`, as its documentation has it).
_HUMIDITY: Final[dict[str, str | int]] = {
    "unit_of_measurement": "%",
    "device_class": "humidity",
    "expire_after": int(publish_plan.STANDS.total_seconds()),
}
AIR: Final = {
    "humidity-low": Entity(name="Humidity from", template="{{ value_json.low_pct }}", extra=_HUMIDITY),
    "humidity-high": Entity(name="Humidity to", template="{{ value_json.high_pct }}", extra=_HUMIDITY),
}
_TOLD: Final = {"timber": ENTITIES, "air": AIR}


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
    timbers = sorted(standing & shop.store.evaluated().keys())
    rooms = sorted(air_answers.all_of(shop.store))
    return {
        topic_of(prefix, shop.config.slug, name, what): json.dumps(_config(shop, kind, name, what)).encode()
        for kind, names in (("timber", timbers), ("air", rooms))
        for name in names
        for what in _TOLD[kind]
    }


def topic_of(prefix: str, slug: str, name: str, what: str) -> str:
    """Return the topic on which one value of a timber or a room is announced."""
    return f"{prefix}/{_COMPONENT}/{_identity(slug, name, what)}/config"


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


def _config(shop: Shop, kind: str, name: str, what: str) -> dict[str, Any]:
    slug, entity = shop.config.slug, _TOLD[kind][what]
    return {
        "name": entity.name,
        "unique_id": _identity(slug, name, what),
        "state_topic": topics.verdict(name, slug) if kind == "timber" else topics.plan(name, slug),
        "value_template": entity.template,
        "availability": [
            {
                "topic": topics.status(str(number), slug),
                "payload_available": "online",
                "payload_not_available": "offline",
            }
            for number in range(1, (MOST_LISTENERS if shop.config.broker.share else 1) + 1)
        ],
        "availability_mode": "any",  # one that was never started says nothing
        "device": {"identifiers": [_identity(slug, name, kind)], "name": f"{shop.config.shop.name} {name}"},
        **entity.extra,
    }


def _identity(slug: str, name: str, what: str) -> str:
    """Name one value; the convention takes letters, digits, dashes and underscores."""
    plain = re.sub(r"[^A-Za-z0-9_-]", lambda found: f"_{ord(found[0]):x}_", name)
    return f"baulk-{slug}-{plain}-{what}"
