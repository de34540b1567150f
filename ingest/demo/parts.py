"""The invented ferry's parts list, its days counted from today."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from importlib import resources
from typing import Final

from baulk.models.plan.buying import parts as buying_parts
from baulk.models.plan.buying.parts import Part

FILE: Final = "ferry-parts.csv"
WRITTEN_UTC: Final = datetime(2026, 11, 25, tzinfo=UTC)


def parts(now_utc: datetime) -> tuple[Part, ...]:
    """Return what the ferry still needs.

    Parameters
    ----------
    now_utc : datetime
        The present, with a time zone.

    Returns
    -------
    tuple of Part
        As in the file, each day as far ahead as it was when the list was written.
    """
    text = (resources.files("baulk.ingest.demo") / FILE).read_text(encoding="utf-8")
    later = now_utc.replace(hour=0, minute=0, second=0, microsecond=0) - WRITTEN_UTC
    return tuple(
        replace(each, wanted_by_utc=each.wanted_by_utc and each.wanted_by_utc + later)
        for each in buying_parts.read_csv(text).parts
    )
