"""Messages made to use up time or memory: refused at once; what any other costs grows with its size only."""

from __future__ import annotations

import json
import random
import time
import tracemalloc

import pytest

from baulk.dashboard.commands import quarantine
from baulk.ingest import pipeline, shop, wire
from baulk.ingest.errors import WireError
from baulk.ingest.wire import senml
from baulk.ingest.wire.message import RawMessage
from baulk.ingest.wire.source import Source
from baulk.models.quantity import Owner

SOURCE = Source(topic="other/+", value="air.t", quantity="temp", unit="degC", place="shed")


def raw(payload, now_utc, topic="baulk/v1/test-yard/timber/FER-01"):
    body = payload if isinstance(payload, bytes) else json.dumps(payload, separators=(",", ":")).encode()
    return RawMessage(topic=topic, payload=body, arrived_utc=now_utc)


def long_base(size):
    """Half of it a base name, half of it records of a few bytes: joining them would take size squared."""
    return [{"bn": "a" * (size // 2), "v": 1}, *[{"v": 1}] * (size // 16)]


def quickest(call, times=3):
    """Least processor time of some calls [s], whatever else the machine does."""
    took = []
    for _ in range(times):
        began = time.process_time()
        call()
        took.append(time.process_time() - began)
    return min(took)


def refused(message):
    with pytest.raises(WireError) as caught:
        wire.understand(message, slug="test-yard", sources=[SOURCE])
    return str(caught.value)


def test_a_long_base_name_is_refused_before_it_is_joined(now_utc):
    message = raw(long_base(200_000), now_utc)
    assert len(message.payload) > 180_000
    assert "bn of SenML record 0 has 100000 characters" in refused(message)
    assert quickest(lambda: refused(message)) < 0.02
    tracemalloc.start()
    refused(message)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < 8_000_000


def test_such_a_pack_is_in_quarantine_within_20_ms(shop_dir, oak, now_utc):
    with shop.open(shop_dir) as opened:
        opened.register.add(oak)
        pipeline.handle(raw([{"n": "weight", "u": "kg", "v": 90}], now_utc), opened)  # everything is loaded
        took = quickest(lambda: pipeline.handle(raw(long_base(200_000), now_utc), opened))
        assert opened.store.quarantine_count() >= 1
        assert took < 0.02


@pytest.mark.parametrize("kind", ["timber", "air", "sensor", "timber/FER-01"])
def test_a_topic_of_60_kb_is_told_in_a_sentence_that_can_be_read(kind, shop_dir, oak, now_utc, capsys):
    with shop.open(shop_dir) as opened:
        opened.register.add(oak)
        topic = f"baulk/v1/{opened.config.slug}/{kind}/{'A' * 60_000}"
        pipeline.handle(raw([{"n": "weight", "u": "kg", "v": 90}], now_utc, topic), opened)
        (row,) = opened.store.quarantined()
    assert row.raw.topic == topic  # whole: it can be tried again
    assert len(row.reason) < 500
    quarantine.list_(shop=shop_dir)
    told = capsys.readouterr().out
    assert "AAA...AAA" in told
    assert len(told) < 1000


def test_a_long_name_spoils_its_own_record_only(now_utc):
    found = senml.resolve(
        json.dumps([{"n": "w" * 5000, "v": 1}, {"n": "weight", "u": "kg", "v": 90}]).encode(), now_utc
    )
    assert found[0].problem == "n of SenML record 0 has 5000 characters; 255 are the most"
    assert (found[1].name, found[1].value, found[1].problem) == ("weight", 90.0, None)


def test_names_of_the_longest_length_are_read(now_utc):
    base = "urn:dev:mac:0024befffe804ff1/" + "x" * (255 - 29 - 1) + "/"
    found = senml.resolve(json.dumps([{"bn": base, "n": "weight", "u": "kg", "v": 90}]).encode(), now_utc)
    assert found[0].name == base + "weight"
    assert found[0].problem is None


def test_too_many_records_are_refused(now_utc):
    assert "20001 records; 20000 are the most" in refused(raw([{"v": 1}] * 20_001, now_utc))


def test_a_loggers_buffer_of_two_weeks_of_minutes_is_read_whole(now_utc, shop_dir):
    """20,000 records, the most; 0.5 MB in one message, as a logger sends that was out of reach."""
    first = now_utc.timestamp() - 20_000 * 60
    pack = [{"n": "weight", "u": "kg", "v": 90, "t": first + 60 * n} for n in range(20_000)]
    found = wire.understand(raw(pack, now_utc), slug="test-yard")
    assert len(found.readings) == 20_000
    assert found.problems == ()


def test_a_payload_above_the_limit_is_refused_unread(now_utc):
    assert "is 2.1 MB long; 2 MB are the most" in refused(raw(b"[" + b" " * 2_100_000 + b"]", now_utc))


@pytest.mark.parametrize(
    ("payload", "topic"),
    [
        (b'[{"n":"weight","u":"kg","v":90,"v":20}]', "baulk/v1/test-yard/timber/FER-01"),
        (b'[{"n":"weight","n":"temp","u":"kg","v":90}]', "baulk/v1/test-yard/timber/FER-01"),
        (b'{"air":{"t":20,"t":21}}', "other/one"),
    ],
)
def test_a_key_given_twice_is_refused(payload, topic, now_utc):
    said = refused(raw(payload, now_utc, topic))
    assert "twice" in said
    assert len(said) < 200


def shapes(size, seed):
    """Payloads of about that many bytes, each of them bad in a way of its own."""
    chance = random.Random(seed)  # noqa: S311 - a test's own
    yield "long base", json.dumps(long_base(size)).encode()
    yield "changing bases", json.dumps([{"bn": "a" * 200, "v": 1}] * (size // 216)).encode()
    yield "empty records", b"[" + b"{}," * (size // 3) + b"{}]"
    yield "bad records", b"[" + b'{"n":"?","v":1},' * (size // 16) + b'{"v":1}]'
    yield "own fields", b"[" + b'{"x":[]},' * (size // 9) + b'{"v":1}]'
    yield "deep lists", b"[" * (size // 2) + b"]" * (size // 2)
    yield "deep objects", b'{"a":' * (size // 6) + b"1" + b"}" * (size // 6)
    yield "one long number", b'[{"n":"weight","u":"kg","v":' + b"1" * size + b"}]"
    yield "long numbers", b"[" + (b'{"v":' + b"9" * 4000 + b"},") * (size // 4006) + b'{"v":1}]'
    yield "one long text", json.dumps([{"n": "weight", "vs": "x" * size}]).encode()
    yield "long names", json.dumps([{"n": chance.choice("ab") * 250, "v": 1}] * (size // 270)).encode()
    yield "separators", json.dumps([{"n": "a/" * (size // 2), "v": 1}]).encode()
    yield "many keys", json.dumps([{f"k{n}": n for n in range(size // 14)}]).encode()
    clocks = (b'{"n":"weight","u":"kg","v":1.0000000000,"t":%d}' % (4e9 + 4e7 * k) for k in range(size // 53))
    yield "many clocks", b"[" + b",".join(clocks) + b"]"
    yield "noise", chance.randbytes(size)
    yield "escapes", b'[{"n":"' + b"\\u0041" * (size // 6) + b'","v":1}]'
    yield "not closed", b'[{"n":"weight","u":"kg","v":1},' * (size // 32)


@pytest.mark.parametrize("shape", [name for name, _ in shapes(2000, 1)])
@pytest.mark.parametrize("topic", ["baulk/v1/test-yard/timber/FER-01", "other/one"])
def test_time_and_memory_of_a_payload_of_a_megabyte_grow_with_its_size_only(shape, topic, now_utc):
    def read(size):
        message = raw(dict(shapes(size, 7))[shape], now_utc, topic)

        def one():
            try:
                wire.understand(message, slug="test-yard", sources=[SOURCE])
            except WireError as err:
                assert len(str(err)) < 400  # noqa: PT017 - any other error fails the test as well

        took = quickest(one)
        tracemalloc.start()
        one()
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return took, most

    _, _ = read(10_000)
    small_s, small = read(100_000)
    large_s, large = read(1_000_000)
    # ten times as much would take a hundred times if it were squared; what is quick may be disturbed
    assert large_s < max(25 * small_s, 2.0)
    assert large < max(25 * small, 1_000_000)
    assert large_s < 2.0
    assert large < 150_000_000


def test_readings_of_an_honest_pack_are_those_they_were(now_utc):
    found = wire.understand(raw([{"n": "weight", "u": "kg", "v": 96.4}], now_utc), slug="test-yard")
    assert [(one.series.owner, one.value) for one in found.readings] == [(Owner.TIMBER, 96.4)]
