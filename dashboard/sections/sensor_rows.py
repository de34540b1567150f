"""Each sensor as one row: last word, battery, signal, clock, what was refused, whether it drifts."""

from __future__ import annotations

from typing import Final

import streamlit as st

from baulk.dashboard import sensor_cells
from baulk.dashboard.queries import health_data, shop_facts
from baulk.dashboard.sections import layout
from baulk.ingest.monitoring.health import Health

SHOWN: Final = 40


def part(seen: Health, facts: shop_facts.ShopFacts) -> None:
    """Show a row for each sensor, the longest silent first."""
    now = layout.now()
    found = health_data.sensor_rows(seen, now)
    if not found:
        return
    st.header("Sensors", anchor=False)
    rows = [sensor_cells.cells(one, now, facts.system) for one in found[:SHOWN]]
    layout.cards(sensor_cells.HEADS, rows, tight=True)
    if len(found) > SHOWN:
        st.caption(f"The {SHOWN} silent for longest of {len(found)}.")
