"""What was measured of a timber, on its record: sizes beside what was foreseen, and its checks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from reportlab.platypus import Flowable, KeepTogether

from baulk.dashboard import words
from baulk.dashboard.printing import page, style
from baulk.ingest.evaluation.document import Document
from baulk.models import text
from baulk.models.openings import Opening
from baulk.models.reason import Reason
from baulk.models.units import System

MOST_SIZES: Final = 24


def sizes(answer: Document | None, system: System, room: float) -> list[Flowable]:
    """Lay out each measured size beside what was foreseen of it."""
    rows = [] if answer is None else words.measured(answer, system)
    if not rows:
        return []
    widths = (room * 0.18, room * 0.24, room * 0.28, room * 0.3)
    note = (
        "Foreseen: from the moisture of that day, before anything was measured, of the section far from the "
        "ends. A size marked end dried lies so near an end that it is held against nothing."
    )
    return [
        KeepTogether(
            [
                page.heading("Measured beside foreseen"),
                page.table(("day", "what", "measured", "foreseen, nine in ten"), rows[:MOST_SIZES], widths),
                page.text(note, 7.5, textColor=style.QUIET),
            ]
        )
    ]


def checks(
    found: Sequence[Opening], foretold: Sequence[Reason], system: System, room: float
) -> list[Flowable]:
    """Lay out the checks as they were measured last, and whether they had been foretold."""
    if not found:
        return []
    rows = [words.opening(each, system) for each in found]
    widths = (room * 0.32, room * 0.2, room * 0.16, room * 0.16, room * 0.16)
    return [
        KeepTogether(
            [
                page.heading("Checks, shakes and splits"),
                page.table(("which", "since", "wide", "deep", "long"), rows, widths),
                *(page.text(text.sentence(each, system, zone=words.zone()), 8) for each in foretold),
            ]
        )
    ]
