"""The week's set-point back out, when a person asks for it: retained, QoS 1, with an expiry."""

from __future__ import annotations

import json
import threading
from datetime import datetime, timedelta
from typing import Final

import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from baulk.ingest.errors import BrokerError
from baulk.ingest.mqtt import connection
from baulk.ingest.shop import Shop
from baulk.ingest.wire import topics
from baulk.models import text
from baulk.models.plan.humidity.plan import AirPlan
from baulk.models.reason import Reason
from baulk.models.units import System

WAIT_S: Final = 10.0
EXPIRES: Final = timedelta(hours=24)  # a plan that nobody renews must not stand for ever
CAUTION: Final = Reason(code="caution.set_point", values={"hours": EXPIRES.total_seconds() / 3600})


def payload(made: AirPlan, now_utc: datetime, system: System) -> bytes:
    """Write what a machine needs of a plan: what to hold, between which limits, and until when.

    Parameters
    ----------
    made : AirPlan
        The plan.
    now_utc : datetime
        Now, with a time zone.
    system : {"inch", "metric"}
        The shop's units, for the sentences.

    Returns
    -------
    bytes
        JSON.
    """
    week = made.weeks[0]
    return json.dumps(
        {
            "place": made.place,
            "made_utc": made.made_utc.isoformat(),
            "until_utc": (now_utc + EXPIRES).isoformat(),
            "set_pct": round(week.set_pct, 1),
            "low_pct": round(week.low_pct, 1),
            "high_pct": round(week.high_pct, 1),
            "low_by": week.low_by,
            "high_by": week.high_by,
            "held_c": made.held_c,
            "caution": text.sentence(CAUTION, system),
            "caution_coded": CAUTION.to_json(),
        }
    ).encode()


def publish(shop: Shop, made: AirPlan, now_utc: datetime) -> str:
    """Publish a plan and return its topic.

    Parameters
    ----------
    shop : Shop
        For its broker.
    made : AirPlan
        The plan.
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
    if not made.is_held:
        raise BrokerError(
            f"the plan of {made.place} is to hold nothing, so there is no set-point to publish; name one "
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
        where = topics.plan(made.place, config.slug)
        lapse = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        lapse.MessageExpiryInterval = int(EXPIRES.total_seconds())
        sent = client.publish(
            where, payload(made, now_utc, config.shop.units), qos=1, retain=True, properties=lapse
        )
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
    return where
