"""Readings on a timber's record: as they were read, and as they were taken."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from reportlab.platypus import Flowable

from baulk.dashboard import words
from baulk.dashboard.printing import page, style
from baulk.ingest.evaluation.document import Document, FittedReading
from baulk.models.quantity import OF_DEVICE
from baulk.models.reading import Reading
from baulk.models.text import events as event_text
from baulk.models.text import series as series_text
from baulk.models.units import System, TemperatureUnit

MOST_READINGS: Final = 60
CORRECTED: Final = (
    "Corrected: moisture content for the wood, its temperature and the meter; of a weight the mean of the "
    "section. Left out: the fit set it aside. A dash: it says nothing of moisture, or stands with others of "
    "its hour."
)


def table(
    readings: Sequence[Reading],
    answer: Document | None,
    units: tuple[System, TemperatureUnit],
    room: float,
) -> list[Flowable]:
    """Lay out readings as they were read, and beside each the moisture that the fit took it for."""
    kept = _thinned(readings)
    used = {} if answer is None else {(each.series, round(each.posix_s)): each for each in answer.readings}
    system, temperature = units
    if not kept:
        return [page.heading("Readings"), page.text("None yet.")]
    rows = [
        (
            words.clock(each.taken_utc),
            series_text.called(str(each.series), system),
            event_text.value(each, system, temperature),
            _used(used.get((str(each.series), round(each.taken_utc.timestamp())))),
            ", ".join(filter(None, (words.source(each), event_text.flags(each, system, zone=words.zone())))),
        )
        for each in kept
    ]
    said = (
        f"{len(kept)} of {len(readings)}: every one taken by hand, and of sensors' an even choice, "
        "newest first."
        if len(kept) < len(readings)
        else f"All {len(kept)}, newest first."
    )
    widths = (room * 0.2, room * 0.27, room * 0.13, room * 0.16, room * 0.24)
    return [
        page.heading("Readings"),
        page.text(said, 7.5, textColor=style.QUIET),
        page.table(("taken", "what", "as read", "corrected", "how"), rows, widths),
        page.text(CORRECTED, 7.5, textColor=style.QUIET),
    ]


def _used(one: FittedReading | None) -> str:
    """Return the moisture that the fit took a reading for; a dash where it is of no moisture."""
    if one is None:
        return "-"
    if one.left_out is not None:
        return "left out"
    return f"{'at least ' if one.at_least else ''}{one.measured_pct:.1f} %"


def _thinned(readings: Sequence[Reading]) -> list[Reading]:
    """Every reading by hand; of each sensor's series an even choice with its newest, newest first."""
    shown = [r for r in readings if r.series.quantity not in OF_DEVICE]
    kept = [each for each in shown if each.source != "mqtt"]
    by_series: dict[str, list[Reading]] = {}
    for each in shown:
        if each.source == "mqtt":
            by_series.setdefault(str(each.series), []).append(each)
    share_of_each = max(4, (MOST_READINGS - len(kept)) // max(1, len(by_series)))
    for rows in by_series.values():
        ordered = sorted(rows, key=lambda each: each.taken_utc, reverse=True)
        kept += ordered[:: max(1, -(-len(ordered) // share_of_each))]
    return sorted(kept, key=lambda each: each.taken_utc, reverse=True)
