"""Moments as stores keep them: whole microseconds since 1970."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Final

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICRO: Final = timedelta(microseconds=1)
DAY_US: Final = 86_400_000_000
_WEEK_US: Final = 7 * DAY_US
_MONDAY_US: Final = 4 * DAY_US  # the first Monday after 1970 began, on a Thursday


def to_us(moment: datetime) -> int:
    """Whole microseconds since 1970."""
    return (moment - _EPOCH) // _MICRO


def from_us(micro: int) -> datetime:
    """Give the moment back, in UTC."""
    return _EPOCH + micro * _MICRO


def span(since: datetime | None, until: datetime | None) -> tuple[int, int]:
    """Both ends of a span of time; an end that is not given lies beyond every reading."""
    return (to_us(since) if since else -(2**62), to_us(until) if until else 2**62)


def week_of(moment: datetime) -> tuple[int, int]:
    """Where the ISO week of a moment begins, in UTC, and where the next one does."""
    start = (to_us(moment) - _MONDAY_US) // _WEEK_US * _WEEK_US + _MONDAY_US
    return start, start + _WEEK_US
