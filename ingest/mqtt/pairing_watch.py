"""The listener's second ear: hears every topic for ten minutes, while somebody looks for a new sensor.

A connection of its own without a session, at QoS 0: the broker keeps nothing for it, and what the listener
itself takes and acknowledges is untouched by it. It is not shared: of several listeners one hears everything,
the first that is there, and the next goes on where that one falls silent.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
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
_TURN: Final = timedelta(seconds=3)  # that each listener leaves to the one of the number before it
FLOODED: Final = "more comes from the broker than anybody could look at; name a topic, such as sensors/#"


class _Ear:
    """One connection that listens to a filter."""

    def __init__(
        self, shop: Shop, pattern: str, *, protocol: MQTTProtocolVersion, now: Callable[[], datetime]
    ) -> None:
        self._shop, self._pattern, self._now = shop, pattern, now
        self._lock = threading.Lock()
        self.ring = Ring()
        for one in asked.heard(shop.store).messages:  # of a listener that fell silent
            self.ring.add(one.topic, one.payload, one.arrived_utc, retained=one.retained)
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
    number : int
        Which of several listeners this is, from 1.
    """

    def __init__(
        self, shop: Shop, protocol: MQTTProtocolVersion, now: Callable[[], datetime], *, number: int = 1
    ) -> None:
        self._shop, self._protocol, self._now, self._number = shop, protocol, now, number
        self._for: asked.Asked | None = None
        self._done = False  # flooded, or refused: not begun again for the same wish
        self._ear: _Ear | None = None
        self._next = 0.0

    def look(self) -> str | None:
        """Begin, go on or end as the store's note asks; return a sentence when that changes."""
        wanted = asked.asked(self._shop.store, self._now())
        said = None
        if wanted != self._for:
            said = self._turn(wanted)
        if wanted is not None and self._ear is not None and not self._is_mine():
            self._end()
        elif wanted is not None and self._ear is None and not self._done and self._is_my_turn(wanted):
            said = self._begin(wanted)
        if self._ear is not None and self._ear.ring.is_flooded:
            self._ear.problem = FLOODED
            self._write(now=True)
            self._end()
            self._done = True
            said = FLOODED
        self._write()
        return said

    def close(self) -> None:
        """End the connection, if there is one."""
        self._end()

    def _turn(self, wanted: asked.Asked | None) -> str | None:
        heard_it = self._ear is not None
        self._for, self._done = wanted, False
        self._end()
        if wanted is not None:
            return None
        if not heard_it:
            return None
        self._shop.store.forget(asked.ASKED)
        return "no longer listening for new sensors"

    def _is_mine(self) -> bool:
        """Whether no other listener has gone on in our place, while we were silent."""
        known = asked.ear(self._shop.store)
        return known is None or known[0] == self._number

    def _is_my_turn(self, wanted: asked.Asked) -> bool:
        """Whether those of a smaller number have been silent long enough."""
        known = asked.ear(self._shop.store)
        if known is None:
            return self._now() - wanted.since_utc >= _TURN * (self._number - 1)
        number, at_utc = known
        is_silent = number == self._number or self._now() - at_utc >= _TURN * self._number
        return is_silent and asked.heard(self._shop.store).problem != FLOODED

    def _begin(self, wanted: asked.Asked) -> str:
        try:
            self._ear = _Ear(self._shop, wanted.topic, protocol=self._protocol, now=self._now)
        except BrokerError as err:
            self._done = True
            return str(err)
        self._next = 0.0
        return f"listening for new sensors on {wanted.topic} for ten minutes"

    def _write(self, *, now: bool = False) -> None:
        if self._ear is not None and (now or time.monotonic() >= self._next):
            self._next = time.monotonic() + _WRITE_S
            asked.keep_ear(self._shop.store, self._number, self._now())
            self._shop.store.note(asked.HEARD, self._ear.written())

    def _end(self) -> None:
        if self._ear is not None:
            self._ear.close()
            self._ear = None
