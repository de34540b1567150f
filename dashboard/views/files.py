"""Files: import and export, a backup at once, and what else keeps a shop: its places and its password."""

from __future__ import annotations

import streamlit as st

from baulk.dashboard.queries import health_data, shop_facts
from baulk.dashboard.sections import file_import, layout, shop_keeping


def machine() -> None:
    """Show versions and room."""
    with st.expander("This machine", key="machine"):
        layout.values(health_data.machine())


def page() -> None:
    """Show each in a fold of its own."""
    layout.title("Files", "What comes into the shop as a file and what goes out, and what keeps it.")
    file_import.part()
    shop_keeping.folds(shop_facts.facts())
    machine()


page()
