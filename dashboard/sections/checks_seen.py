"""Checks, shakes and splits of a timber: how they are now, how they grow, and whether that was foretold."""

from __future__ import annotations

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.charts import openings as chart
from baulk.dashboard.sections import layout
from baulk.dashboard.server.shop_access import ask
from baulk.ingest.evaluation import check_record
from baulk.ingest.evaluation.document import Document
from baulk.models.text import sentence
from baulk.models.units import System

MOST_TOLD = 4
LATEST_SIZES = 8


def show(tag: str, answer: Document | None, system: System) -> None:
    """Show what was seen of a timber's checks, and its sizes beside what was foreseen."""
    if answer is not None and (rows := words.measured(answer, system)):
        layout.cards(("day", "what", "measured", "foreseen"), rows[:LATEST_SIZES])
    found, told = ask(lambda s: check_record.look(s, tag))
    if not found:
        st.caption("No check is noted yet: press Record work, then Check seen or Measured.")
        return
    layout.cards(("which", "since", "wide", "deep", "long"), [words.opening(each, system) for each in found])
    for what in ("width", "depth"):
        drawn = chart.growth(found, what, system)
        if drawn is not None:
            said = chart.finding(found, what, system)
            st.altair_chart(drawn, width="stretch", key=f"openings-{what}", alt=said)
            st.caption(words.md(said))
    for each in told[:MOST_TOLD]:
        st.caption(words.md(sentence(each, system, zone=words.zone())))
