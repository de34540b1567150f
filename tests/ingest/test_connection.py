"""Messages out of a connection's bytes: the same whatever pieces the network cuts them into."""

from __future__ import annotations

import random
import socket
import struct

import pytest

from baulk.ingest.mqtt.connection import V5, V311, Link
from baulk.ingest.mqtt.session import Session

from .conftest import NOW


def varint(number):
    out = bytearray()
    while True:
        number, rest = divmod(number, 128)
        out.append(rest | (128 if number else 0))
        if not number:
            return bytes(out)


def publish(first, topic, payload, mid, protocol, properties=b""):
    """A PUBLISH packet (MQTT 5.0 3.3, MQTT 3.1.1 3.3)."""
    body = struct.pack("!H", len(topic)) + topic
    if first & 6:
        body += struct.pack("!H", mid)
    if protocol == V5:
        body += varint(len(properties)) + properties
    return bytes([first]) + varint(len(body + payload)) + body + payload


def user_property(name, value):
    """MQTT 5.0 3.3.2.3.7."""
    return b"\x26" + b"".join(struct.pack("!H", len(one)) + one for one in (name, value))


def some(chance, protocol):
    """Messages of every kind and length, and packets of other kinds between them."""
    packets, messages = [], []
    for mid in range(1, 80):
        first = 0x30 | chance.choice([0, 1, 2, 3, 10])
        topic = b"baulk/v1/ferry/timber/FER-%02d" % chance.randrange(20)
        long = chance.choice([0, 1, 90, 127, 128, 3000, 5000]) if mid != 40 else 140_000
        payload = chance.randbytes(long)
        said = b"17776296000000%02d 0 shed" % mid
        ours = user_property(b"a", b"b" * 150) + user_property(b"baulk-forwarded", said)
        properties = chance.choice([b"", user_property(b"a", b"b" * chance.choice([3, 200])), ours])
        packets.append(publish(first, topic, payload, mid, protocol, properties))
        forwarded = said if protocol == V5 and properties is ours else b""
        messages.append((topic, payload, mid if first & 6 else 0, first, forwarded))
        if chance.random() < 0.2:
            packets.append(b"\xd0\x00")  # PINGRESP
    return b"".join(packets), messages


@pytest.mark.parametrize("protocol", [V311, V5])
@pytest.mark.parametrize("seed", range(6))
def test_messages_are_the_same_however_their_bytes_are_cut(protocol, seed):
    chance = random.Random(seed)  # noqa: S311
    stream, expected = some(chance, protocol)
    link = Link(client_id="x", protocol=protocol, manual_ack=True)
    near, far = socket.socketpair()
    near.settimeout(0)
    link._sock = near
    found = []
    link.on_packets = found.extend
    try:
        at = 0
        while at < len(stream):
            step = chance.choice([1, 2, 3, 50, 400, 20_000, 60_000])
            far.sendall(stream[at : at + step])
            at += step
            link.dry = False
            while not link.dry:
                link.read(chance.choice([1, 5, 250]))
        assert found == expected
    finally:
        near.close()
        far.close()


@pytest.mark.parametrize(
    "bad",
    [
        b"\x32\x09\x00\x03a/b\x00\x00\x00x",  # identifier 0
        b"\x30\x04\x00\x00\x00x",  # no topic
        b"\x32\x04\x00\x09a/",  # a topic longer than the packet
        b"\x30\xff\xff\xff\xff\x01",  # a length of five bytes
        b"\x36\x08\x00\x03a/b\x00\x01\x00",  # QoS 3
    ],
)
def test_what_is_no_message_is_left_to_paho_and_takes_nothing_with_it(bad):
    link = Link(client_id="x", protocol=V5, manual_ack=True)
    near, far = socket.socketpair()
    near.settimeout(0)
    link._sock = near
    found = []
    link.on_packets = found.extend
    try:
        far.sendall(publish(0x32, b"a/b", b"right", 7, V5) + bad)
        link.read(250)
        assert found[0] == (b"a/b", b"right", 7, 0x32, b"")
        assert link._at == len(link._chunk)
    finally:
        near.close()
        far.close()


def test_acknowledgements_go_out_in_order_in_one_piece(monkeypatch):
    link = Link(client_id="x", protocol=V5, manual_ack=True)
    sent = []
    monkeypatch.setattr(link, "_packet_queue", lambda *packet: sent.append(packet[1]))
    link.ack_all([7, 1, 65_535])
    assert sent == [b"\x40\x02\x00\x07\x40\x02\x00\x01\x40\x02\xff\xff"]  # MQTT 5.0 3.4


class More:
    """Stands for the wait in which more messages come."""

    def __init__(self, session, count):
        self.session, self.count, self.waits = session, count, 0

    def wait(self, seconds):
        assert seconds <= 0.05
        self.waits += 1
        come(self.session, self.count)


def come(session, count, begin=1):
    session._arrived([(b"t", b"%d" % k, 1 + k % 60_000, 0x32, b"") for k in range(begin, begin + count)])


@pytest.mark.parametrize(("first", "waits", "taken"), [(1, 0, 1), (49, 0, 49), (50, 1, 350), (1000, 0, 1000)])
def test_messages_that_come_thick_are_stored_together_and_few_are_not_kept_waiting(
    yard, monkeypatch, first, waits, taken
):
    made = Session(yard.config, "one", protocol=V5, now=lambda: NOW)
    more = More(made, 300)
    monkeypatch.setattr(made, "_leaving", more)
    come(made, first)
    batch = made.take(1000, 1.0)
    assert (len(batch.raws), more.waits) == (taken, waits)
    assert (made._out, made._out_bytes) == (taken, sum(len(raw.payload) for raw in batch.raws))
    made._near.close()
    made._far.close()
