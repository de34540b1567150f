"""A yard far away: two real brokers, a link that is cut, kills; stored once, in order, at its time."""

from __future__ import annotations

import contextlib
import json
import os
import random
import signal
import socket
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from baulk.ingest import config, shop
from baulk.ingest.errors import ConfigError, StoreFull
from baulk.ingest.mqtt import forwarder, forwarder_setup, listener
from baulk.ingest.mqtt.spool import Spool
from baulk.ingest.store import forwarders
from baulk.ingest.store.forwarders import ForwarderMessage
from baulk.ingest.wire import forwarding
from baulk.ingest.wire.message import RawMessage
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Series

TOPIC = "baulk/v1/ferry-yard/timber/FER-01"
WEIGHT = Series(owner=Owner.TIMBER, name="FER-01", quantity=Quantity.WEIGHT)
AIR = Series(owner=Owner.AIR, name="shed", quantity=Quantity.HUMIDITY)
PLAIN = """
[[source]]
topic = "scales/air"
format = "plain"
place = "shed"
quantity = "humidity"
unit = "percent"
"""


class Link:
    """What lies between yard and shop: can be cut, or lose the answers only."""

    def __init__(self, to_port):
        self.to_port = to_port
        self.open, self.is_deaf, self.passed = True, False, 0
        self._pairs = []
        self._sock = socket.create_server(("127.0.0.1", 0))
        self.port = self._sock.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self):
        while True:
            try:
                near, _ = self._sock.accept()
            except OSError:
                return
            if not self.open:
                near.close()
                continue
            try:
                far = socket.create_connection(("127.0.0.1", self.to_port), 2)
                far.settimeout(None)
            except OSError:
                near.close()
                continue
            self._pairs += [near, far]
            threading.Thread(target=self._copy, args=(near, far, False), daemon=True).start()
            threading.Thread(target=self._copy, args=(far, near, True), daemon=True).start()

    def _copy(self, one, other, answers):
        with contextlib.suppress(OSError):
            while piece := one.recv(65536):
                if answers and self.is_deaf and piece[0] & 0xF0 != 0x20:  # CONNACK comes through
                    continue
                self.passed += len(piece)
                other.sendall(piece)
        for each in (one, other):
            with contextlib.suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)

    def cut(self):
        self.open = False
        for each in self._pairs:
            with contextlib.suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)
            each.close()
        self._pairs = []

    def mend(self):
        self.open, self.is_deaf = True, False

    def close(self):
        self.cut()
        self._sock.close()


class Yard:
    """Both sides: the yard's broker and forwarder, the link, the shop's broker and listener."""

    def __init__(self, tmp_path, kit, nursery):
        (tmp_path / "far").mkdir()
        (tmp_path / "near").mkdir()
        self.until, self.nursery, self.pid = kit.until, nursery, None
        self.far, self.near = kit.Broker(tmp_path / "far"), kit.Broker(tmp_path / "near")
        self.link = Link(self.near.port)
        self.shop_dir = kit.make_yard(tmp_path / "shop", self.near.port, more=PLAIN)
        self.sensor = kit.Sender(self.far.port)
        self.shed = tmp_path / "shed"
        self.shed.mkdir()
        self.settle()
        self.said = []
        self.stop = threading.Event()
        self._listening = threading.Thread(target=self._listen, daemon=True)
        self._listening.start()

    def settle(self, more=""):
        (self.shed / "baulk.toml").write_text(
            f'[shop]\nname = "Ferry yard"\n[broker]\nport = {self.far.port}\n'
            f'[forward]\nhost = "127.0.0.1"\nport = {self.link.port}\n{more}{PLAIN}'
        )

    def _listen(self):
        with shop.open(self.shop_dir) as opened:
            listener.run(opened, self.stop, say=self.said.append)

    def forward(self):
        self.pid = self.nursery.start(self.shed, "forward")
        assert self.until(lambda: self.told("ready"))

    def kill(self):
        self.nursery.kill(self.pid)

    def end(self):
        os.kill(self.pid, signal.SIGTERM)
        assert self.until(lambda: not Path(f"/proc/{self.pid}").exists())
        self.nursery.alive.discard(self.pid)

    def close(self):
        self.sensor.close()
        self.stop.set()
        self._listening.join(15)
        self.link.close()
        for each in (self.far, self.near):
            each.stop()

    def told(self, words):
        file = self.shed / "said.txt"
        return file.exists() and words in file.read_text()

    def weights(self):
        with shop.open(self.shop_dir) as opened:
            return [one.value for one in opened.store.readings(Owner.TIMBER, "FER-01")]

    def stored(self, series):
        with shop.open(self.shop_dir) as opened:
            return opened.store.read(series)

    def state(self):
        with shop.open(self.shop_dir) as opened:
            return next(iter(forwarders.all_of(opened.store)), None)


@pytest.fixture
def yard(tmp_path, kit, nursery):
    made = Yard(tmp_path, kit, nursery)
    yield made
    made.close()


START = datetime.now(UTC).timestamp() - 9_000_000


def kg(k):
    return 100 + k / 2000  # 50,000 of them end below what the timber could weigh


def weights(first, last):
    return [
        json.dumps([{"n": "weight", "u": "kg", "t": START + 60 * k, "v": kg(k)}]) for k in range(first, last)
    ]


@pytest.mark.broker
def test_what_came_while_the_link_was_cut_is_stored_at_its_own_time_once_and_in_order(yard):
    yard.forward()
    assert yard.until(lambda: yard.state() is not None)
    yard.link.cut()
    before = datetime.now(UTC)
    yard.sensor.send(weights(0, 300))
    yard.sensor.send(["61", "62", "63"], "scales/air")  # numbers without a time
    after = datetime.now(UTC)
    assert yard.until(lambda: yard.told("messages wait on this machine, none is lost"))
    time.sleep(1.5)
    assert yard.weights() == []
    yard.link.is_deaf = True  # what comes now arrives, and is never confirmed
    yard.link.open = True
    assert yard.until(lambda: len(yard.weights()) >= 20)
    yard.link.cut()
    yard.kill()  # and so it is sent once more
    yard.link.mend()
    yard.forward()
    assert yard.until(lambda: len(yard.weights()) == 300 and len(yard.stored(AIR)) == 3)
    assert yard.weights() == [kg(k) for k in range(300)]
    air = yard.stored(AIR)
    assert list(air["value"]) == [61, 62, 63]
    moments = [datetime.fromtimestamp(each, UTC) for each in air["posix_s"]]
    slack = timedelta(seconds=0.6)  # an arrival carries its packet's number in its last 65 ms
    assert all(before - slack <= one <= after + slack for one in moments)
    assert yard.until(lambda: yard.state().here and yard.state().waiting == 0)
    yard.end()
    assert yard.until(lambda: not yard.state().here)


@pytest.mark.broker
def test_kills_of_forwarder_and_broker_in_the_middle_lose_and_double_nothing(yard, kit):
    yard.forward()
    count, step = 3000, 500
    for turn, first in enumerate(range(0, count, step)):
        yard.sensor.send(weights(first, first + step))
        if turn % 3 == 0:
            yard.kill()
            yard.forward()
        elif turn % 3 == 1:
            yard.near.kill()
            yard.near.start()
        else:
            yard.link.cut()
            yard.link.mend()
    assert yard.until(lambda: kit.stored(yard.shop_dir) >= count, 60)
    time.sleep(0.5)
    assert yard.weights() == [kg(k) for k in range(count)]
    with shop.open(yard.shop_dir) as opened:
        assert opened.store.quarantine_count() == 0


@pytest.mark.broker
def test_a_full_spool_says_so_keeps_the_oldest_and_goes_on_when_the_link_is_back(yard, kit):
    """What finds no room waits at the yard's broker, which has it from the sensor and is not answered."""
    yard.settle("spool_mb = 5\n")
    yard.link.cut()
    yard.forward()
    yard.sensor.send([each + " " * 3000 for each in weights(0, 2000)])  # all confirmed: by the yard's broker
    assert yard.until(lambda: yard.told("what comes waits at the yard's broker"))
    assert yard.told("has no room left in its 5 MB")
    assert yard.told("; repair the link, or raise spool_mb in [forward]")
    spool = forwarder_setup.spool_of(config.load(yard.shed), config.load(yard.shed).forward)
    assert yard.until(lambda: len(spool.after(0, 9999)) > 700)
    waits = [json.loads(raw.payload)[0]["v"] for _, raw in spool.after(0, 9999)]
    assert waits == [kg(k) for k in range(len(waits))]  # the oldest, in order
    assert len(waits) < 1400
    assert 3 < spool.used_mb() <= 5
    spool.close()
    yard.kill()  # and it is full when it comes back
    yard.forward()
    time.sleep(0.5)
    yard.link.mend()
    assert yard.until(lambda: kit.stored(yard.shop_dir) == 2000, 60)
    assert yard.weights() == [kg(k) for k in range(2000)]
    assert yard.until(lambda: yard.state().waiting == 0)
    assert Path(f"/proc/{yard.pid}").exists()


@pytest.mark.broker
def test_a_yards_broker_that_is_killed_sends_again_and_is_stored_once(yard, kit):
    """It comes back with what it had saved: messages that were taken meanwhile come once more, unmarked."""
    yard.forward()
    sent = 0
    for turn in range(2):
        yard.sensor.send([f"{k / 100:.2f}" for k in range(3000 + sent, 3000 + sent + 200)], "scales/air")
        yard.far.save()
        yard.sensor.send([f"{k / 100:.2f}" for k in range(3200 + sent, 3200 + sent + 100)], "scales/air")
        sent += 300
        assert yard.until(lambda: kit.stored(yard.shop_dir) >= sent), turn  # noqa: B023 - asked here
        yard.far.kill()
        yard.far.start()
        assert yard.until(yard.sensor.client.is_connected)
    time.sleep(1.5)
    assert list(yard.stored(AIR)["value"]) == [k / 100 for k in range(3000, 3600)]


def test_weeks_that_waited_are_stored_at_their_times(yard, kit):
    count, began = 2000, datetime.now(UTC) - timedelta(days=35)
    part = config.load(yard.shed).forward
    spool = forwarder_setup.spool_of(config.load(yard.shed), part)
    moments = [began + timedelta(days=35) * k / count for k in range(count)]
    spool.keep([
        RawMessage(topic="scales/air", payload=f"{40 + k / 100}".encode(), arrived_utc=when, mid=k + 1)
        for k, when in enumerate(moments)
    ])  # fmt: skip
    spool.close()
    yard.forward()
    assert yard.until(lambda: kit.stored(yard.shop_dir) == count)
    air = yard.stored(AIR)
    assert list(air["value"]) == [40 + k / 100 for k in range(count)]
    assert max(abs(a - b.timestamp()) for a, b in zip(air["posix_s"], moments, strict=True)) < 1e-5


@pytest.mark.broker
def test_a_topic_that_the_shop_refuses_waits_and_holds_up_nothing(yard, tmp_path):
    rules = tmp_path / "rules"
    rules.write_text("topic readwrite baulk/#\ntopic read #\n")
    yard.near.kill()
    yard.near.conf.write_text(yard.near.conf.read_text() + f"acl_file {rules}\n")
    yard.near.start()
    yard.forward()
    yard.sensor.send(["61"], "scales/air")
    yard.sensor.send(weights(0, 30))
    assert yard.until(lambda: len(yard.weights()) == 30)
    assert yard.until(lambda: yard.told("does not take what comes on 'scales/air': our account may not"))
    yard.end()
    rules.write_text("topic readwrite #\n")
    os.kill(yard.near.process.pid, signal.SIGHUP)
    yard.forward()
    assert yard.until(lambda: list(yard.stored(AIR)["value"]) == [61])


def test_a_forwarder_needs_two_brokers(tmp_path):
    folder = tmp_path / "shed"
    folder.mkdir()
    settings = folder / "baulk.toml"
    settings.write_text("[broker]\nport = 1883\n")
    with pytest.raises(ConfigError, match=r"has no \[forward\]; write there"):
        forwarder_setup.check(config.load(folder))
    settings.write_text('[forward]\nhost = "127.0.0.1"\n')
    with pytest.raises(ConfigError, match=r"name the same broker, 127\.0\.0\.1:1883"):
        forwarder_setup.check(config.load(folder))
    settings.write_text('[forward]\nhost = "shop.example"\ntopics = ["a/#/b"]\n')
    with pytest.raises(ConfigError, match="is no filter"):
        config.load(folder)
    settings.write_text('[forward]\nhost = "shop.example"\nspool = 3\n')
    with pytest.raises(ConfigError, match=r"spool is not known; known: .*spool_mb"):
        config.load(folder)
    settings.write_text('[forward]\nhost = "shop.example"\n')
    assert config.load(folder, env={"BAULK_FORWARD_PASSWORD": "x"}).forward.password.get_secret_value() == "x"
    (folder / "baulk.toml").write_text("")
    assert config.load(folder, env={"BAULK_FORWARD_PASSWORD": "x"}).forward is None


def spooled(folder, **options):
    (folder / "baulk.toml").write_text('[forward]\nhost = "shop.example"\n')
    settings = config.load(folder)
    return forwarder_setup.spool_of(settings, settings.forward)


def message(number, *, topic="scales/air", when=None):
    return RawMessage(
        topic=topic, payload=f"{number}".encode(), mid=number,
        arrived_utc=when or datetime(2026, 5, 1, tzinfo=UTC) + timedelta(minutes=number),
    )  # fmt: skip


def test_a_clock_that_is_set_moves_what_waits_and_nothing_that_was_sent(tmp_path):
    spool = spooled(tmp_path)
    wrong = datetime(2026, 1, 1, tzinfo=UTC)
    spool.keep([message(k, when=wrong) for k in range(1, 5)])
    assert spool.shift(2, 86_400 * 30) == 2
    assert [raw.arrived_utc for _, raw in spool.after(0, 9)] == [wrong] * 2 + [wrong + timedelta(days=30)] * 2


def test_the_spool_remembers_what_was_sent_and_gives_it_out_once_more_when_asked(tmp_path):
    spool = spooled(tmp_path)
    spool.keep([message(k) for k in range(1, 11)])
    numbers = [number for number, _ in spool.after(0, 99)]
    spool.settle(numbers[:6], refused=[numbers[7]])
    assert spool.waiting == 3
    assert spool.refused() == 1
    assert [raw.mid for _, raw in spool.after(0, 99)] == [7, 9, 10]
    spool.close()
    again = spooled(tmp_path)
    assert again.waiting == 3
    assert [
        raw.mid
        for part in again.tail("x", count=99, most=99, lasting=timedelta(0))
        for raw in part.messages()
    ] == list(range(1, 11))
    assert again.wait_again(numbers[4:6]) == 2
    assert again.try_refused() == 1
    assert [raw.mid for _, raw in again.after(0, 99)] == [5, 6, 7, 8, 9, 10]
    again.close()


@pytest.mark.parametrize(
    ("said", "arrived"),
    [
        (b"1777629600000000 0 shed", datetime(2026, 5, 1, 10, tzinfo=UTC)),
        (b"1777629600000000 1 barn,shed", datetime(2026, 5, 1, 10, tzinfo=UTC)),
        (b"1877629600000000 0 shed", None),  # years ahead
        (b"100000000000000 0 shed", None),  # 1973: a clock that was never set
        (b"yesterday", None),
        (b"1777629600000000 0 " + b"a" * 500, None),
    ],
)
def test_what_a_forwarder_says_is_taken_where_it_can_be_so(said, arrived):
    here = datetime(2026, 5, 30, tzinfo=UTC)
    raw = RawMessage(topic="t", payload=b"1", arrived_utc=here)
    forwarding.apply(raw, said)
    assert raw.arrived_utc == (arrived or here)
    assert bool(raw.forwarded) == (arrived is not None)
    assert raw.retained == (b" 1 " in said)
    if arrived:
        then = RawMessage(
            topic="t", payload=b"1", arrived_utc=arrived, retained=raw.retained, forwarded=raw.forwarded
        )
        assert forwarding.value(then, "mill") == said.decode() + ",mill"


def test_the_state_of_a_forwarder_is_kept_and_nothing_else(tmp_path):
    folder = shop.init(tmp_path / "shop", name="Ferry yard")
    state = ForwarderMessage(
        name="shed", here=True, at_utc=datetime(2026, 5, 1, tzinfo=UTC), waiting=3, used_mb=1, room_mb=9,
        far_broker=True, clock_kept=None,
    )  # fmt: skip
    body = forwarders.written(state)

    def heard(topic, payload):
        raw = RawMessage(topic=topic, payload=payload, arrived_utc=datetime.now(UTC))
        return forwarders.keep(opened.store, raw, "ferry-yard")

    with shop.open(folder) as opened:
        assert heard("baulk/v1/ferry-yard/forward/shed/status", body)
        assert heard("baulk/v1/ferry-yard/forward/other/status", body)  # says another's name: not kept
        assert heard("baulk/v1/ferry-yard/forward/mill/status", b"no state")
        assert not heard("baulk/v1/ferry-yard/timber/FER-01", body)
        assert forwarders.all_of(opened.store) == [state]


@pytest.mark.bench
@pytest.mark.timeout(900)
def test_fifty_thousand_over_weeks_memory_and_time(yard, kit):
    """What waits lies on the disk: the forwarder's memory with 1,000 and with 50,000 waiting."""
    yard.link.cut()
    yard.forward()
    few, many = 1000, 50_000

    def memory_mb():
        for line in Path(f"/proc/{yard.pid}/status").read_text().splitlines():
            if line.startswith("VmRSS"):
                return int(line.split()[1]) / 1024
        return None

    yard.sensor.send(weights(0, few))
    time.sleep(2)
    small = memory_mb()
    began = time.monotonic()
    for first in range(few, many, 5000):
        yard.sensor.send(weights(first, min(first + 5000, many)))
    taken = time.monotonic() - began
    time.sleep(3)
    large, disk = memory_mb(), (yard.shed / "forward-shed.db").stat().st_size / 1e6
    yard.link.mend()
    began = time.monotonic()
    while kit.stored(yard.shop_dir) < many and time.monotonic() - began < 600:
        time.sleep(0.5)  # asking costs the listener in this process nothing
    sent, most = time.monotonic() - began, memory_mb()
    assert yard.weights() == [kg(k) for k in range(many)]
    print(
        f"\n{many} messages, {disk:.1f} MB in the spool: memory {small:.1f} MB with {few}, {large:.1f} MB "
        f"with all waiting, {most:.1f} MB after; taken in {taken:.0f} s, sent and stored in {sent:.0f} s"
    )
    assert large < small + 15


@pytest.mark.broker
def test_a_disk_that_takes_nothing_for_a_while_ends_nothing(yard, kit, monkeypatch):
    """What the shop confirmed and could not be noted is noted later; what comes meanwhile is kept then."""
    full = threading.Event()
    writing = Spool._writing

    def taking(spool):
        if full.is_set() and spool.path.parent == yard.shed:
            raise StoreFull("the spool can't be written (disk full); make room on the disk")
        return writing(spool)

    monkeypatch.setattr(Spool, "_writing", taking)
    said, stop, ready = [], threading.Event(), threading.Event()
    how = {"say": said.append, "on_ready": ready.set}
    thread = threading.Thread(target=forwarder.run, args=(config.load(yard.shed), stop), kwargs=how)
    thread.start()
    try:
        assert yard.until(ready.is_set)
        yard.link.is_deaf = True  # sent, and not confirmed yet
        yard.sensor.send(weights(0, 50))
        assert yard.until(lambda: kit.stored(yard.shop_dir) >= 20)
        full.set()
        yard.link.cut()
        yard.link.mend()
        yard.sensor.send(weights(50, 80))
        assert yard.until(lambda: any("disk full" in each for each in said)), said
        assert yard.until(lambda: kit.stored(yard.shop_dir) == 50), said  # confirmed, and not to be noted
        time.sleep(0.5)
        assert thread.is_alive()
        full.clear()
        assert yard.until(lambda: kit.stored(yard.shop_dir) == 80), said
        assert yard.until(lambda: yard.state().waiting == 0)
    finally:
        stop.set()
        thread.join(15)
    assert yard.weights() == [kg(k) for k in range(80)]


@pytest.mark.bench
@pytest.mark.timeout(600)
@pytest.mark.parametrize("seed", [1, 2])
def test_thirty_faults_of_every_kind_lose_and_double_nothing(yard, kit, seed):
    """Kills of the forwarder and of both brokers, cuts, and answers that are lost, at random, under load."""
    chance = random.Random(seed)  # noqa: S311
    yard.forward()
    count, step = 9000, 300
    for first in range(0, count, step):
        yard.sensor.send(weights(first, first + step))
        fault = chance.choice(["forwarder", "near", "far", "cut", "deaf"])
        if fault == "forwarder":
            yard.kill()
            yard.forward()
        elif fault == "near":
            yard.near.kill()
            yard.near.start()
        elif fault == "far":
            yard.far.save()  # what a broker confirmed since it last wrote its memory dies with it
            yard.far.kill()
            yard.far.start()
            assert yard.until(yard.sensor.client.is_connected)
        else:
            yard.link.is_deaf = fault == "deaf"
            time.sleep(0.3)
            yard.link.cut()
            yard.link.mend()
    assert yard.until(lambda: kit.stored(yard.shop_dir) >= count, 100)
    time.sleep(1)
    assert yard.weights() == [kg(k) for k in range(count)]
    with shop.open(yard.shop_dir) as opened:
        assert opened.store.quarantine_count() == 0
