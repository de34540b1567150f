"""How late the messages of one device come, and what that says of its clock.

A message only comes late, so what arrives soonest after the time that it names tells of the clock; what lay
in a buffer shows as a spread of delays above that. A clock is called behind only where nothing else can be
meant: a device that speaks seldom may send a whole day's record a few hours later, one that speaks once an
hour may name the beginning of the hour, and one that sends an old message for each new one was silent before.
"""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import combinations
from typing import Final

from baulk.ingest.wire.message import AHEAD_S

# All limits are our own judgement, without a published source.
OFF_S: Final = AHEAD_S  # from here on a clock is called wrong; less may be the way that a message takes
LEVEL_S: Final = 120.0  # delays that differ by less are of one clock
_LASTING_S: Final = 6 * 3600.0  # a level that is believed has lasted so long, and
_MANY: Final = 12  # so many messages
_WHOLE_S: Final = 90.0  # from a whole hour: radio, rounding, some drift
_ZONES_H: Final = 14  # the largest offset of a time zone; beyond, whole days may be a wrong date
_STEP_S: Final = 60.0  # by which the correction of a drifting clock moves
_DAYS: Final = 28  # whose soonest messages are kept
_DRIFT_DAYS: Final = 3
_SPANS: Final = 20  # of one topic


class Choice(StrEnum):
    """What a person said of a device's times."""

    AS_SENT = "as-sent"  # they are right, for instance the beginnings of the hours that it averages over
    CORRECT = "correct"  # they are off by what was learned


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A time in which a device's clock was known to be off.

    Parameters
    ----------
    since_s, until_s : float
        Arrivals, the end not among them; infinite while it lasts. [s since 1970]
    behind_s : float
        How far it was behind; below 0 ahead. [s]
    """

    since_s: float
    until_s: float
    behind_s: float


@dataclass(slots=True)
class Run:
    """Messages of one clock: their delays lie at one level, apart from those held up on their way.

    Parameters
    ----------
    since_s, last_s : float
        Arrivals of its first and its last message. [s since 1970]
    first_s, level_s : float
        Delay of the soonest message of its first day, and of late. [s]
    count : int
        Its messages.
    silent_s : float or None
        How long nothing had come before it began, beyond the usual. [s]
    before_s : float or None
        The level of the clock before it. [s]
    days : list of (int, float)
        Days since 1970, and the delay of the soonest message of each. [s]
    """

    since_s: float
    first_s: float
    level_s: float
    last_s: float
    count: int = 1
    silent_s: float | None = None
    before_s: float | None = None
    days: list[tuple[int, float]] = field(default_factory=list)

    @property
    def is_steady(self) -> bool:
        """Whether it has lasted long enough to be believed."""
        return self.count >= _MANY and self.last_s - self.since_s >= _LASTING_S

    @property
    def step_s(self) -> float:
        """Mean time between two messages, in seconds."""
        return (self.last_s - self.since_s) / max(self.count - 1, 1)

    def take(self, at_s: float, delay_s: float) -> None:
        """Take in one more message."""
        day = int(at_s // 86_400)
        if self.days and self.days[-1][0] == day:
            self.days[-1] = day, min(self.days[-1][1], delay_s)
        else:
            self.days = [*self.days[1 - _DAYS :], (day, delay_s)]
        self.level_s = min(delay for _, delay in self.days[-2:])
        if len(self.days) == 1:
            self.first_s = self.level_s
        self.last_s, self.count = at_s, self.count + 1

    def drift_s_day(self) -> float | None:
        """Return how much farther behind it is each day, in seconds; None if too few days tell."""
        if len(self.days) < _DRIFT_DAYS:
            return None
        slopes = [(b - a) / (later - day) for (day, a), (later, b) in combinations(self.days, 2)]
        return statistics.median(slopes)


@dataclass(slots=True)
class Topic:
    """What is remembered of one topic.

    Parameters
    ----------
    about : str
        Owner and name of what it measures.
    run, coming : Run
        The clock as it is, and a later level that may become it.
    last_s : float
        When a message came last. [s since 1970]
    spans : list of Span
        When its clock was known to be off.
    """

    about: str
    run: Run
    last_s: float
    coming: Run | None = None
    spans: list[Span] = field(default_factory=list)

    def hear(self, at_s: float, delay_s: float) -> None:
        """Take in a message."""
        lag = delay_s - self.run.level_s
        if lag < -LEVEL_S:
            self._begin(self._new(at_s, delay_s))
        elif lag <= LEVEL_S:
            self.run.take(at_s, delay_s)
            self.coming = None
        else:
            if self.coming is None or delay_s < self.coming.level_s - LEVEL_S:
                self.coming = self._new(at_s, delay_s)
            elif delay_s <= self.coming.level_s + LEVEL_S:
                self.coming.take(at_s, delay_s)
            if self.coming.is_steady:
                self._begin(self.coming)
        self.last_s = at_s

    def _new(self, at_s: float, delay_s: float) -> Run:
        run = self.run
        known = run.is_steady
        return Run(
            since_s=at_s,
            first_s=delay_s,
            level_s=delay_s,
            last_s=at_s,
            silent_s=at_s - self.last_s - (run.step_s if known else 0.0),
            before_s=run.level_s if known else run.before_s,
            days=[(int(at_s // 86_400), delay_s)],
        )

    def _begin(self, run: Run) -> None:
        self.run, self.coming = run, None
        self._end(run.since_s)

    def _end(self, at_s: float) -> None:
        if self.spans and self.spans[-1].until_s == math.inf:
            last = self.spans.pop()
            if at_s > last.since_s:
                self.spans.append(Span(since_s=last.since_s, until_s=at_s, behind_s=last.behind_s))

    def settle(self, choice: Choice | None, *, is_vouched: bool) -> None:
        """Open, move or end the correction of what is known by now."""
        found = judged(self.run)
        is_open = bool(self.spans) and self.spans[-1].until_s == math.inf
        if choice is Choice.AS_SENT:
            self._end(self.spans[-1].since_s if is_open else 0.0)
            return
        wanted = choice is Choice.CORRECT or is_open or (found.is_sure and is_vouched)
        if not (wanted and self.run.is_steady and abs(self.run.level_s) >= OFF_S):
            return
        begins = self.run.since_s
        if is_open:
            if abs(self.spans[-1].behind_s - found.behind_s) <= max(_STEP_S, _WHOLE_S * found.is_whole):
                return
            begins = self.last_s
            self._end(begins)
        self.spans = [
            *self.spans[1 - _SPANS :],
            Span(since_s=begins, until_s=math.inf, behind_s=found.behind_s),
        ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What a level of delays says.

    Parameters
    ----------
    behind_s : float
        What is put right: whole hours where it is that. [s]
    is_wrong : bool
        Whether it is a clock's mistake.
    is_whole : bool
        Whether it is whole hours, or days.
    is_sure : bool
        Whether nothing else can be meant.
    """

    behind_s: float
    is_wrong: bool
    is_whole: bool
    is_sure: bool


def judged(run: Run) -> Judged:
    """Judge whether a level of delays is a clock's mistake, and whether nothing else can be meant."""
    behind = run.level_s
    hours = round(behind / 3600)
    whole = hours != 0 and abs(behind - 3600 * hours) <= _WHOLE_S
    whole = whole and (abs(hours) <= _ZONES_H or hours % 24 == 0)
    off = run.is_steady and abs(behind) >= OFF_S
    if behind < 0:  # a message from the future proves it
        wrong = sure = off
    else:
        jump = 0.0 if run.before_s is None else behind - run.before_s
        held_up = run.silent_s is not None and run.silent_s >= jump - LEVEL_S
        jumped = jump > OFF_S and not held_up and run.step_s <= jump + LEVEL_S
        frequent = run.step_s <= behind / 2
        grown = len(run.days) >= _DRIFT_DAYS and abs(run.first_s) < OFF_S
        wrong = off and (frequent or jumped)
        sure = wrong and (jumped or grown or (whole and not (jump > OFF_S and held_up)))
    level = 3600.0 * hours if whole else float(round(behind))
    return Judged(behind_s=level, is_wrong=wrong, is_whole=whole, is_sure=sure)
