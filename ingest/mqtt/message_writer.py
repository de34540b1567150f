"""Messages committed to the store, or spooled while it is unreachable.

A store on a server that is away: messages wait in the local spool, and are stored in order when it is back. A
store on this machine that is locked or full: they are held, and not acknowledged to the broker.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from itertools import groupby
from operator import attrgetter
from typing import Final

from baulk.ingest import host_clock, pipeline, service_manager
from baulk.ingest.device_clock import DeviceWatch
from baulk.ingest.errors import StoreAway, StoreError, StoreMoved
from baulk.ingest.host_clock import HostWatch
from baulk.ingest.mqtt.last_messages import Heard
from baulk.ingest.mqtt.spool import Spool
from baulk.ingest.repeats import Repeats
from baulk.ingest.shop import Shop
from baulk.ingest.store.raw_parts import Taken
from baulk.ingest.store.rejected import Cause, Rejected
from baulk.ingest.wire.message import RawMessage
from baulk.models.formatting import count

log = logging.getLogger("baulk.listener")

_BATCH: Final = 1000
_AGAIN_S: Final = 1.0  # until a store that was away is tried again
RETRY_S: Final = (0.2, 0.5, 1.0, 2.0, 5.0)


class MessageWriter:
    """What a listener does with messages until it may acknowledge them.

    Parameters
    ----------
    shop : Shop
        An open shop.
    name : str
        The listener's client id at the broker.
    heard : Heard
        Takes each topic's last message.
    stop : Event
        Ends every wait.
    say : callable
        Takes one sentence when something is held up, and when it goes on.
    """

    def __init__(
        self, shop: Shop, name: str, heard: Heard, stop: threading.Event, say: Callable[[str], None]
    ) -> None:
        self.shop, self.stop, self.say = shop, stop, say
        self.is_moved = False
        self.host_watch = HostWatch(shop.store)
        self.device_watch = DeviceWatch(shop.store, name, host_clock.synchronised)
        self.spool = Spool(shop.config.shop_dir / f"spool-{name}.db", room_mb=shop.config.broker.spool_mb)
        self._heard = heard
        self._repeats = Repeats(name)
        self._trouble: str | None = None
        self._next_drain = 0.0

    def until_safe(self, raws: list[RawMessage]) -> bool:
        """Commit or spool, however long it takes; return whether it was done before the stop."""
        tries, said = 0, None
        while True:
            service_manager.alive()  # held up, and well
            try:
                self._keep(raws)
            except StoreMoved:
                self.is_moved = True  # they stay with the broker
                return False
            except StoreError as err:
                if str(err) != said:
                    said = str(err)
                    self.say(f"{said}; held: {count(len(raws), 'message')}, none is lost")
            else:
                if said:
                    self.say("the store can be written again; the held messages are stored")
                return True
            if self.stop.wait(RETRY_S[min(tries, len(RETRY_S) - 1)]):
                return False
            tries += 1
            if self.spool.waiting:  # it may be the spool that is full
                self.drain()

    def _keep(self, raws: list[RawMessage]) -> None:
        if not self.spool.waiting:
            try:
                self._commit(raws)
            except StoreAway as err:
                self._trouble = str(err)
                self.say(f"{err}; messages wait in the spool on this machine, none is lost")
                self._next_drain = time.monotonic() + _AGAIN_S
            else:
                return
        self.spool.keep(raws)

    def drain(self) -> None:
        """Store what lies in the spool, oldest first, unless the store is still away."""
        if time.monotonic() < self._next_drain:
            return
        try:
            while self.spool.waiting and not self.stop.is_set():
                raws, last = self.spool.oldest(_BATCH)
                self._commit(raws)
                self.spool.drop(last)
        except StoreMoved:
            self.is_moved = True
        except StoreError as err:
            self._next_drain = time.monotonic() + _AGAIN_S
            if str(err) != self._trouble:
                self._trouble = str(err)
                self.say(f"{err}; waiting in the spool: {count(self.spool.waiting, 'message')}, none is lost")
        else:
            if not self.spool.waiting:
                self._trouble = None
                self.say("the store is back; what waited in the spool is stored")

    def _commit(self, raws: Sequence[RawMessage]) -> None:
        """Store what came, that of one connection after that of another, which may repeat it."""
        for _, group in groupby(raws, key=attrgetter("linked_utc")):
            self._commit_some(list(group))

    def _commit_some(self, raws: Sequence[RawMessage]) -> None:
        """Store a batch; after a mistake of ours message by message, so that none is lost by it."""
        if self.host_watch.ahead_s:
            ahead_s = self.host_watch.ahead_s
            raws = [raw if raw.forwarded else replace(raw, host_ahead_s=ahead_s) for raw in raws]
        if behind := self.device_watch.corrected:
            raws = [
                replace(raw, device_behind_s=behind[raw.topic]) if raw.topic in behind else raw
                for raw in raws
            ]
        try:
            pipeline.handle_batch(raws, self.shop, heard=self._heard.last, repeats=self._repeats)
        except StoreError:
            raise
        except Exception as err:
            log.exception("a batch of %d messages failed", len(raws))
            for raw in raws:
                self._one(raw, err)

    def _one(self, raw: RawMessage, first: Exception) -> None:
        try:
            pipeline.handle(raw, self.shop, repeats=self._repeats)
        except StoreError:
            raise
        except Exception:  # noqa: BLE001
            why = f"Baulk itself failed on this message, please report it: {first!r}"
            bad = Rejected(raw=raw, reason=why, cause=Cause.PROGRAM)
            taken = Taken(client=self._repeats.client, raws=(raw,), now_utc=datetime.now(UTC))
            self.shop.store.save((), (bad,), taken=taken)
