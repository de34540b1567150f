"""The forwarder, for a machine at a yard with a poor link: takes messages there, keeps them, sends them on.

What comes at [broker] is put into a spool on this machine's disk and acknowledged, and from there sent to
the shop's broker ([forward]) in order, whenever the link allows, for weeks. Topic and payload stay as they
are; when it came goes beside it (`wire.forwarding`), so that a message that is sent twice is stored once.
What was confirmed in the last seconds before the link broke is sent again: a broker that was killed loses
what it has not written down yet.
"""

from __future__ import annotations

import contextlib
import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from itertools import groupby
from operator import attrgetter
from typing import Final

from paho.mqtt.enums import MQTTProtocolVersion

from baulk.ingest import service_manager
from baulk.ingest.config import Config, ForwardPart
from baulk.ingest.errors import BrokerError, StoreError
from baulk.ingest.mqtt import connection
from baulk.ingest.mqtt.forwarder_setup import check, misnamed, spool_of
from baulk.ingest.mqtt.forwarder_state import Seen
from baulk.ingest.mqtt.sender import Sender
from baulk.ingest.mqtt.session import Role, Session
from baulk.ingest.mqtt.spool import Spool
from baulk.ingest.repeats import Repeats
from baulk.ingest.store import forwarders
from baulk.ingest.store.forwarders import ForwarderMessage
from baulk.ingest.wire import forwarding, topics
from baulk.ingest.wire.message import RawMessage
from baulk.models.formatting import count

log = logging.getLogger("baulk.forwarder")

AGAIN_S: Final = 10.0  # before a broken link; a killed broker lost at most what was 6.2 s old
MOST_AGAIN: Final = 3  # times that a message is sent once more, for a link that comes and goes
_BATCH: Final = 1000
_WAIT_S: Final = 0.1
_BUSY_S: Final = 0.003  # while the shop's broker answers
_LIVELY_S: Final = 1.0
_RETRY_S: Final = (0.2, 0.5, 1.0, 2.0, 5.0)
_PUT_OFF_S: Final = 5.0  # after the shop's broker put a message off
_FIRST_REFUSED_S: Final = 2.0  # until what it does not take is tried again, then twice as long each time
_REFUSED_S: Final = 3600.0
_TELL_S: Final = 10.0
_SOON_S: Final = 1.0
_JUMP_S: Final = 2.0  # that this clock must be set by before arrivals follow
_FULL: Final = 0.8  # of the room, which is said
_FIRST_S: Final = 10.0
# answers of the shop's broker: it has a message, nobody there asks for it, it refuses it; or it can't be sent
_HAD, _TOO_LONG = 0, 3
_WHY: Final = (
    "nobody asks for it there; start the listener, or map the topic",
    "our account may not publish it there, or it can't be published",
    "it is longer than that broker takes, or on no topic that can be",
)


def run(  # noqa: PLR0913 - what tests and commands set
    config: Config,
    stop: threading.Event,
    *,
    on_ready: Callable[[], None] | None = None,
    say: Callable[[str], None] = log.warning,
    once: bool = False,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> None:
    """Forward until ``stop`` is set.

    Parameters
    ----------
    config : Config
        The settings, with a [forward].
    stop : Event
        Set it to end; what is not sent by then stays in the spool, what is not kept with the yard's broker.
    on_ready : callable, optional
        Called once, when the yard's broker has confirmed the subscriptions.
    say : callable
        Takes one sentence whenever something comes or goes.
    once : bool
        Fail if the yard's broker can't be reached in the first ten seconds, instead of trying on.
    now : callable
        The clock.

    Raises
    ------
    ConfigError
        If there is no [forward], or both brokers are the same one.
    BrokerError
        With ``once``, if there is no broker at the yard or it refuses us.
    """
    part = check(config)
    if wrong := misnamed(part):
        say(wrong)
    protocol = connection.V5
    while not stop.is_set():
        one = _Forwarder(config, part, stop, say=say, on_ready=on_ready, now=now, protocol=protocol)
        one.run(once=once)
        on_ready = None if one.was_ready else on_ready
        if one.session.wrong_version:
            protocol = connection.V311 if protocol == connection.V5 else connection.V5
            say("the yard's broker does not take our version of MQTT; going on with the other")


class _Log:
    """The spool as a log of messages, for `Repeats`."""

    def __init__(self, spool: Spool) -> None:
        self.raw = spool


class _Forwarder:
    def __init__(  # noqa: PLR0913 - as `run`
        self,
        config: Config,
        part: ForwardPart,
        stop: threading.Event,
        *,
        say: Callable[[str], None],
        on_ready: Callable[[], None] | None,
        now: Callable[[], datetime],
        protocol: MQTTProtocolVersion,
    ) -> None:
        self.config, self.part, self.stop, self.say, self.on_ready = config, part, stop, say, on_ready
        self.now = now
        self.was_ready = False
        self._said: dict[str, str | None] = {}
        self.spool = spool_of(config, part)
        self._log, self._repeats = _Log(self.spool), Repeats(part.name)
        self._sent_to = 0  # number of the last message that was handed to the sender
        self._answers: list[list[int]] = [[], *([] for _ in _WHY)]  # not noted in the spool yet
        self._confirmed: deque[tuple[float, int]] = deque()  # when, and the number, of the last seconds
        self._sent_again: dict[int, int] = {}  # how often, of these and of what is sent once more
        self._met = 0
        self._last_confirmed = float("-inf")
        self._put_off_until = 0.0
        self._next_tell, self._next_refused = 0.0, time.monotonic() + _REFUSED_S
        self._refused_s = _FIRST_REFUSED_S
        self._seen = Seen(part)
        self._first_here = self.spool.last_number()
        self._ahead = self._clock()
        self._told_full = False
        self.spool.try_refused()
        slug = config.slug
        filters = topics.handed_on(slug, config.source, part.topics)
        role = Role(part="forward", status=topics.forwarder_here(part.name, slug), filters=filters)
        self.session = Session(
            config, f"{config.client_id}-{part.name}"[:64], protocol=protocol, now=now, role=role
        )
        self._state = forwarders.begun(part.name, now(), part.spool_mb)
        self.sender = Sender(
            config, part, status=topics.forwarder(part.name, slug), will=forwarders.gone(self._look())
        )

    # --- the loop

    def run(self, *, once: bool) -> None:
        self.session.start()
        self.sender.start()
        deadline = time.monotonic() + _FIRST_S
        try:
            while not self.stop.is_set() and self.session.alive and not self.session.wrong_version:
                service_manager.alive()
                self._tell_problems()
                self._mind_clock()
                batch = self.session.take(_BATCH, self._patience_s())
                if batch.raws and self._until_safe(batch.raws):
                    self.session.acknowledge(batch)
                self._send()
                self._tell_state()
                if once and not self.session.ready.is_set():
                    self._fail_at(deadline)
        finally:
            self._tell_problems()
            self.session.leave()
            with contextlib.suppress(StoreError):  # then it is sent once more, and stored once
                self._settle()
            self.sender.leave(forwarders.gone(self._look()))
            self.spool.close()

    def _patience_s(self) -> float:
        """How long the next message may be waited for."""
        if self.sender.room and self._more():
            return 0.0
        return _BUSY_S if time.monotonic() - self._last_confirmed < _LIVELY_S else _WAIT_S

    def _fail_at(self, deadline: float) -> None:
        if not self.session.wrong_version and (self.session.problem or time.monotonic() > deadline):
            raise BrokerError(self.session.problem or connection.away(self.config.broker))

    def _more(self) -> bool:
        """Whether anything waits that is neither under way nor answered."""
        return self.spool.waiting > len(self.sender.under_way) + sum(map(len, self._answers))

    # --- in

    def _until_safe(self, raws: list[RawMessage]) -> bool:
        """Put messages into the spool, however long it takes; return whether it was done before the stop."""
        wanted = [raw for raw in raws if self._is_wanted(raw)]
        most, tries = len(wanted), 0
        while wanted:
            service_manager.alive()
            try:
                while wanted:
                    _, group = next(groupby(wanted[:most], key=attrgetter("linked_utc")))
                    kept = list(group)
                    self._keep(kept)
                    del wanted[: len(kept)]
                    most = min(2 * most, len(wanted) or 1)
            except StoreError as err:
                self._say_once("spool", f"{err}; what comes waits at the yard's broker")
                if most > 1:  # what there is room for is kept, the oldest first
                    most //= 2
                    continue
            else:
                self._say_once("spool", None)
                return True
            if not self._meanwhile(_RETRY_S[min(tries, len(_RETRY_S) - 1)]):
                return False
            tries += 1
        return True

    def _meanwhile(self, seconds: float) -> bool:
        """Send on until there may be room again, at the most so long; return whether to go on."""
        until, waiting = time.monotonic() + seconds, self.spool.waiting
        while time.monotonic() < until and self.spool.waiting >= waiting:
            service_manager.alive()
            self._tell_problems()
            self._send()
            self._tell_state()
            if self.stop.wait(self._patience_s() or _BUSY_S):
                return False
        return True

    def _keep(self, raws: Sequence[RawMessage]) -> None:
        fresh = self._repeats.fresh(raws, self._log)
        if fresh:
            self.spool.keep(fresh)
        self._repeats.committed(fresh, datetime.now(UTC))

    def _is_wanted(self, raw: RawMessage) -> bool:
        if topics.is_answer(raw.topic, self.config.slug) or raw.topic.startswith("$"):
            return False
        names = forwarding.names_of(raw)
        if self.part.name in names or len(names) >= forwarding.MOST_NAMES:
            self._say_once(
                "circle",
                f"a message on {raw.topic[:120]!r} came back that {self.part.name} had sent: [broker] and "
                "[forward] are one broker, or two forwarders have one name; it is not sent again",
            )
            return False
        return True

    # --- out

    def _send(self) -> None:
        """Send what there is room for under way; a disk that takes nothing holds nothing up."""
        problem = None
        for step in (self._settle, self._go_back, self._send_more):
            try:
                step()
            except StoreError as err:
                problem = str(err)
        self._say_once("out", problem)

    def _send_more(self) -> None:
        sender = self.sender
        if not sender.room or not self._more():
            return
        under_way = sender.under_way
        those = [
            one
            for one in self.spool.after(self._sent_to, sender.room + len(under_way))
            if one[0] not in under_way
        ][: sender.room]
        if those:
            self._sent_to = max(self._sent_to, those[-1][0])
            self._answers[_TOO_LONG].extend(sender.send(those))

    def _go_back(self) -> None:
        """Begin earlier with what has to be sent once more."""
        sender, now = self.sender, time.monotonic()
        if (met := sender.met) != self._met:
            if met > 1:
                self._send_last_again()
            self._met, self._next_tell, self._refused_s = met, 0.0, _FIRST_REFUSED_S
        if sender.again and not sender.under_way:
            if not self._put_off_until:
                self._put_off_until = now + _PUT_OFF_S
            elif now >= self._put_off_until:
                sender.again, self._put_off_until, self._sent_to = False, 0.0, 0
        if now >= self._next_refused:
            self._refused_s = min(2 * self._refused_s, _REFUSED_S)
            self._next_refused = now + _REFUSED_S
            if self.spool.try_refused():
                self._sent_to = 0

    def _settle(self) -> None:
        """Note in the spool what was confirmed; what can't be noted is kept in mind for the next time."""
        now = time.monotonic()
        self._forget_confirmed(now)
        for mine, more in zip(self._answers, self.sender.confirmed(), strict=False):
            mine.extend(more)
            if more:
                self._last_confirmed = now
        had = self._answers[_HAD]
        if had:
            self.spool.settle(had)
            self._confirmed += [(now, number) for number in had]
            had.clear()
        for numbers, why in zip(self._answers[_HAD + 1 :], _WHY, strict=True):
            if numbers:
                self._refuse(numbers, why)
                numbers.clear()

    def _refuse(self, numbers: list[int], why: str) -> None:
        """Keep what is not taken for another time, and let what follows go on."""
        found = self.spool.after(numbers[0] - 1, 1)
        topic = found[0][1].topic[:120] if found else "?"
        self.spool.settle((), numbers)
        self._next_refused = min(self._next_refused, time.monotonic() + self._refused_s)
        self._say_once(
            f"refused {topic}",
            f"the shop's broker does not take what comes on {topic!r}: {why}; it is kept and tried again",
        )

    def _forget_confirmed(self, now: float) -> None:
        while self._confirmed and self._confirmed[0][0] < now - AGAIN_S:
            _, number = self._confirmed.popleft()
            self._sent_again.pop(number, None)

    def _send_last_again(self) -> None:
        """Send once more what a broker that was killed may have confirmed and lost."""
        self._forget_confirmed(time.monotonic())
        times = self._sent_again
        numbers = [number for _, number in self._confirmed if times.get(number, 0) < MOST_AGAIN]
        if numbers:
            self.spool.wait_again(numbers)
        self._confirmed.clear()
        self._sent_again = {number: times.get(number, 0) + 1 for number in numbers}
        if numbers:
            self._sent_to = min(self._sent_to, min(numbers) - 1)

    # --- the clock

    def _clock(self) -> float:
        """How far this clock is ahead of one that nobody sets [s]."""
        return self.now().timestamp() - time.clock_gettime(_STEADY)

    def _mind_clock(self) -> None:
        """Move the arrivals of what waits when the clock is set, as after a start without a network."""
        ahead = self._clock()
        by_s = ahead - self._ahead
        if abs(by_s) > _JUMP_S:
            after = max(self._first_here, self._sent_to)
            try:
                moved = self.spool.shift(after, by_s)
            except StoreError as err:
                self._say_once("clock", str(err))
                return  # the clock stays set: tried again
            self.say(f"this clock was set by {by_s:.0f} s; moved with it: {count(moved, 'message')}")
        self._ahead = ahead

    # --- what is told

    def _look(self) -> ForwarderMessage:
        """Return our state now."""
        self._state = self._seen.look(self.spool, self.now(), far_broker=self.session.connected)
        return self._state

    def _tell_state(self) -> None:
        now = time.monotonic()
        done = self._state.waiting > 0 and self.spool.waiting == 0  # said soon: somebody may wait for it
        if now < self._next_tell - (_TELL_S - _SOON_S if done else 0):
            return
        self._next_tell = now + _TELL_S
        try:
            state = self._look()
        except StoreError as err:
            self._say_once("spool", str(err))
            return
        self.sender.tell(forwarders.written(state))
        full = state.used_mb > _FULL * state.room_mb
        if full and not self._told_full:
            left = (
                "" if state.days_left is None else f", enough for {count(round(state.days_left), 'day')} more"
            )
            self.say(
                f"the spool is {100 * state.used_mb / state.room_mb:.0f} % full{left}: {state.waiting} "
                "messages wait; repair the link, or raise spool_mb in [forward]"
            )
        self._told_full = full

    def _tell_problems(self) -> None:
        if self.session.ready.is_set() and not self.was_ready:
            self.was_ready = True
            if self.on_ready:
                self.on_ready()
        here, there = self.config.broker, self.part
        self._say_once(
            "yard", self.session.problem, f"connected to the yard's broker at {here.host}:{here.port}"
        )
        problem = self.sender.problem
        if problem is not None and not self.sender.connected:
            problem = f"{problem}; messages wait on this machine, none is lost"
        self._say_once("shop", problem, f"connected to the shop's broker at {there.host}:{there.port}")

    def _say_once(self, about: str, words: str | None, well: str | None = None) -> None:
        """Say something when it changes; ``well`` when the trouble is over."""
        if words != self._said.get(about):
            if words is not None:
                self.say(words)
            elif well is not None:
                self.say(well)
            self._said[about] = words


_STEADY: Final = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)  # counts on while the machine sleeps
