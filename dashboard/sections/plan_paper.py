"""A plan on paper, from its page."""

from __future__ import annotations

import streamlit as st

from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import layout
from baulk.models.plan.buying.purchase import BuyPlan
from baulk.models.plan.humidity.air_plan import AirPlan
from baulk.models.plan.sawing.cutting import CutPlan
from baulk.models.plan.sawing.order import SizePlan


def offer_plan(plan: AirPlan | SizePlan | CutPlan | BuyPlan) -> None:
    """Offer the sheet; it is made only when somebody takes it."""
    facts, now, name = shop_facts.facts(), layout.now(), type(plan).__name__.lower()

    def sheet() -> bytes:
        from baulk.dashboard.printing import plan_sheet  # noqa: PLC0415 - paper, which most visits never need

        return plan_sheet.pdf(
            plan, shop=facts.name, made_utc=now, system=facts.system, temperature=facts.temperature
        )

    st.download_button("Print it", sheet, f"{name}.pdf", "application/pdf", key=f"print-{name}")
