"""The whole yard: what has changed is worked out by a team, and kept one by one as the answers come.

One process gathers and keeps, so that the store has one writer; few timbers are on their way at any time, so
that memory stays flat. Each answer is kept with the fingerprint of what it was made from: after a kill,
however hard, the next run works out only what is missing.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Future, wait
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from baulk.ingest.evaluation.compute import Answered, Evaluation, in_words, not_worked_out
from baulk.ingest.evaluation.executors import InProcess, LocalProcesses, Team, cores
from baulk.ingest.evaluation.gather import UPDATED, Airs, gather, had_air, keep
from baulk.ingest.evaluation.inputs import Inputs
from baulk.ingest.evaluation.unchanged import Marks
from baulk.ingest.shop import Shop
from baulk.models.errors import OutOfRange

OLDEST: Final = timedelta(days=7)  # an answer's dates are counted from its own day
ENOUGH: Final = 8  # timbers that are worth the 2.5 s in which a process has loaded everything; measured
ENDED_TWICE: Final = (
    "its evaluation was killed twice, or ran out of memory; "
    "run it again alone, with fewer other programs running"
)
AHEAD: Final = 2  # timbers on their way for each that is being worked out


@dataclass(slots=True)
class Round:
    """What became of the timbers of one run.

    Parameters
    ----------
    done, unchanged : list of str
        Tags worked out, and tags whose stored answer still holds.
    failed : dict of str to str
        Why a timber has no verdict, by tag.
    stopped : bool
        Whether it was asked to end before all was done.
    """

    done: list[str] = field(default_factory=list)
    unchanged: list[str] = field(default_factory=list)
    failed: dict[str, str] = field(default_factory=dict)
    stopped: bool = False

    def add(self, other: Round) -> None:
        """Take in what became of more timbers."""
        self.done += other.done
        self.unchanged += other.unchanged
        self.failed |= other.failed
        self.stopped |= other.stopped

    @property
    def size(self) -> int:
        """How many timbers it came by."""
        return len(self.done) + len(self.unchanged) + len(self.failed)


@dataclass(frozen=True, slots=True)
class _Task:
    """A timber on its way."""

    inputs: Inputs
    revision: int
    fingerprint: str
    mark: str | None

    @property
    def tag(self) -> str:
        return self.inputs.timber.tag


def run(  # noqa: PLR0913 - what a person may choose
    shop: Shop,
    tags: Iterable[str],
    now_utc: datetime,
    *,
    workers: int | None = None,
    team: Team | None = None,
    again: bool = False,
    past: bool = False,
    whole: bool = True,
    begun: Callable[[str], None] = lambda _: None,
    done: Callable[[Answered | None], None] | None = None,
    stop: Callable[[], bool] = lambda: False,
) -> Round:
    """Work timbers out and keep the answers; one that can't be worked out keeps the reason.

    Parameters
    ----------
    shop : Shop
        The open shop.
    tags : iterable of str
        Which timbers.
    now_utc : datetime
        Now, with a time zone.
    workers : int, optional
        How many processes; one for each core if left out, and this one alone for a few timbers.
    team : Team, optional
        Who works them out instead; it is not closed.
    again : bool
        Whether to work out those as well whose stored answer still holds.
    past : bool
        Whether ``now_utc`` is an earlier day: the answers go among the past ones, the present ones stay.
    whole : bool
        Whether to fit each from its arrival; without it new readings are taken into the fit that is kept.
    begun : callable, optional
        Called before each timber with its tag.
    done : callable, optional
        Called after each timber with its evaluation, or with None where the stored one holds.
    stop : callable, optional
        Asked before each timber is begun; what is on its way is still kept.

    Returns
    -------
    Round
        What became of each.
    """
    wanted = list(dict.fromkeys(tags))
    own = team is None
    team = team or _team(len(wanted), workers)
    try:
        return _Run(
            shop,
            wanted,
            now_utc,
            team,
            again=again,
            past=past,
            whole=whole,
            begun=begun,
            done=done,
            stop=stop,
        ).all()
    finally:
        if own:
            team.close()


def _team(count: int, workers: int | None) -> Team:
    workers = min(workers or (cores() if count >= ENOUGH else 1), max(count, 1))
    return InProcess() if workers == 1 else LocalProcesses(workers)


class _Run:
    """One run: who waits, who is on the way, what became of the rest."""

    def __init__(  # noqa: PLR0913 - as `run`
        self,
        shop: Shop,
        tags: list[str],
        now_utc: datetime,
        team: Team,
        *,
        again: bool,
        past: bool,
        whole: bool,
        begun: Callable[[str], None],
        done: Callable[[Answered | None], None] | None,
        stop: Callable[[], bool],
    ) -> None:
        self._shop, self._now, self._team = shop, now_utc, team
        self._waiting = deque(tags)
        self._again, self._past, self._whole = again, past, whole or past
        self._begun, self._done, self._stop = begun, done, stop
        self._kept = {} if again or past else shop.store.fingerprints()
        self._made = {} if again or past else shop.store.evaluated()
        self._stale = frozenset(() if again or past else shop.store.stale())
        self._airs: Airs = {}
        self._marks = None if past else Marks(shop, now_utc, self._airs)
        self._on_way: dict[Future[Answered], _Task] = {}
        self._suspects: deque[_Task] = deque()  # a worker died over one of these; each is tried alone
        self._round = Round()

    def all(self) -> Round:
        """Go through every timber."""
        try:
            while self._waiting or self._on_way or self._suspects:
                if not self._stop():
                    self._begin()
                else:
                    self._drop()
                if self._on_way:
                    ready, _ = wait(self._on_way, return_when=FIRST_COMPLETED)
                    self._take(ready)
        finally:
            for future in self._on_way:
                future.cancel()
        return self._round

    def _drop(self) -> None:
        """Let go of what nobody has begun; what is being worked out is seconds from its answer."""
        dropped = [each for each in self._on_way if each.cancel()]
        for future in dropped:
            del self._on_way[future]
        self._round.stopped |= bool(dropped or self._waiting or self._suspects)
        self._waiting.clear()
        self._suspects.clear()

    def _begin(self) -> None:
        """Send off as many as the team can take, or a single one while a worker's death is looked into."""
        if self._suspects:
            if not self._on_way:
                suspect = self._suspects[0]
                self._on_way[self._team.submit(suspect.inputs)] = suspect
            return
        while self._waiting and len(self._on_way) < AHEAD * self._team.size and not self._stop():
            task = self._next()
            if task is None:
                continue
            try:
                self._on_way[self._team.submit(task.inputs)] = task
            except BrokenExecutor:  # noticed only now; those on their way will say so too
                self._suspects.append(task)
                break
            if self._team.size == 1:
                break

    def _next(self) -> _Task | None:
        """Gather the next timber; None if it needs no work or has no answer."""
        tag = self._waiting.popleft()
        self._begun(tag)
        revision = self._shop.store.revision()
        mark = None if self._marks is None else self._marks.of(tag)
        if self._marks is not None and self._marks.holds(tag, mark) and self._stands(tag):
            self._leave(tag, revision)
            return None
        inputs = in_words(tag, self._now, lambda: self._gathered(tag))
        if isinstance(inputs, Evaluation):
            self._keep(inputs, revision, None, with_air=had_air(self._shop, tag, self._now, revision))
            return None
        fingerprint = inputs.fingerprint()
        if self._holds(tag, fingerprint):
            if self._marks is not None:
                self._marks.keep(tag, mark)
            self._leave(tag, revision)
            return None
        return _Task(inputs, revision, fingerprint, mark)

    def _stands(self, tag: str) -> bool:
        """Whether the stored answer is of the kind that is asked for, and not too old."""
        kept = None if self._again else self._kept.get(tag)
        if kept is None or (self._whole and kept.endswith(UPDATED)):
            return False
        return self._now - self._made[tag] < OLDEST

    def _gathered(self, tag: str) -> Inputs:
        if self._past and (came := self._shop.register.get(tag).arrived_utc) > self._now:
            came, asked = (each.astimezone(self._shop.config.zone) for each in (came, self._now))
            raise OutOfRange(tag, f"arrived on {came:%Y-%m-%d}; there is nothing to say of {asked:%Y-%m-%d}")
        return gather(tag, self._shop, self._now, airs=self._airs, resume=not self._whole)

    def _holds(self, tag: str, fingerprint: str) -> bool:
        if self._again:
            return False
        if self._past:
            return any(each.made_utc == self._now for each in self._shop.store.past_evaluations(tag))
        good = {fingerprint} if self._whole else {fingerprint, fingerprint + UPDATED}
        return self._kept.get(tag) in good and self._now - self._made[tag] < OLDEST

    def _leave(self, tag: str, revision: int) -> None:
        """Leave a timber as it is; if news made it stale, note that they change nothing."""
        if tag in self._stale and (stored := self._shop.store.evaluation(tag)) is not None:
            self._shop.store.save_evaluation(
                tag, *stored, revision=revision, fingerprint=self._kept.get(tag), past=False
            )
        self._round.unchanged.append(tag)
        self._tell(None)

    def _take(self, ready: Iterable[Future[Answered]]) -> None:
        broken = []
        for future in ready:
            task = self._on_way.pop(future)
            err = BrokenExecutor() if future.cancelled() else future.exception()
            if isinstance(err, BrokenExecutor):
                broken.append(task)
                continue
            made: Answered
            if err is not None:
                made = not_worked_out(task.tag, self._now, f"its evaluation did not come back ({err})")
            else:
                made = future.result()
            self._forget(task)
            self._keep(made, task.revision, task.fingerprint)
            if self._marks is not None and made.failed is None:
                self._marks.keep(task.tag, task.mark)
        if broken:
            self._look_into(broken)

    def _look_into(self, broken: list[_Task]) -> None:
        """Restart the workers; give a timber up that was alone when a worker died for the second time."""
        if self._team.shares_fate:
            wait(self._on_way)
            lost = [each for each in self._on_way if isinstance(each.exception(), BrokenExecutor)]
            broken += [self._on_way.pop(each) for each in lost]
        self._team.restart()
        if self._suspects and broken == [self._suspects[0]]:
            task = self._suspects.popleft()
            made = not_worked_out(task.tag, self._now, ENDED_TWICE)
            self._keep(made, task.revision, task.fingerprint)
        else:
            self._suspects.extend(task for task in broken if task not in self._suspects)

    def _forget(self, task: _Task) -> None:
        if task in self._suspects:
            self._suspects.remove(task)

    def _keep(self, made: Answered, revision: int, fingerprint: str | None, *, with_air: bool = True) -> None:
        if not self._past:
            keep(made, self._shop, revision=revision, fingerprint=fingerprint, with_air=with_air)
        elif made.failed is None:
            self._shop.store.keep_past(made.tag, made.made_utc, made.to_json())
        if made.failed is None:
            self._round.done.append(made.tag)
        else:
            self._round.failed[made.tag] = made.failed
        self._tell(made)

    def _tell(self, made: Answered | None) -> None:
        if self._done is not None:
            self._done(made)
