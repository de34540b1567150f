"""The device's clock: believed from 2000 to ten minutes ahead of us, else replaced by the arrival."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Final

FIRST_POSIX_S: Final = 946_684_800.0  # 2000-01-01
AHEAD_S: Final = 600.0
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_SPREAD_S: Final = 86_400.0


def is_right(posix_s: float, arrived_utc: datetime) -> bool:
    """Whether a device's time can be true."""
    return FIRST_POSIX_S <= posix_s <= arrived_utc.timestamp() + AHEAD_S


def moment(posix_s: float) -> datetime:
    """Turn POSIX seconds into a moment, to the microsecond."""
    return _EPOCH + timedelta(microseconds=round(posix_s * 1e6))


class LazyClock:
    """A `Clock` that is made only when a time can't be true, and remembers the last time it gave.

    Parameters
    ----------
    times : iterable of float
        POSIX seconds of every record of the message; gone through only when needed. [s]
    arrived_utc : datetime
        When the message reached us.
    """

    def __init__(self, times: Iterable[float], arrived_utc: datetime) -> None:
        self._times, self._arrived = times, arrived_utc
        self._latest = arrived_utc.timestamp() + AHEAD_S
        self._clock: Clock | None = None
        self._last: tuple[float, datetime] | None = None

    def taken(self, posix_s: float) -> tuple[datetime, tuple[str, ...]]:
        """Return the moment and the flags that go with it."""
        if self._last is not None and self._last[0] == posix_s:
            return self._last[1], ()
        if FIRST_POSIX_S <= posix_s <= self._latest:
            self._last = posix_s, moment(posix_s)
            return self._last[1], ()
        if self._clock is None:
            self._clock = Clock(self._times, self._arrived)
        return self._clock.taken(posix_s)


class Clock:
    """Gives each record of one message the time it was taken.

    Times that can't be true keep their distance from the newest of them, which becomes the arrival, so that
    a buffer sent by a device whose clock was never set stays in order. Farther apart than a day they all
    become the arrival.

    Parameters
    ----------
    times : iterable of float
        POSIX seconds of every record of the message. [s]
    arrived_utc : datetime
        When the message reached us.
    """

    def __init__(self, times: Iterable[float], arrived_utc: datetime) -> None:
        self._arrived = arrived_utc
        self._newest = max((one for one in times if not is_right(one, arrived_utc)), default=0.0)

    def taken(self, posix_s: float) -> tuple[datetime, tuple[str, ...]]:
        """Return the moment and the flags that go with it."""
        if is_right(posix_s, self._arrived):
            return moment(posix_s), ()
        behind = self._newest - posix_s
        if 0 < behind <= _SPREAD_S:
            return self._arrived - timedelta(microseconds=round(behind * 1e6)), ("clock",)
        return self._arrived, ("clock",)
