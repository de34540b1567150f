"""Messages that were true once, bent in every way: each ends in the store or in quarantine, memory flat."""

from __future__ import annotations

import json
import logging
import random
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from baulk.ingest import pipeline, routing, shop
from baulk.ingest.wire import RawMessage
from baulk.models.quantity import Owner

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
AT = NOW.timestamp() - 3600
SOURCES = """
[[source]]
topic = "sensors/+/climate"
value = "air.t"
quantity = "temp"
unit = "degF"
place = "{1}"
time = "at"
time_zone = "Europe/Lisbon"

[[source]]
topic = "scale/+"
format = "plain"
quantity = "weight"
unit = "lb"
tag = "FER-01"

[[source]]
topic = "lora/+/up"
format = "senml"
sensor = "{1}"
depth_mm = 45
names = {mc = "moisture"}
"""
OURS = "baulk/v1/ferry-yard"
TRUE = [
    (
        f"{OURS}/timber/FER-01",
        [
            {"bt": AT, "n": "pin-45/b/moisture", "u": "/", "v": 0.284},
            {"n": "wood-temp", "u": "Cel", "v": 12.5},
            {"n": "weight", "u": "kg", "v": 96},
        ],
    ),
    (
        f"{OURS}/timber/FER-01",
        [
            {
                "bn": "urn:dev:mac:0024befffe804ff1/",
                "bu": "kg",
                "bv": 90,
                "n": "weight",
                "v": 6.5,
                "ut": 3600,
            },
            {"t": -30, "n": "weight", "v": 6.4},
        ],
    ),
    (
        f"{OURS}/air/shed",
        [{"n": "temp", "u": "K", "v": 294.2, "t": AT}, {"n": "humidity", "u": "%RH", "v": 61}],
    ),
    (
        f"{OURS}/air/shed",
        [{"n": "battery", "u": "mV", "v": 3100}, {"n": "temp", "u": "Cel", "vs": "unavailable"}],
    ),
    (f"{OURS}/timber/FER-09", [{"n": "weight", "u": "kg", "v": 80}]),
    ("sensors/loft/climate", {"air": {"t": 68.5, "rh": 55}, "at": "2026-05-14T10:00:00"}),
    ("scale/3", 212.5),
    ("lora/S7/up", [{"n": "mc", "u": "/100", "v": 31, "t": AT}]),
]
_SHORT = b'NaN|Infinity|null|true|""|[]|{}|-|1e999|"t":|"bver":11,|"x_":1,|/|pin-0/|FER-02|"v":-1e-320'
PIECES = [*_SHORT.split(b"|"), b"9" * 400, b"[" * 200, b"\xff", b"\x00", b"\\ud800", b"\xef\xbb\xbf"]


def bend(chance, payload):
    """Change a payload a little, in one to four places."""
    data = bytearray(payload)
    for _ in range(chance.randint(1, 4)):
        at = chance.randrange(len(data) + 1)
        match chance.randrange(6):
            case 0:
                data[at : at + 1] = bytes([chance.randrange(256)])
            case 1:
                del data[at : at + chance.randint(1, 12)]
            case 2:
                data[at:at] = chance.choice(PIECES)
            case 3:
                other = json.dumps(chance.choice(TRUE)[1]).encode()
                data[at:at] = other[: chance.randrange(len(other))]
            case 4:
                data[at : at + 3] = str(chance.randint(-(10**6), 10**6)).encode()
            case _:
                end = at + chance.randint(1, 30)
                data[end:end] = data[at:end]
    return bytes(data)


def rss_mb():
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmRSS"))


@pytest.fixture
def yard(tmp_path, oak):
    folder = shop.init(tmp_path / "yard", name="Ferry yard")
    path = folder / "baulk.toml"
    path.write_text(path.read_text() + SOURCES)
    with shop.open(folder) as opened:
        opened.register.add(oak)
        yield opened


def fuzz(yard, how_many, seed):
    """Send bent messages through the pipeline; return how many ended where, and what the memory did."""
    logging.getLogger("baulk.pipeline").setLevel(logging.ERROR)  # pytest would keep every line in memory
    chance = random.Random(seed)  # noqa: S311
    tags = yard.register.known(again=True)
    wanted, rejected, quiet, before = set(), set(), 0, 0.0
    for number in range(how_many):
        topic, body = chance.choice(TRUE)
        payload = bend(chance, json.dumps(body).encode())
        raw = RawMessage(topic=topic, payload=payload, arrived_utc=NOW + timedelta(milliseconds=number))
        plan = routing.route(raw, yard, tags)
        assert not (plan.reason or "").startswith("Baulk itself failed"), (payload, plan.reason)
        assert "\n" not in (plan.reason or "")
        pipeline.handle(raw, yard)
        wanted |= {hash((str(one.series), one.taken_utc)) for one in plan.readings}
        if plan.reason:
            rejected.add(hash((topic, payload, raw.arrived_utc)))
        quiet += not plan.readings and not plan.reason
        if number == how_many // 2:
            before = rss_mb()
    after = rss_mb()
    stored = {
        hash((str(one.series), one.taken_utc))
        for series in {(one.owner, one.name) for one in yard.store.series()}
        for one in yard.store.readings(*series)
    }
    kept, last = set(), 0
    while rows := yard.store.quarantined(10**4, after=last):
        last = rows[-1].number
        kept |= {hash((row.raw.topic, row.raw.payload, row.raw.arrived_utc)) for row in rows}
    assert wanted <= stored
    assert rejected <= kept
    return len(stored), len(kept), quiet, after - before


def test_ten_thousand_bent_messages_end_in_the_store_or_in_quarantine(yard):
    stored, kept, quiet, grown_mb = fuzz(yard, 10_000, seed=5)
    assert stored > 300  # most bent ones keep the time of their original, and with it its place
    assert kept > 3000
    assert quiet < 100  # a pack of base fields only says nothing, and that is no mistake
    assert grown_mb < 10
    assert yard.store.readings(Owner.TIMBER, "FER-01")


@pytest.mark.bench
@pytest.mark.timeout(900)
def test_a_hundred_thousand_bent_messages_end_in_the_store_or_in_quarantine(yard, capsys):
    stored, kept, quiet, grown_mb = fuzz(yard, 100_000, seed=6)
    with capsys.disabled():
        print(f"\nfuzzed 100,000: {stored} readings stored, {kept} in quarantine, {quiet} said nothing,")
        print(f"memory over the second half: {grown_mb:+.1f} MB")
    assert grown_mb < 20
