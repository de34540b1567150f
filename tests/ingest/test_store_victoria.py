"""The write path of the InfluxDB store into a real server that takes line protocol: victoria-metrics.

It is not InfluxDB: it knows no Flux, no tokens, keeps milliseconds, and makes a string field a 0. What is
shown is that a real parser of another house takes our lines and gives back the numbers and names.
"""

from __future__ import annotations

import http.client
import json
from contextlib import nullcontext
from datetime import UTC, datetime, timedelta

import pytest
from pydantic import SecretStr

from baulk.ingest.config import StorePart
from baulk.ingest.store.influx_lines import how_long
from baulk.ingest.store.readings_influx import InfluxReadings
from baulk.models.reading import Reading, Series

NOW = datetime.now(UTC).replace(microsecond=0) - timedelta(hours=9)  # it forgets what is older than a month


def ask(port, path):
    server = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
    try:
        server.request("GET", path)
        answer = server.getresponse()
        return answer.status, answer.read().decode()
    finally:
        server.close()


def stored(port, name):
    """Give times in milliseconds and values by series, as exported."""
    ask(port, "/internal/force_flush")
    _, text = ask(port, f"/api/v1/export?match={name}&start=0")
    return [json.loads(line) for line in text.splitlines()]


def readings(text, values, **more):
    return [
        Reading(
            series=Series.parse(text),
            value=value,
            taken_utc=NOW + k * timedelta(milliseconds=1500),
            arrived_utc=NOW + timedelta(hours=1),
            **more,
        )
        for k, value in enumerate(values)
    ]


def test_a_real_server_takes_our_lines_and_gives_back_what_went_in(victoria):
    url = f"http://127.0.0.1:{victoria}"
    part = StorePart(kind="influx", url=url, org="yard", token=SecretStr("any"))
    odd = 'a "quoted", \\ slashed = spaced source'
    sent = [
        *readings("timber/FER-01/pin-12.5/b/moisture", [1 / 3, 1e-7, 123456.75], flags=("end-305",)),
        *readings("air/shed/temp", [-12.25, 0, 7], source=odd),
    ]
    store = InfluxReadings(part, None, nullcontext)
    assert list(store._write([(one, how_long(one)) for one in sent])) == []
    store.close()
    found = {line["metric"]["quantity"]: line for line in stored(victoria, "reading_value")}
    pins = found["moisture"]
    assert {key: value for key, value in pins["metric"].items() if key not in {"__name__", "db"}} == {
        "owner": "timber",
        "named": "FER-01",
        "quantity": "moisture",
        "depth": "12.5",
        "face": "b",
        "kept": "as-taken",
    }
    assert pins["values"] == pytest.approx([1 / 3, 1e-7, 123456.75], rel=1e-11)  # it keeps decimals
    start_ms = int(NOW.timestamp()) * 1000
    assert pins["timestamps"] == [start_ms, start_ms + 1500, start_ms + 3000]
    assert found["temp"]["values"] == [-12.25, 0, 7]
    assert found["temp"]["metric"]["kept"] == "always"
    (arrived, _) = stored(victoria, "reading_arrived")
    assert set(arrived["values"]) == {(NOW + timedelta(hours=1)).timestamp() * 1e6}


def test_five_thousand_lines_in_one_request_all_arrive(victoria):
    part = StorePart(
        kind="influx", url=f"http://127.0.0.1:{victoria}", org="yard", token=SecretStr("any"), bucket="b"
    )
    store = InfluxReadings(part, None, nullcontext)
    sent = readings("air/shed/humidity", [k / 100 for k in range(6000)])
    assert list(store._write([(one, how_long(one)) for one in sent])) == []
    store.close()
    (line,) = stored(victoria, "reading_value")
    assert line["values"] == [k / 100 for k in range(6000)]
