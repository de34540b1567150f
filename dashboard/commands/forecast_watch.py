"""`baulk forecast --watch`: sees what is due, and has it worked out by a process that comes for it.

This one stays for as long as the shop is open and loads nothing that works anything out.
"""

from __future__ import annotations

import threading
import time
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, date, datetime, timedelta
from typing import Any, Final, Protocol, TypeVar

from baulk.dashboard.commands import forecast_turns
from baulk.dashboard.commands.answers import say, stamp
from baulk.dashboard.commands.forecast_turns import Begun, Ended, JobSettings
from baulk.ingest import memory, service_manager
from baulk.ingest.errors import StoreError
from baulk.ingest.evaluation import gather
from baulk.ingest.evaluation.batch import ENDED_TWICE
from baulk.ingest.evaluation.compute import not_worked_out
from baulk.ingest.evaluation.due import Due
from baulk.ingest.monitoring import machine, nightly, notify
from baulk.ingest.settings_watch import Watched
from baulk.ingest.shop import Shop
from baulk.ingest.worker_process import Work, WorkerDied, WorkerStopTimeout
from baulk.models.text.common import span

EVERY_S: Final = 1.0
SWAPS_EVERY: Final = timedelta(hours=1)
PAUSES_S: Final = (
    10.0,
    60.0,
    600.0,
    3600.0,
)  # after the worker process died over no timber; our own judgement
NIGHT_STALL_TIMEOUT_S: Final = 6 * 3600.0  # a large backup is proved in one piece; our own judgement

T = TypeVar("T")


class Worker(Protocol):
    """Who does the work, as `baulk.ingest.worker_process.WorkerProcess` does it."""

    def run(
        self,
        work: Work[..., T],
        *given: object,
        told: Callable[[Any], None] = ...,
        stopped: Callable[[], bool] = ...,
        stall_timeout_s: float | None = ...,
    ) -> T:
        """Do it and return what it gave."""

    def close(self) -> None:
        """Let go of what it holds; the next work begins anew."""


def watch(
    opened: Shop,
    stop: threading.Event,
    worker: Worker,
    *,
    workers: int | None = None,
    cluster: str | None = None,
) -> None:
    """Go round until somebody asks us to end; what is wrong with the store now may be right in a moment.

    The first round of each day, and that after a change of settings, goes over every timber and fits it from
    its arrival, for the program or the settings may be other ones than before; from then on new readings are
    taken into that fit.

    Parameters
    ----------
    opened : Shop
        The open shop.
    stop : threading.Event
        Set when somebody asks us to end.
    worker : Worker
        Who works out.
    workers, cluster
        As for `forecast_turns.JobSettings`.
    """
    said, first = "", True
    turns = _Turns(worker, stop, workers, cluster)
    with Watched(opened) as watched, closing(notify.Messenger(opened)) as messenger:
        service_manager.ready()
        while not stop.wait(0 if first else EVERY_S):
            first = False
            service_manager.alive()
            try:
                anew, told = watched.look()
                if told:
                    say(told)
                shop = watched.shop
                if anew:
                    turns.anew()
                    messenger.move_to(shop)
                turns.turn(shop, datetime.now(UTC))
                said = ""
                system, zone = shop.config.shop.units, shop.config.zone
                for each in messenger.turn(datetime.now(UTC)):
                    say(f"notice, {each.kind}: {each.words(system, zone=zone)}")
            except StoreError as err:
                if str(err) != said:  # once, not every second
                    said = str(err)
                    say(said)
        service_manager.ending()


class _Turns:
    """What is due of a shop, and what has become of it."""

    def __init__(
        self, worker: Worker, stop: threading.Event, workers: int | None, cluster: str | None
    ) -> None:
        self._worker, self._stop, self._workers, self._cluster = worker, stop, workers, cluster
        self._due = Due()
        self._round_of: date | None = None  # the day of the last round over every timber
        self._owed: set[str] = set()  # `Due` tells of a new sensor once
        self._evaluated = True  # since swaps were looked for
        self._looked: datetime | None = None
        self._under_way: str | None = None
        self._ended_over: Counter[str] = Counter()
        self._given_up: set[str] = set()
        self._ends = 0  # over no timber, one after the other
        self._not_before_s = float("-inf")

    def anew(self) -> None:
        """Go over every timber, for the settings are others."""
        self._round_of = None
        self._not_before_s = float("-inf")

    def turn(self, shop: Shop, now: datetime) -> None:
        """Look once, and do what is due."""
        today = now.astimezone(shop.config.zone).date()
        whole = self._round_of != today
        self._owed |= set(self._due.look(shop, now))  # also before a round over all, for what comes meanwhile
        machine.note_size(shop, now)
        if time.monotonic() < self._not_before_s:
            return
        settings = JobSettings(
            config=shop.config, woods=shop.woods, workers=self._workers, cluster=self._cluster
        )
        revision = shop.store.revision()
        try:
            worked = self._work(shop, settings, now, whole=whole)
            if whole and worked is not False:
                self._round_of = today
            self._ends = 0
        except WorkerStopTimeout as err:
            tag = self._under_way
            again = "what it had begun is done" if tag is None else f"{tag} is worked out again"
            say(f"{err}; {again} at the next start")
            return
        except WorkerDied as err:
            self._after(err, shop, now, revision)
            return
        finally:
            self._under_way = None
        if worked is not None:
            memory.give_back()

    def _work(self, shop: Shop, settings: JobSettings, now: datetime, *, whole: bool) -> bool | None:
        """Do what is due; None if nothing was, False if it was stopped."""
        worked = None
        waiting = [each for each in shop.store.stale() if each in self._owed] if self._owed else []
        if whole or waiting:
            worked = self._run(
                forecast_turns.work_out, settings, now, None if whole else waiting, frozenset(self._given_up),
                told=lambda what: self._hear(what, shop),
            )  # fmt: skip
            if worked:
                self._given_up.clear()
                self._ended_over.clear()
            else:
                return False
        self._owed.clear()
        if self._stop.is_set():
            return worked
        if self._evaluated and (self._looked is None or now - self._looked >= SWAPS_EVERY):
            self._looked, self._evaluated = now, False
            try:
                new = self._run(forecast_turns.see_swaps, settings, now)
            except WorkerDied:
                self._evaluated = True  # looked for again in an hour; the night's work does not wait for it
                raise
            for words in new:
                say(words)
        if not self._stop.is_set() and nightly.due(shop, now):
            self._worker.close()  # what it holds of a round before would add to what planning the air takes
            self._run(forecast_turns.night, settings, now, told=say, stall_timeout_s=NIGHT_STALL_TIMEOUT_S)
            worked = True
        return worked

    def _run(
        self,
        work: Work[..., T],
        *given: object,
        told: Callable[[Any], None] = lambda _: None,
        stall_timeout_s: float | None = None,
    ) -> T:
        return self._worker.run(work, *given, told=told, stopped=self._stops, stall_timeout_s=stall_timeout_s)

    def _stops(self) -> bool:
        """Whether we are asked to end; it is this loop that turns while work goes on, so systemd is told."""
        service_manager.alive()
        return self._stop.is_set()

    def _hear(self, what: Begun | Ended, shop: Shop) -> None:
        if isinstance(what, Begun):
            self._under_way = what.tag
            return
        self._under_way, self._ends = None, 0
        if what.made_utc is not None:
            self._evaluated = True
            say(f"{stamp(what.made_utc, shop.config.zone)}  {what.tag}  {what.failed or 'evaluated'}")

    def _after(self, err: WorkerDied, shop: Shop, now: datetime, revision: int) -> None:
        """Try again what the process ended over: a timber once more at once, else after a pause."""
        tag = self._under_way
        if tag is None:
            pause_s = PAUSES_S[min(self._ends, len(PAUSES_S) - 1)]
            self._ends += 1
            self._not_before_s = time.monotonic() + pause_s
            say(f"{err}; tried again in {span(pause_s)}")
            return
        self._ended_over[tag] += 1
        if self._ended_over[tag] < 2:
            say(f"{err} over {tag}, which is tried once more")
            return
        self._given_up.add(tag)
        gather.keep(not_worked_out(tag, now, ENDED_TWICE), shop, revision=revision)
        say(f"{err} over {tag} again; it is left until it has news, or until tomorrow")
