"""Open notices at the top of the yard."""

from __future__ import annotations

from datetime import datetime

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.sections import layout
from baulk.dashboard.server.shop_access import ask
from baulk.ingest.monitoring import notices
from baulk.models.units import System


def show(system: System, now: datetime) -> None:
    """List what is open, other than what the rows below say themselves."""
    found = [each for each in ask(notices.open_ones) if each.kind != "ready"]
    if not found:
        return
    count = f"{len(found)} notices" if len(found) > 1 else "1 notice"
    with st.expander(f"{count}: {', '.join(sorted({each.kind for each in found}))}", key="notices"):
        rows = "".join(
            f"<li><b>{words.esc(each.kind)}</b>: "
            f"{words.esc(layout.capital(each.words(system, zone=words.zone())))} "
            f'<span class="b-dim b-small">{words.esc(words.age(each.since_utc, now))}</span></li>'
            for each in found
        )
        st.html(f'<ul class="b-findings">{rows}</ul>')
