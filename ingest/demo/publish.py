"""The demo's only way in: an ordinary MQTT client that publishes at quality 1."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from typing import Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from baulk.ingest.demo.shed import Message
from baulk.models.errors import BaulkError

_IN_FLIGHT = 200
_PATIENCE_S = 60.0


class NotPublished(BaulkError):
    """The demo's messages did not get to its broker."""


class Publisher:
    """A connection to the demo's broker; use it in a with statement.

    Parameters
    ----------
    host : str
        Address of the broker.
    port : int
        Its port.
    """

    def __init__(self, host: str, port: int) -> None:
        self._where = (host, port)
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id="simulated-shed", protocol=mqtt.MQTTv5
        )
        self._client.max_inflight_messages_set(_IN_FLIGHT)

    def __enter__(self) -> Self:
        try:
            self._client.connect(*self._where)
        except OSError as err:
            raise NotPublished(
                f"the demo's broker at {self._where[0]}:{self._where[1]} does not answer"
            ) from err
        self._client.loop_start()
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def send(self, messages: Iterable[Message], stopped: Callable[[], bool] = lambda: False) -> None:
        """Publish and wait until the broker has taken all.

        Parameters
        ----------
        messages : iterable of Message
            What goes out, in this order.
        stopped : callable
            Whether to give up waiting.

        Raises
        ------
        NotPublished
            If the broker has not taken them within a minute.
        """
        pending = [self._client.publish(each.topic, each.payload, qos=1) for each in messages]
        until = time.monotonic() + _PATIENCE_S
        while not all(each.is_published() for each in pending):
            if stopped():
                return
            if time.monotonic() > until:
                raise NotPublished("the demo's broker did not take the messages within a minute")
            time.sleep(0.002)
