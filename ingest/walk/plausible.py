"""Whether a reading of a walk is likely: what the page's hint and the walk ask, in one place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from baulk.ingest.evaluation.document import Document, Interval
from baulk.models.plausible import FAR, FSP_PCT, MOST_SHOWN_PCT, PIN_SD_PCT, of_reading
from baulk.models.quantity import Quantity
from baulk.models.reading import AT_LEAST, Reading
from baulk.models.reason import Reason, Values
from baulk.models.section import Face
from baulk.models.timber import Timber

__all__ = ["FSP_PCT", "MOST_PCT", "MOST_SHOWN_PCT", "About", "doubt", "expected_pct"]
MOST_PCT: Final = 400.0  # of the store


@dataclass(frozen=True, slots=True, kw_only=True)
class About:
    """What a reading of one timber is held against.

    Parameters
    ----------
    timber : Timber
        The piece.
    answer : Document or None
        Its last evaluation, if it has one.
    latest : sequence of Reading
        The newest reading of each of its series.
    """

    timber: Timber
    answer: Document | None
    latest: Sequence[Reading]


def doubt(reading: Reading, about: About) -> Reason | None:
    """Return what speaks against a reading, or None; what can't be is refused however sure somebody is."""
    expected = None
    if reading.series.quantity is Quantity.MOISTURE:
        if AT_LEAST in reading.flags:
            return _too_dry_for(reading, about)
        deep = reading.series.depth_mm or 0.0
        if about.answer is not None and deep <= about.timber.section.size_mm(reading.series.face):
            there = expected_pct(about.answer, about.timber, deep, reading.series.face)
            expected = there.low, there.median, there.high
    found = of_reading(reading, timber=about.timber, earlier=about.latest, expected=expected)
    return found[0].reason if found else None


def _too_dry_for(reading: Reading, about: About) -> Reason | None:
    """Return that the wood should be far drier than where the scale ended; wetter it may be by any amount."""
    series = reading.series
    if about.answer is None:
        return None
    there = expected_pct(about.answer, about.timber, series.depth_mm or 0.0, series.face)
    if there.high + FAR * PIN_SD_PCT >= min(reading.value, FSP_PCT):
        return None
    values: Values = {"mc_pct": reading.value, "fsp_pct": FSP_PCT}
    expected = (there.low, there.median, there.high)
    return Reason(code="plausible.too_wet", values={**values, "expected_pct": expected})


def expected_pct(answer: Document, timber: Timber, depth_mm: float, face: Face | None) -> Interval:
    """Return what the model expects at the pin tips, with its 5-95 % range, in percent.

    Parameters
    ----------
    answer : Document
        The timber's last evaluation.
    timber : Timber
        The piece.
    depth_mm : float
        Depth of the tips below the face. [mm]
    face : Face or None
        The face; without one the middle of all four is given.

    Raises
    ------
    OutOfRange
        If the pins would come out on the other side.
    """
    timber.section.refuse_depth(depth_mm, face)
    field = answer.field_now
    x, y = np.asarray(field.x_edges_mm), np.asarray(field.y_edges_mm)
    found = []
    for each in [face] if face else list(Face):
        px, py = timber.section.pin_tip_mm(depth_mm, each)
        column = int(np.clip(np.searchsorted(x, px) - 1, 0, len(x) - 2))
        row = int(np.clip(np.searchsorted(y, py) - 1, 0, len(y) - 2))
        found.append((field.median_pct[row][column], field.sd_pct[row][column]))
    middle = float(np.mean([mc for mc, _ in found]))
    sd = float(np.mean([sd for _, sd in found]))
    return Interval(median=middle, low=middle - 1.645 * sd, high=middle + 1.645 * sd)
