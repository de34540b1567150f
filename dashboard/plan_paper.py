"""A plan on a page as a sheet to print."""

from __future__ import annotations

import streamlit as st

from baulk.dashboard import data, frame
from baulk.dashboard.paper import plan_sheet
from baulk.dashboard.paper.plan_sheet import Plan


def offer(plan: Plan) -> None:
    """Offer the sheet; it is made only when somebody takes it."""
    facts, now, name = data.facts(), frame.now(), type(plan).__name__.lower()
    st.download_button(
        "Print it",
        lambda: plan_sheet.pdf(
            plan, shop=facts.name, made_utc=now, system=facts.system, temperature=facts.temperature
        ),
        f"{name}.pdf",
        "application/pdf",
        key=f"print-{name}",
    )
