"""What every store can do, and the rows it hands out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

import pandas as pd

from baulk.ingest.wire.message import RawMessage
from baulk.models.air import AirSeries
from baulk.models.reading import Owner, Reading, Series


@dataclass(frozen=True, slots=True, kw_only=True)
class QuarantineRow:
    """A message that could not be stored, with its reason and its bytes.

    Parameters
    ----------
    number : int
        Counts up; names the row.
    raw : RawMessage
        As it came.
    reason : str
        One sentence.
    waits_for : str or None
        The unknown tag, if that was all that was wrong.
    """

    number: int
    raw: RawMessage
    reason: str
    waits_for: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredEvaluation:
    """The last evaluation of a timber.

    Parameters
    ----------
    tag : str
        Which timber.
    made_utc : datetime
        When the evaluation began, with a time zone.
    payload : bytes
        JSON.
    """

    tag: str
    made_utc: datetime
    payload: bytes


class Store(Protocol):
    """Readings, quarantine and evaluations of one shop."""

    def append(self, readings: Iterable[Reading]) -> int:
        """Store readings in one transaction and return how many were new; the key is series and device time.

        Another value at a time that is taken already goes to quarantine, so that nothing is lost.
        """

    def quarantine(self, raw: RawMessage, reason: str, *, waits_for: str | None = None) -> None:
        """Keep a message that can't be stored."""

    def save(
        self, readings: Iterable[Reading], rejected: Iterable[tuple[RawMessage, str, str | None]] = ()
    ) -> int:
        """Store readings and quarantine messages (raw, reason, waits_for) in one transaction."""

    def quarantined(
        self, limit: int = 100, *, waits_for: str | None = None, after: int | None = None
    ) -> list[QuarantineRow]:
        """Newest first; with ``after``, the rows that follow that number, oldest first."""

    def quarantine_count(self) -> int:
        """How many messages lie in quarantine."""

    def replayable_tags(self) -> list[str]:
        """Tags that quarantined messages wait for and that are registered by now."""

    def release(self, *numbers: int) -> None:
        """Take messages out of quarantine, after they have been stored."""

    def stop_waiting(self, *numbers: int) -> None:
        """Note that messages need more than their tag being entered."""

    def series(self, owner: Owner | None = None, name: str | None = None) -> list[Series]:
        """Every series that has a reading."""

    def read(
        self, series: Series, since_utc: datetime | None = None, until_utc: datetime | None = None
    ) -> pd.DataFrame:
        """Columns posix_s, value, flags; by device time."""

    def latest(self, owner: Owner, name: str) -> list[Reading]:
        """Give the newest reading of each series."""

    def readings(self, owner: Owner, name: str, since: datetime | None = None) -> list[Reading]:
        """Every reading of a timber or a place, by device time."""

    def air(self, place: str, since: datetime | None = None) -> AirSeries:
        """Temperature with the humidity taken nearest to it, at most half an hour apart."""

    def places(self) -> list[str]:
        """Places that have air readings."""

    def stale(self) -> list[str]:
        """Tags of timbers whose evaluation no longer covers what is known."""

    def save_evaluation(
        self, tag: str, made_utc: datetime, payload: bytes, *, revision: int | None = None
    ) -> None:
        """Keep the evaluation of a timber.

        Pass the `revision` read before the evaluation began: then a reading stored while it ran makes the
        timber stale again, whatever its clock says.
        """

    def evaluation(self, tag: str) -> tuple[datetime, bytes] | None:
        """When it was made, and its JSON."""

    def evaluated(self) -> dict[str, datetime]:
        """When each timber was last evaluated, without the answers."""

    def evaluations(self) -> list[StoredEvaluation]:
        """Of every timber that has one."""

    def revision(self) -> int:
        """Give a number that grows with every change, cheap to ask."""

    def close(self) -> None:
        """Close the store; twice does no harm."""
