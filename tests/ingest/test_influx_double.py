"""The double answers as a real InfluxDB 2.9.1 answered: the rows of the comparison that matter.

With ``BAULK_TEST_INFLUX=url,org,token`` the same rows are asked of that server.
"""

from __future__ import annotations

import gzip
import http.client
import json
import sys
import time
from contextlib import closing
from pathlib import Path
from urllib.parse import urlencode, urlsplit

import pytest

sys.path.insert(0, str(Path(__file__).parent))
import influx_admin
import influx_real

from baulk.ingest.config import StorePart
from baulk.ingest.store.influx_client import Influx

LINE = "reading,owner=timber,named=F value=1 1778751000000000"
DAY_US = 86_400_000_000


@pytest.fixture(scope="module")
def server():
    with influx_real.started("baulk", "baulk-kept") as started:
        yield started


def ask(server, what, body=b"", *, headers=(), **query):
    """Post one request; gives status, message or text."""
    split = urlsplit(server.url)
    line = http.client.HTTPConnection(split.hostname, split.port, timeout=20)
    words = {"Authorization": f"Token {server.token}", **dict(headers)}
    query = {"org": server.org, **query}
    if isinstance(body, dict):
        body, words = json.dumps(body).encode(), {"Content-Type": "application/json", **words}
    try:
        line.request("POST", f"/api/v2/{what}?{urlencode(query)}", body, words)
        answer = line.getresponse()
        text = answer.read().decode()
    finally:
        line.close()
    try:
        return answer.status, json.loads(text)["message"]
    except ValueError:
        return answer.status, text


def write(server, line, **more):
    return ask(
        server,
        "write",
        line.encode() if isinstance(line, str) else line,
        bucket="baulk",
        precision="us",
        **more,
    )


def flux(server, text, **more):
    dialect = {"header": True, "delimiter": ",", "annotations": [], "dateTimeFormat": "RFC3339Nano"}
    return ask(server, "query", {"query": text, "type": "flux", "dialect": dialect}, **more)


def span(bucket="baulk", rest=""):
    return (
        f'from(bucket: "{bucket}") |> range(start: 1900-01-01T00:00:00Z, stop: 2200-01-01T00:00:00Z) {rest}'
    )


def delete(server, predicate=None, **more):
    body = {"start": "1900-01-01T00:00:00Z", "stop": "1900-01-02T00:00:00Z"}
    return ask(
        server,
        "delete",
        body if predicate is None else {**body, "predicate": predicate},
        bucket="baulk",
        **more,
    )


@pytest.mark.parametrize(
    ("line", "status", "says"),
    [
        ("", 204, ""),
        ("# only a comment", 204, ""),
        ("reading,a=b value=1", 204, ""),
        ("reading,a=b value=1e400 1", 400, "invalid float"),
        ("reading,a=b value=NaN 1", 400, "invalid"),
        ("reading,a=b value=1 9300000000000000", 400, "time outside range"),
        ("reading,a=b value=1 -9300000000000000", 400, "time outside range"),
        ("reading,time=b value=1 1", 400, 'cannot use reserved tag key "time"'),
        ("reading,_owner=b value=1 1", 204, ""),
        ('reading,a=b source="one\ntwo" 2', 204, ""),
        ("reading,a= value=1 1", 400, "missing tag value"),
        ("reading,a=b time=1 1", 422, 'partial write: invalid field name: input field "time" on measurement'),
        (
            'reading,a=b value="x" 1',
            422,
            'field type conflict: input field "value" on measurement "reading" is',
        ),
        ("reading,a=b value=1i 1", 422, "is type integer, already exists as type float dropped=1"),
    ],
)
def test_lines_are_taken_or_refused(server, line, status, says):
    assert write(server, LINE)[0] == 204
    got = write(server, line)
    assert (got[0], says in got[1]) == (status, True), got


def test_one_bad_line_refuses_the_good_ones_beside_it_and_a_conflict_only_itself(server):
    for odd, stored in (("reading,a= value=1 1", 0), ('reading,a=b value="x" 1', 1)):
        name = f"G{stored}"
        write(server, f"{LINE.replace('named=F', f'named={name}')}\n{odd}")
        rows = flux(server, span(rest=f'|> filter(fn: (r) => r.named == "{name}" and r._field == "value")'))[
            1
        ]
        assert rows.count(f",{name}") == stored


def test_a_line_feed_comes_back_as_two_and_a_whole_float_without_a_point(server):
    write(server, 'feeds,a=b source="one\ntwo",value=20 1778751000000000')
    rows = flux(server, span(rest='|> filter(fn: (r) => r._measurement == "feeds")'))[1]
    assert "one\r\ntwo" in rows
    assert ",20," in rows


def test_headers_of_a_write(server):
    whole = gzip.compress(LINE.encode())
    packed = {"Content-Encoding": "gzip"}
    assert write(server, whole, headers=packed)[0] == 204
    status, says = write(server, whole[:-9], headers=packed)
    assert (status, says) == (500, "unable to read data: unexpected EOF")
    assert write(server, LINE, headers={"Authorization": f"Bearer {server.token}"})[0] == 204
    assert write(server, LINE, headers={"Content-Type": "application/json"})[0] == 204
    assert write(server, LINE, headers={"Authorization": "Token guessed"})[0] == 401


@pytest.mark.parametrize(
    ("predicate", "status", "says"),
    [
        ('_measurement="reading" AND owner="x"', 204, ""),
        ('_measurement="reading" and owner="x"', 204, ""),
        ('owner!="x"', 204, ""),
        (r'owner="a\"b"', 204, ""),
        ("", 204, ""),
        (None, 204, ""),
        ('_field="value"', 501, "delete by field is not supported"),
        ('name="x"', 400, ""),
        ('own="x" OR own="y"', 400, "the logical operator OR is not supported yet at position"),
    ],
)
def test_deletions(server, predicate, status, says):
    got = delete(server, predicate)
    assert (got[0], says in got[1]) == (status, True), got


def test_names_that_are_not_there(server):
    status, says = flux(server, span(), org="nope")
    assert (status, says) == (400, 'failed to decode request body: organization name "nope" not found')
    status, says = write(server, LINE, org="nope")
    assert (status, 'organization name "nope" not found' in says) == (404, True)
    status, says = flux(server, span("cmp"))
    assert (status, says) == (404, 'failed to initialize execute state: could not find bucket "cmp"')
    assert ask(server, "write", LINE.encode(), bucket="cmp")[0] == 404


def test_ranges_and_the_newest_of_long_ago(server):
    assert (
        flux(
            server, 'from(bucket: "baulk") |> range(start: 2026-01-01T00:00:00Z, stop: 2026-01-01T00:00:00Z)'
        )[0]
        == 400
    )
    assert flux(server, 'from(bucket: "baulk") |> last()')[0] == 400
    write(server, "early,a=b value=1 -2100000000000000")
    status, text = flux(server, span(rest='|> filter(fn: (r) => r._measurement == "early") |> last()'))
    assert (status, "1903-06-16" in text, "1970-01-01T00:00:00Z" in text) == (200, True, True)


def test_retention_is_by_whole_shard_groups_and_says_its_bound(server):
    server.forget_after("baulk-kept", 30 * 86400)
    now = time.time_ns() // 1000
    edge = (now - 30 * DAY_US) // DAY_US * DAY_US
    for us, status in ((edge, 204), (edge - DAY_US, 422)):
        got = ask(server, "write", f"reading,a=b value=1 {us}".encode(), bucket="baulk-kept", precision="us")
        assert got[0] == status
    assert (
        "partial write: dropped 1 points outside retention policy of duration 720h0m0s - oldest point"
        in got[1]
    )


def test_the_median_that_is_a_reading_looks_at_value_whatever_its_column_says(server):
    wide = 'pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")'
    steps = f'|> filter(fn: (r) => r.named == "F") |> {wide}'
    write(server, LINE)
    status, says = flux(server, span(rest=f'{steps} |> median(column: "value", method: "exact_selector")'))
    assert (status >= 400, 'no column "_value" exists' in says) == (True, True)


@pytest.mark.parametrize(
    "line",
    [
        "reading",
        "reading value=1,",
        "reading,owner value=1",
        "reading,owner= value=1",
        "reading,a=1,a=2 value=1",
        "reading value=one",
        'reading flags="open',
        "reading value=1 soon",
        "reading value=1 12 13",
    ],
)
def test_lines_outside_the_grammar_are_refused(server, line):
    assert write(server, line)[0] == 400


@pytest.mark.parametrize(
    "text",
    [
        'from(bucket: "b"',
        'from(bucket: "b") |> filter(fn: (r) => r.a === "x")',
        'from(bucket: "b") |> filter(fn: (r) => r.a == "x" or)',
        r'from(bucket: "\q")',
        'from(bucket: "baulk") |> range(start: -1h) |> unheard()',
    ],
)
def test_flux_outside_the_grammar_is_refused(server, text):
    assert flux(server, text)[0] == 400


def test_what_puts_a_real_server_in_the_doubles_place_does_all_that_tests_ask_of_it(monkeypatch, root):
    served = influx_admin.InfluxAdmin()
    try:
        monkeypatch.setenv(influx_real.NAMED, f"{served.url},{served.org},{served.token}")
        for _ in range(2):  # the second one finds the buckets of the first
            with influx_real.started("baulk", "baulk-kept") as real:
                assert isinstance(real, influx_real.InfluxReal)
                now_us = int(time.time()) * 1_000_000
                tags = "depth=-,face=-,kept=as-taken,named=FER-01,owner=timber,quantity=weight"
                fields = 'arrived=1i,flags="",source="hand",value=300'
                assert write(real, f"reading,{tags} {fields} {now_us}") == (204, "")
                ((name, found, ns, values),) = real.rows("baulk")
                assert (name, found["named"], ns) == ("reading", "FER-01", now_us * 1000)
                assert values == {"arrived": 1, "flags": "", "source": "hand", "value": 300.0}
                assert real.paths() == ["/api/v2/write"]
                real.run_task((root / "deploy" / "influxdb" / "downsample.flux").read_text())
                real.next = [(429, {"Retry_After": "17"})]
                part = StorePart(kind="influx", url=real.url, org=real.org, token=real.token)
                with closing(Influx(part)) as asked:
                    assert asked.keeps_s("baulk") == 0  # the wish is for the next question or write
                assert write(real, f"reading,{tags} {fields} {now_us}")[0] == 429
                real.forget_after("baulk", 86400)
                assert write(real, f"reading,{tags} {fields} 1778751000000000")[0] == 422
                real.only_reads()
                assert write(real, f"reading,{tags} {fields} {now_us}")[0] == 403
                assert real.lines("baulk") == 1
        assert served.asked
    finally:
        served.stop()
