"""What to look for and to do while a timber lies: decay, insects, stain, what is due."""

from __future__ import annotations

from datetime import datetime

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.server.shop_access import ask
from baulk.ingest.evaluation import keeping_record
from baulk.models.text import sentences
from baulk.models.units import System


def show(tag: str, system: System, now: datetime) -> None:
    """List what is to be looked for and done; nothing where nothing is."""
    said = sentences(ask(lambda s: keeping_record.look(s, tag, now)), system)
    if not said:
        return
    st.header("While it lies", anchor=False)
    rows = "".join(f"<li>{words.esc(each)}</li>" for each in said)
    st.html(f'<ul class="b-findings">{rows}</ul>')
