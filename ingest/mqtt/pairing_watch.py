"""The listener's second ear: hears every topic for ten minutes, while somebody looks for a new sensor.

A connection of its own without a session, at QoS 0: the broker keeps nothing for it, and what the listener
itself takes and acknowledges is untouched by it.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from baulk.ingest import wire
from baulk.ingest.errors import BrokerError
from baulk.ingest.mqtt import connection
from baulk.ingest.pairing import asked
from baulk.ingest.pairing.ring import Ring, written
from baulk.ingest.shop import Shop

_WRITE_S: Final = 1.0
FLOODED: Final = "more comes from the broker than anybody could look at; name a topic, such as sensors/#"


class _Ear:
    """One connection that listens to a filter."""

    def __init__(
        self, shop: Shop, pattern: str, *, protocol: MQTTProtocolVersion, now: Callable[[], datetime]
    ) -> None:
        self._shop, self._pattern, self._now = shop, pattern, now
        self._lock = threading.Lock()
        self.ring = Ring()
        self.problem: str | None = None
        self.client = connection.client(
            shop.config, f"{shop.config.client_id}-pair", part="pair", protocol=protocol, keep=False
        )
        self.client.on_connect = self._connected
        self.client.on_connect_fail = self._failed
        self.client.on_packets = self._arrived
        connection.start(self.client, shop.config, protocol=protocol, keep=False)
        self.client.loop_start()

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def written(self) -> bytes:
        """Write what was heard so far."""
        with self._lock:
            return written(self.ring, self._now(), self.problem)

    # --- called back by paho

    def _connected(
        self, client: mqtt.Client, _data: object, _flags: object, reason: ReasonCode, _properties: object
    ) -> None:
        if reason.is_failure:
            self.problem = connection.refused(self._shop.config.broker, reason)
            return
        self.problem = None
        client.subscribe(self._pattern, qos=0)

    def _failed(self, _client: mqtt.Client, _data: object) -> None:
        self.problem = connection.away(self._shop.config.broker)

    def _arrived(self, packets: Sequence[connection.Packet]) -> None:
        config, now_utc = self._shop.config, self._now()
        with self._lock:
            for topic, payload, _mid, first, _forwarded in packets:
                if self.ring.is_flooded:
                    return
                try:
                    name = topic.decode()
                except UnicodeDecodeError:
                    continue
                if wire.is_ours(name, config.slug):
                    continue
                retained = bool(first & connection.RETAINED)
                self.ring.add(name, payload, now_utc, retained=retained)


class PairingWatch:
    """What a listener does while somebody looks for a new sensor.

    Parameters
    ----------
    shop : Shop
        An open shop.
    protocol : MQTTProtocolVersion
        5 or 3.1.1.
    now : callable
        The clock.
    """

    def __init__(self, shop: Shop, protocol: MQTTProtocolVersion, now: Callable[[], datetime]) -> None:
        self._shop, self._protocol, self._now = shop, protocol, now
        self._for: asked.Asked | None = None
        self._ear: _Ear | None = None
        self._next = 0.0

    def look(self) -> str | None:
        """Begin, go on or end as the store's note asks; return a sentence when that changes."""
        wanted = asked.asked(self._shop.store, self._now())
        said = None
        if wanted != self._for:
            said = self._turn(wanted)
        if self._ear is not None and self._ear.ring.is_flooded:
            self._ear.problem = FLOODED
            self._write(now=True)
            self._end()
            said = FLOODED
        self._write()
        return said

    def close(self) -> None:
        """End the connection, if there is one."""
        self._end()

    def _turn(self, wanted: asked.Asked | None) -> str:
        was, self._for = self._for, wanted
        self._end()
        if wanted is None:
            self._shop.store.forget(asked.ASKED)
            return "no longer listening for new sensors"
        try:
            self._ear = _Ear(self._shop, wanted.topic, protocol=self._protocol, now=self._now)
        except BrokerError as err:
            return str(err)
        self._next = 0.0
        again = " anew" if was else ""
        return f"listening{again} for new sensors on {wanted.topic} for ten minutes"

    def _write(self, *, now: bool = False) -> None:
        if self._ear is not None and (now or time.monotonic() >= self._next):
            self._next = time.monotonic() + _WRITE_S
            self._shop.store.note(asked.HEARD, self._ear.written())

    def _end(self) -> None:
        if self._ear is not None:
            self._ear.close()
            self._ear = None
