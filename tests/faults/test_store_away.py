"""A store on a server that goes away and comes back: acknowledged once safe in the spool, kept in order."""

from __future__ import annotations

import threading
import time

import pytest

from baulk.ingest import config
from baulk.ingest.errors import StoreAway, StoreFull
from baulk.ingest.mqtt.spool import Spool
from baulk.ingest.wire.message import RawMessage

pytestmark = pytest.mark.broker


class Away:
    """A store whose server is away while ``gone`` is set; notes the order in which readings came."""

    def __init__(self, store, gone, order):
        self._store, self._gone, self._order = store, gone, order

    def __getattr__(self, name):
        if self._gone.is_set():
            raise StoreAway("the store's server can't be reached; start it, or correct [store] in baulk.toml")
        return getattr(self._store, name)

    def save(self, readings, rejected=(), **more):
        readings = list(readings)
        new = self.__getattr__("save")(readings, rejected, **more)
        self._order += [one.taken_utc for one in readings]
        return new


@pytest.fixture
def gone():
    return threading.Event()


def test_messages_wait_in_the_spool_and_are_stored_in_order(kit, listen, sender, yard_dir, gone):
    order = []
    one = listen(yard_dir, lambda store: Away(store, gone, order))
    assert one.ready.wait(60)
    sender.send(kit.timed(0, 100))
    assert kit.until(lambda: kit.stored(yard_dir) == 100)
    gone.set()
    sender.send(kit.timed(100, 1500))
    assert kit.until(lambda: one.heard("messages wait in the spool on this machine"))
    assert kit.stored(yard_dir) == 100
    gone.clear()
    assert kit.until(lambda: one.heard("what waited in the spool is stored"))
    sender.send(kit.timed(1500, 1600))
    assert kit.until(lambda: kit.stored(yard_dir) == 1600)
    assert order == sorted(order)
    assert len(set(order)) == 1600


def test_what_the_spool_has_is_acknowledged_and_survives_the_listener(kit, nursery, sender, yard_dir):
    (yard_dir / "away").touch()
    pid = nursery.start(yard_dir, "faulty")
    assert kit.until(lambda: "ready" in kit.said(yard_dir))
    sender.send([*kit.timed(0, 600), *kit.untimed(0, 600)])
    spool = yard_dir / f"spool-{config.load(yard_dir).client_id}.db"

    def waiting():
        return spool.exists() and Spool(spool, room_mb=500).waiting == 1200

    assert kit.until(waiting)
    nursery.kill(pid)
    (yard_dir / "away").unlink()
    nursery.start(yard_dir, "faulty")
    assert kit.until(lambda: kit.stored(yard_dir) == 1200)
    time.sleep(0.5)
    assert kit.count(yard_dir, 600, 600) == kit.Count(sent=1200, lost=0, doubled=0)


def test_kills_while_the_store_comes_and_goes(kit, nursery, sender, yard_dir):
    sent, away = 0, yard_dir / "away"
    pid = nursery.start(yard_dir, "faulty")
    assert kit.until(lambda: "ready" in kit.said(yard_dir))
    for turn in range(6):
        if turn % 2:
            away.touch()
        else:
            away.unlink(missing_ok=True)
        sender.send([*kit.timed(sent, sent + 100), *kit.untimed(sent, sent + 100)])
        sent += 100
        time.sleep(0.1 * (turn % 3))
        nursery.kill(pid)
        pid = nursery.start(yard_dir, "faulty")
    away.unlink(missing_ok=True)
    assert kit.until(lambda: kit.stored(yard_dir) >= 2 * sent)
    time.sleep(0.5)
    assert kit.count(yard_dir, sent, sent) == kit.Count(sent=2 * sent, lost=0, doubled=0)


def test_a_full_spool_holds_the_messages_at_the_broker(kit, listen, sender, yard_dir, gone):
    path = yard_dir / "baulk.toml"
    path.write_text(path.read_text().replace("[broker]", "[broker]\nspool_mb = 0.06"))
    one = listen(yard_dir, lambda store: Away(store, gone, []))
    assert one.ready.wait(60)
    gone.set()
    sender.send(kit.timed(0, 3000))
    assert kit.until(lambda: one.heard("make room on the disk, or raise spool_mb in [broker]"))
    gone.clear()
    assert kit.until(lambda: kit.stored(yard_dir) == 3000)
    assert kit.count(yard_dir, 3000).doubled == 0


def test_a_full_spool_keeps_all_of_a_batch_or_nothing(tmp_path, now_utc):
    spool = Spool(tmp_path / "spool.db", room_mb=0.06)
    raws = [
        RawMessage(topic="t", payload=bytes(3000), arrived_utc=now_utc, mid=1 + number)
        for number in range(40)
    ]
    with pytest.raises(StoreFull, match=r"the spool .* can't be written"):
        spool.keep(raws)
    assert spool.oldest(100)[0] == []
    spool.keep(raws[:3])
    kept, last = spool.oldest(100)
    assert kept == raws[:3]
    spool.drop(last)
    assert (spool.waiting, spool.oldest(100)[0]) == (0, [])
    spool.close()


def test_a_message_that_comes_again_lies_in_the_spool_once(tmp_path, now_utc):
    first = RawMessage(topic="t", payload=b"1", arrived_utc=now_utc, mid=7)
    again = RawMessage(topic="t", payload=b"1", arrived_utc=now_utc, mid=7, again=True)
    other = RawMessage(topic="t", payload=b"1", arrived_utc=now_utc, mid=8, again=True)
    spool = Spool(tmp_path / "spool.db", room_mb=1)
    spool.keep([first])
    spool.keep([again, other])
    assert [one.mid for one in spool.oldest(10)[0]] == [7, 8]
    spool.close()
    reopened = Spool(tmp_path / "spool.db", room_mb=1)
    assert reopened.waiting == 2
    reopened.close()
