"""One thing that could be done with a timber, and what comes of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from baulk.models.reason import Reason

What = Literal["leave", "rough_out", "square", "kerf", "coat", "move", "use"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Prices:
    """What the shop pays, in its own money; None where it has not said.

    Parameters
    ----------
    hour : float or None
        An hour of one person's work. [money/h]
    coat_m2 : float or None
        Coat for a square metre. [money/m2]
    """

    hour: float | None = None
    coat_m2: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Weeks:
    """A middle number of weeks with its 5-95 % range.

    Parameters
    ----------
    median, low, high : float
        Over the members of the ensemble. [weeks]
    """

    median: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """What comes of one thing that could be done with a timber.

    Parameters
    ----------
    what : str
        One of `What`.
    values : dict
        What belongs to it: the place and after how many weeks, the face and depth of a kerf, the size to
        rough out to, the other use.
    ready_utc : datetime or None
        First day on which the verdict's rule says square; None beyond the horizon. Of squaring it is today.
    spread_days : float
        Standard deviation of that day. [d]
    weeks : Weeks
        Until then, member by member. [weeks]
    comes_out : float
        Chance that the finished section still comes out of it. [-]
    stays : float
        Chance that the piece squared on that day stays within what its use tolerates; on the surest day of
        the horizon where there is none. [-]
    holds : float
        Chance of both. [-]
    check_chance : float or None
        Chance that a surface is asked for more than boards of its wood stand, until it is squared and at most
        for a year; of squaring, in the year after. None where no start of its wood is published. [-]
    work_h : float
        Hours of one person's work. [h]
    money : float or None
        Of that work and what it uses; None where the shop has set no price. [money]
    lost_mm : (float, float)
        Oversize that the saw takes off now, of width and depth. [mm]
    rank : int
        1 for the best, the same number for those that differ by less than is known.
    beside : Reason
        How it compares with the best of those that are better, among the best with the first of them.
    """

    what: What
    values: dict[str, float | str]
    ready_utc: datetime | None
    spread_days: float
    weeks: Weeks
    comes_out: float
    stays: float
    holds: float
    check_chance: float | None
    work_h: float
    money: float | None
    lost_mm: tuple[float, float]
    rank: int
    beside: Reason


@dataclass(frozen=True, slots=True, kw_only=True)
class Choices:
    """Everything that could be done with a timber.

    Parameters
    ----------
    tag : str
        Which.
    made_utc : datetime
        Moment that it speaks of.
    headline : Reason
        What is best, and what is as good.
    own : tuple of Choice
        For the use that it was entered for, the best first.
    other_uses : tuple of Choice
        For another use, the best first; another use is another wish, so they are not ranked with the rest.
    unanswered : tuple of Reason
        What could not be worked out, and why.
    notes : tuple of Reason
        What is to be known of all of them.
    """

    tag: str
    made_utc: datetime
    headline: Reason
    own: tuple[Choice, ...]
    other_uses: tuple[Choice, ...]
    unanswered: tuple[Reason, ...]
    notes: tuple[Reason, ...]
