"""The last messages of each topic while a new sensor is looked for: bounded, whatever the broker sends."""

from __future__ import annotations

import base64
import json
from collections import deque
from collections.abc import Iterator
from datetime import datetime
from typing import Any, Final

from baulk.ingest.wire.message import RawMessage

KEPT: Final = 5  # messages of a topic
MOST_TOPICS: Final = 200
LONGEST: Final = 8_000  # bytes of a payload; of a longer one the beginning is kept, which is only shown
ROOM: Final = 300_000  # bytes of all that is kept
MOST_MESSAGES: Final = 50_000  # that are taken, and
MOST_BYTES: Final = 50_000_000  # their bytes: beyond, the broker carries too much to look at all of it


class Ring:
    """The last messages of each topic.

    A topic that was never heard is left out when there are too many; of one that is there the oldest messages
    make room.
    """

    def __init__(self) -> None:
        self._last: dict[str, deque[RawMessage]] = {}
        self._held = 0
        self.taken = 0
        self.taken_bytes = 0
        self.left_out = 0

    @property
    def is_flooded(self) -> bool:
        """Whether more has come than anybody could look at."""
        return self.taken >= MOST_MESSAGES or self.taken_bytes >= MOST_BYTES

    def add(self, topic: str, payload: bytes, arrived_utc: datetime, *, retained: bool) -> None:
        """Take a message."""
        self.taken += 1
        self.taken_bytes += len(payload)
        short = payload[:LONGEST]
        mine = self._last.get(topic)
        if mine is None:
            if len(self._last) >= MOST_TOPICS or self._held + len(short) > ROOM or len(topic) > 500:
                self.left_out += 1
                return
            mine = self._last[topic] = deque()
        mine.append(
            RawMessage(
                topic=topic,
                payload=short,
                arrived_utc=arrived_utc,
                retained=retained,
                cut=len(payload) > LONGEST,
            )
        )
        self._held += len(short)
        while len(mine) > KEPT or (self._held > ROOM and len(mine) > 1):
            self._held -= len(mine.popleft().payload)

    def messages(self) -> Iterator[RawMessage]:
        """Give all of them, by topic."""
        for mine in self._last.values():
            yield from mine

    def to_json(self) -> dict[str, Any]:
        """Write it as plain values."""
        rows = [
            [
                one.topic,
                base64.b64encode(one.payload).decode(),
                one.arrived_utc.isoformat(),
                one.retained,
                one.cut,
            ]
            for one in self.messages()
        ]
        return {"messages": rows, "taken": self.taken, "left_out": self.left_out}


def messages_of(body: dict[str, Any]) -> list[RawMessage]:
    """Read the messages that `Ring.to_json` wrote; what can't be read is passed over."""
    found = []
    for row in body.get("messages", ()):
        try:
            topic, payload, arrived, retained, cut = row
            found.append(
                RawMessage(
                    topic=str(topic),
                    payload=base64.b64decode(payload),
                    arrived_utc=datetime.fromisoformat(arrived),
                    retained=retained is True,
                    cut=cut is True,
                )
            )
        except (TypeError, ValueError):
            continue
    return found


def written(ring: Ring, now_utc: datetime, problem: str | None) -> bytes:
    """Write what was heard, when, and what stands in the way."""
    return json.dumps({"at_utc": now_utc.isoformat(), "problem": problem, **ring.to_json()}).encode()
