"""A room's air plan back out: retained, QoS 1, with an expiry, so that it lapses where nobody renews it.

The listener sends what each night plans; a person may send another one by a command, which then stands until
it lapses. It needs MQTT 5: on an older broker a plan would stand for ever, so none is sent there.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from baulk.ingest.errors import BrokerError
from baulk.ingest.mqtt import connection
from baulk.ingest.shop import Shop
from baulk.ingest.store import air_answers
from baulk.ingest.store.air_answers import AirAnswer, Sent
from baulk.ingest.wire import topics
from baulk.models import text
from baulk.models.reason import Reason
from baulk.models.units import System

WAIT_S: Final = 10.0
EXPIRES: Final = timedelta(hours=24)  # a plan that a person sent must not stand for ever
STANDS: Final = timedelta(hours=48)  # the night's, which the next night replaces; a night may be missed
_AHEAD: Final = timedelta(minutes=10)  # a plan from further ahead: the clock was set back since


def caution(hours: float) -> Reason:
    """Return what to mind with a set-point that lapses so soon. [h]."""
    return Reason(code="caution.set_point", values={"hours": hours})


@dataclass(frozen=True, slots=True, kw_only=True)
class Outgoing:
    """One retained message.

    Parameters
    ----------
    topic : str
        Where it goes.
    payload : bytes
        JSON; empty to take away what stands there.
    lapses_s : int or None
        After how long the broker drops it; None for an empty one. [s]
    """

    topic: str
    payload: bytes
    lapses_s: int | None = None


def payload(answer: AirAnswer, until_utc: datetime, now_utc: datetime, system: System) -> bytes:
    """Write what a machine or a house needs of a plan: what to hold, between which limits, and until when.

    Parameters
    ----------
    answer : AirAnswer
        The week's answer.
    until_utc, now_utc : datetime
        When it lapses, and now; with time zones.
    system : {"inch", "metric"}
        The shop's units, for the sentences.

    Returns
    -------
    bytes
        JSON as `message_schema` has it; without ``set_pct`` where nothing is to be held.
    """
    body = {
        "place": answer.place,
        "made_utc": answer.made_utc.isoformat(),
        "until_utc": until_utc.isoformat(),
        "hold": answer.set_pct is not None,
        "low_pct": answer.low_pct,
        "high_pct": answer.high_pct,
        "low_by": answer.low_by,
        "high_by": answer.high_by,
        "held_c": answer.held_c,
    }
    if answer.set_pct is not None:
        said = caution((until_utc - now_utc).total_seconds() / 3600)
        body |= {
            "set_pct": answer.set_pct,
            "caution": text.sentence(said, system),
            "caution_coded": said.to_json(),
        }
    return json.dumps(body).encode()


def changes(shop: Shop, said: dict[str, datetime], now_utc: datetime) -> Iterator[Outgoing]:
    """Give what has to be published of the rooms' plans, and what has to be taken away.

    Parameters
    ----------
    shop : Shop
        An open shop.
    said : dict
        When the plans were made that this connection has published, by place; it is brought up to date.
    now_utc : datetime
        Now, with a time zone.
    """
    standing = air_answers.sent(shop.store)
    answers = {
        place: one
        for place, one in air_answers.all_of(shop.store).items()
        if now_utc - STANDS < one.made_utc <= now_utc + _AHEAD
    }
    for place, one in answers.items():
        before = standing.get(place)
        is_anothers = before is not None and before.by_hand and before.until_utc > now_utc
        if is_anothers or said.get(place) == one.made_utc:
            continue
        until_utc = one.made_utc + STANDS
        fresh = Sent(made_utc=one.made_utc, until_utc=until_utc)
        if before != fresh:  # first, so that it can always be taken away again
            standing[place] = fresh
            air_answers.keep_sent(shop.store, standing)
        said[place] = one.made_utc
        yield Outgoing(
            topic=topics.plan(place, shop.config.slug),
            payload=payload(one, until_utc, now_utc, shop.config.shop.units),
            lapses_s=max(1, int((until_utc - now_utc).total_seconds())),
        )
    for place in [each for each in standing if each not in answers]:
        if standing[place].by_hand and standing[place].until_utc > now_utc:
            continue
        said.pop(place, None)
        yield Outgoing(topic=topics.plan(place, shop.config.slug), payload=b"")
        del standing[place]
        air_answers.keep_sent(shop.store, standing)


def publish(shop: Shop, answer: AirAnswer, now_utc: datetime) -> str:
    """Publish a plan that a person asked for, and return its topic.

    Parameters
    ----------
    shop : Shop
        For its broker.
    answer : AirAnswer
        The plan's week.
    now_utc : datetime
        Now, with a time zone.

    Returns
    -------
    str
        Where it went.

    Raises
    ------
    BrokerError
        If the plan holds nothing, or the broker can't be reached,
        does not speak MQTT 5, refuses it, or does not confirm in time.
    """
    if answer.set_pct is None:
        raise BrokerError(
            f"the plan of {answer.place} is to hold nothing, so there is no set-point to publish; name one "
            "with --hold"
        )
    config = shop.config
    client = connection.client(
        config, f"{config.client_id}-plan", part="plan", protocol=connection.V5, keep=False
    )
    answered, reasons, refused = threading.Event(), [], []

    def connected(_c: mqtt.Client, _u: object, _f: object, reason: ReasonCode, _p: object) -> None:
        reasons.append(reason)
        answered.set()

    def published(_c: mqtt.Client, _u: object, _mid: int, reason: ReasonCode, _p: object) -> None:
        if reason.is_failure:
            refused.append(reason)

    client.on_connect = connected
    client.on_connect_fail = lambda _c, _u: answered.set()
    client.on_publish = published
    connection.start(client, config, protocol=connection.V5, keep=False)
    client.loop_start()
    try:
        if not answered.wait(WAIT_S) or not reasons:
            raise BrokerError(connection.away(config.broker))
        if reasons[0].is_failure:
            if reasons[0].getName() == "Unsupported protocol version":
                raise BrokerError(
                    "the broker does not speak MQTT 5, so that a set-point could not lapse; nothing was sent"
                )
            raise BrokerError(connection.refused(config.broker, reasons[0]))
        where = topics.plan(answer.place, config.slug)
        lapse = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        lapse.MessageExpiryInterval = int(EXPIRES.total_seconds())
        body = payload(answer, now_utc + EXPIRES, now_utc, config.shop.units)
        sent = client.publish(where, body, qos=1, retain=True, properties=lapse)
        sent.wait_for_publish(WAIT_S)
        if refused:
            raise BrokerError(
                f"the broker refuses the topic {where}: {refused[0].getName()}; look at its access list"
            )
        if not sent.is_published():
            raise BrokerError(f"the broker did not confirm the plan within {WAIT_S:.0f} s")
    finally:
        client.disconnect()
        client.loop_stop()
    fresh = Sent(made_utc=answer.made_utc, until_utc=now_utc + EXPIRES, by_hand=True)
    air_answers.keep_sent(shop.store, air_answers.sent(shop.store) | {answer.place: fresh})
    return where
