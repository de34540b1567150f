"""Plans, each at its own address: a green size to order, a place in a timber, a parts list to buy for."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

import streamlit as st

from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import address, layout, plan_buy, plan_cut, plan_size
from baulk.models.units import System

# of each plan what it is called, its name in the address, and what shows it
WAYS: Final[Mapping[str, tuple[str, str, Callable[[System], None]]]] = {
    "order": ("Size to order", "sizes", plan_size.to_order),
    "timber": ("From a timber", "sawing", plan_cut.from_timber),
    "parts": ("Parts", "buying", plan_buy.buying),
}


def _addressed() -> str:
    """Return the plan that the address names, the first without one."""
    named = address.get("plan")
    return next((way for way, (_, name, _show) in WAYS.items() if name == named), "order")


def page() -> None:
    """Show one of the three plans."""
    layout.title("Plans")
    way = st.segmented_control(
        "Plan", list(WAYS), format_func=lambda each: WAYS[each][0], default=_addressed(), key="plan_way",
        label_visibility="collapsed",
    )  # fmt: skip
    address.set(plan=WAYS[way][1] if way else None)
    with layout.errors_as_sentences():
        WAYS[way or "order"][2](shop_facts.facts().system)


page()
