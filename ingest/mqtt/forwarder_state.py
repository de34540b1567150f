"""How a forwarder is: what waits, how full its spool is, and for how many days more there is room."""

from __future__ import annotations

from collections import deque
from datetime import datetime, timedelta
from typing import Final

from baulk.ingest import host_clock
from baulk.ingest.config import ForwardPart
from baulk.ingest.mqtt.spool import Spool
from baulk.ingest.store.forwarders import ForwarderMessage

_RATE: Final = timedelta(hours=6)  # over which it is learned how fast the spool fills
_LEAST: Final = timedelta(hours=1)


class Seen:
    """What was seen of a forwarder's spool in the last hours.

    Parameters
    ----------
    part : ForwardPart
        Its settings.
    """

    def __init__(self, part: ForwardPart) -> None:
        self._part = part
        self._filled: deque[tuple[datetime, float]] = deque()

    def look(self, spool: Spool, now_utc: datetime, *, far_broker: bool) -> ForwarderMessage:
        """Return the state now.

        Parameters
        ----------
        spool : Spool
            What waits.
        now_utc : datetime
            Now, with a time zone.
        far_broker : bool
            Whether the yard's broker has let it in.

        Raises
        ------
        StoreError
            If the spool can't be read.
        """
        used, waiting = spool.used_mb(), spool.waiting
        self._filled.append((now_utc, used))
        while now_utc - self._filled[0][0] > _RATE:
            self._filled.popleft()
        return ForwarderMessage(
            name=self._part.name,
            here=True,
            at_utc=now_utc,
            waiting=waiting,
            refused=spool.refused(),
            oldest_utc=spool.first_utc() if waiting else None,
            used_mb=round(used, 3),
            room_mb=self._part.spool_mb,
            days_left=self._days_left(used),
            far_broker=far_broker,
            clock_kept=host_clock.synchronised(),
        )

    def _days_left(self, used: float) -> float | None:
        since, then = self._filled[0]
        lasted = self._filled[-1][0] - since
        if lasted < _LEAST or used <= then:
            return None
        return round((self._part.spool_mb - used) / ((used - then) / (lasted / timedelta(days=1))), 1)
