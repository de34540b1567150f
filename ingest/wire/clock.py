"""When a reading was taken: what the device says where that can be true, else an estimate; both are kept.

A device's time is believed from 2000 to ten minutes ahead of us. Of those that can't be true the distances
still hold: the newest becomes the arrival, or what was learned of the device's clock (`learn`). Where a clock
is known to be off by a zone, an hour, a day (`ingest.device_clock`), all that it says is moved by that.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from operator import attrgetter
from typing import Final

import numpy as np

from baulk.ingest.wire.message import AHEAD_S, FIRST_POSIX_S, RawMessage, is_right, moment
from baulk.models.reading import Reading

WRONG: Final = "clock"  # flag of a reading whose time is an estimate
_DEVICE: Final = "device-"  # begins the flag that holds what its device said
_APART_S: Final = 366 * 86_400.0  # two times that can't be true and lie farther apart are not of one clock
_LONGEST_S: Final = 20 * 366 * 86_400.0
_REACH_S: Final = 1e12
_BACK_S: Final = 5.0  # a device's time that goes back by more was set, or began anew
_LATE_S: Final = 60.0  # a message that was on its way for longer came out of a buffer
_DAYS: Final = 3  # with news before a drift can be told
_MICRO: Final = timedelta(microseconds=1)


def device_flag(posix_s: float) -> str:
    """Return the flag that keeps what a device said of the time, in seconds."""
    return f"{_DEVICE}{posix_s:.3f}" if abs(posix_s) < _REACH_S else f"{_DEVICE}{posix_s:.6g}"


def device_s(flags: Iterable[str]) -> float | None:
    """Return what the device said, in seconds since 1970, if the reading's time is an estimate."""
    marks = (flag.removeprefix(_DEVICE) for flag in flags if flag.startswith(_DEVICE))
    try:
        return next((float(mark) for mark in marks), None)
    except ValueError:
        return None


def newest_s(raw: RawMessage, readings: Iterable[Reading]) -> float | None:
    """Return the newest time that a device gave, right or not, in seconds since 1970, if it gave one."""
    given = []
    for one in readings:
        said = device_s(one.flags)
        if said is not None:
            given.append(said)
        elif (raw.now_utc - one.taken_utc) // _MICRO % 1000:  # else it is the arrival, or counted from it
            given.append(one.taken_utc.timestamp())
    return max(given, default=None)


class LazyClock:
    """A `Clock` that is made only when a time can't be true, and remembers the last time it gave.

    Parameters
    ----------
    times : iterable of float
        POSIX seconds of every record of the message, in its order; gone through only when needed. [s]
    raw : RawMessage
        The message.
    """

    def __init__(self, times: Iterable[float], raw: RawMessage) -> None:
        self._times, self._raw = times, raw
        self._latest = -math.inf if raw.device_behind_s else raw.now_utc.timestamp() + AHEAD_S
        self._clock: Clock | None = None
        self._last: tuple[float, datetime] | None = None

    def taken(self, posix_s: float) -> tuple[datetime, tuple[str, ...]]:
        """Return the moment and the flags that go with it."""
        if self._last is not None and self._last[0] == posix_s:
            return self._last[1], ()
        if FIRST_POSIX_S <= posix_s <= self._latest:
            self._last = posix_s, moment(posix_s)
            return self._last[1], ()
        return self._made().taken(posix_s)

    @property
    def is_known(self) -> bool:
        """Whether it is known how far the device's clock is off."""
        return bool(self._raw.device_behind_s) and self._made().is_known

    def _made(self) -> Clock:
        if self._clock is None:
            self._clock = Clock(self._times, self._raw)
        return self._clock


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Times that one wrong clock gave, and when the newest of them was."""

    first_s: float
    newest_s: float
    at: datetime


class Clock:
    """Gives each record of one message the time it was taken.

    Times that can't be true keep their distances, however long the buffer that they come from. The newest
    becomes the arrival; where the clock was set on the way, it comes before the first right time after it.

    Parameters
    ----------
    times : iterable of float
        POSIX seconds of every record of the message, in its order. [s]
    raw : RawMessage
        The message.
    """

    def __init__(self, times: Iterable[float], raw: RawMessage) -> None:
        self._now = raw.now_utc
        given = list(times)
        self._behind_s = raw.device_behind_s
        if max(given, default=0.0) + self._behind_s > self._now.timestamp() + AHEAD_S:
            self._behind_s = 0.0  # a message from the future: the clock was set meanwhile
        right = [is_right(one, self._now) for one in given]
        wrong = sorted({one for one, is_so in zip(given, right, strict=True) if not is_so})
        last = {one: index for index, one in enumerate(given)}
        # The first right time after each place: thousands of clocks in one message may each ask for it.
        first_after = [math.inf] * len(given)
        for index in range(len(given) - 1, 0, -1):
            first_after[index - 1] = min(first_after[index], given[index] if right[index] else math.inf)
        self._stretches: list[_Stretch] = []
        start = 0
        for end, one in enumerate(wrong):
            if end + 1 == len(wrong) or wrong[end + 1] - one > _APART_S:
                self._stretches.append(self._stretch(wrong[start : end + 1], first_after[last[one]], raw))
                start = end + 1
        self._begins = [one.first_s for one in self._stretches]

    def _stretch(self, wrong: Sequence[float], first_after_s: float, raw: RawMessage) -> _Stretch:
        newest, at = wrong[-1], self._now
        if first_after_s < math.inf:
            step = min((b - a for a, b in pairwise(wrong)), default=1.0)
            at = min(at, moment(first_after_s - step))
        if raw.clock_ahead_s is not None and is_right(newest - raw.clock_ahead_s, self._now):
            at = min(at, moment(newest - raw.clock_ahead_s))
        return _Stretch(first_s=wrong[0], newest_s=newest, at=at)

    @property
    def is_known(self) -> bool:
        """Whether it is known how far the device's clock is off."""
        return self._behind_s != 0

    def taken(self, posix_s: float) -> tuple[datetime, tuple[str, ...]]:
        """Return the moment and the flags that go with it."""
        if self._behind_s and posix_s >= FIRST_POSIX_S and is_right(posix_s + self._behind_s, self._now):
            return moment(posix_s + self._behind_s), (WRONG, device_flag(posix_s))
        if is_right(posix_s, self._now):
            return moment(posix_s), ()
        flags = (WRONG, device_flag(posix_s))
        if at := bisect_right(self._begins, posix_s):
            one = self._stretches[at - 1]
            if 0 <= (behind := one.newest_s - posix_s) <= _LONGEST_S:
                return one.at - timedelta(microseconds=round(behind * 1e6)), flags
        return self._now, flags


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """How far a device's clock was ahead while nobody set it.

    Parameters
    ----------
    first_s, last_s : float
        Arrival of its first and its last message. [s since 1970]
    ahead_s : float
        How far it was ahead at the last one. [s]
    drift_s_day : float or None
        How much farther each day; None if too few days tell. [s]
    """

    first_s: float
    last_s: float
    ahead_s: float
    drift_s_day: float | None

    def at(self, arrived_s: float) -> float:
        """Return how far it was ahead at a moment, in seconds."""
        return self.ahead_s + (arrived_s - self.last_s) / 86_400 * (self.drift_s_day or 0.0)


def learn(points: Sequence[tuple[float, float]]) -> list[Course]:
    """Learn a device's clock from its messages.

    A message can only come later than it was sent, so the clock is ahead by the most that any message says;
    what says less was held up on its way, for instance in a buffer.

    Parameters
    ----------
    points : sequence of (float, float)
        Arrival, and the newest time that the device gave, by arrival. [s since 1970]

    Returns
    -------
    list of Course
        One for each stretch in which the clock was not set.
    """
    courses: list[Course] = []
    stretch: list[tuple[float, float]] = []
    for arrived, said in points:
        if stretch and said < stretch[-1][1] - _BACK_S:
            courses.append(_course(stretch))
            stretch = []
        stretch.append((arrived, said))
    if stretch:
        courses.append(_course(stretch))
    return courses


def _course(points: Sequence[tuple[float, float]]) -> Course:
    arrived = np.array([one for one, _ in points])
    ahead = np.array([said for _, said in points]) - arrived
    days = np.floor((arrived - arrived[0]) / 86_400)
    best = [int(np.flatnonzero(days == day)[np.argmax(ahead[days == day])]) for day in np.unique(days)]
    if len(best) >= _DAYS:
        when, most = arrived[best], ahead[best]
        drift = float(np.median(np.diff(most) / np.diff(when))) * 86_400
        if abs(drift) < 60:  # else it is no clock that runs
            level = float(np.max(ahead - (arrived - arrived[-1]) / 86_400 * drift))
            return Course(
                first_s=float(arrived[0]), last_s=float(arrived[-1]), ahead_s=level, drift_s_day=drift
            )
    return Course(
        first_s=float(arrived[0]), last_s=float(arrived[-1]), ahead_s=float(ahead.max()), drift_s_day=None
    )


def ahead_of(courses: Sequence[Course], arrived_s: float, said_s: float) -> float | None:
    """Return how many seconds a clock was ahead when a message came that was held up; else None."""
    if at := bisect_right(courses, arrived_s, key=attrgetter("first_s")):
        one = courses[at - 1]
        if arrived_s <= one.last_s:
            ahead = one.at(arrived_s)
            held_up = arrived_s - (said_s - ahead)
            return ahead if _LATE_S < held_up < math.inf else None
    return None
