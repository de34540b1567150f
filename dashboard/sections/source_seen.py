"""Where a timber comes from and what it is meant for."""

from __future__ import annotations

import streamlit as st

from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import layout, work_form, work_kinds
from baulk.dashboard.server.shop_access import ask
from baulk.models.timber import EventKind


def show(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> None:
    """Show what was noted last of each, and take what is new."""
    held: dict[str, str] = {}
    for event in ask(lambda s: s.register.events(found.timber.tag, kind=EventKind.SOURCED)):
        held |= {name: str(value) for name, value in event.detail.items()}
    if held:
        layout.table(("what", "noted"), [(work_kinds.SOURCE[name][0], held[name]) for name in held])
    else:
        st.caption("Nothing is noted yet.")
    work_form.fill_in(EventKind.SOURCED, found, facts, None, work_kinds.sourced)
