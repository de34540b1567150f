"""Works in a shop as a listener and as people do, and writes down what it has acknowledged, in one order."""

from __future__ import annotations

import json
import os
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from baulk.ingest import operations, pipeline, shop
from baulk.ingest.mqtt.spool import Spool
from baulk.ingest.wire import RawMessage

START = datetime(2026, 1, 1, tzinfo=UTC)
TURNS = 14


def messages(first, count):
    return [
        RawMessage(
            topic="baulk/v1/ferry-yard/timber/FER-01",
            payload=json.dumps(
                [{"n": "pin-45/moisture", "u": "/100", "t": START.timestamp() + 60 * k, "v": 20 + k / 1000}]
            ).encode(),
            arrived_utc=START + timedelta(days=30, seconds=k),
            mid=k + 1,
        )
        for k in range(first, first + count)
    ]


def work(folder):
    told = os.open(folder / "acknowledged.log", os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    waiting = Spool(folder / "spool-yard.db", room_mb=5)
    with shop.open(folder, durable=True) as opened:
        oak = opened.register.get("FER-01")
        for turn in range(TURNS):
            raws = messages(10 * turn, 10)
            if turn % 3 == 1:
                waiting.keep(raws)
            else:
                pipeline.handle_batch(raws, opened)
            os.write(told, b"".join(b"reading %d\n" % k for k in range(10 * turn, 10 * turn + 10)))
            if turn % 4 == 2:
                operations.add_timber(opened, replace(oak, tag=f"FER-{turn + 10}"), sure=True)
                os.write(told, b"timber FER-%d\n" % (turn + 10))
            if turn % 5 == 4:
                raws, last = waiting.oldest(500)
                pipeline.handle_batch(raws, opened)
                waiting.drop(last)


if __name__ == "__main__":
    work(Path(sys.argv[1]))
