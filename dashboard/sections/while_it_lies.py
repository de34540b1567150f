"""What to look for and to do while a timber lies: decay, insects, stain, what is due."""

from __future__ import annotations

from datetime import datetime
from typing import Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.server.shop_access import ask
from baulk.ingest.evaluation import keeping_record
from baulk.models.text import sentences
from baulk.models.units import System

SHOWN: Final = 2


def show(tag: str, system: System, now: datetime) -> None:
    """List what is to be looked for and done."""
    said = sentences(ask(lambda s: keeping_record.look(s, tag, now)), system, zone=words.zone())
    if not said:
        st.caption("Nothing is due.")
        return
    rows = [f"<li>{words.esc(each)}</li>" for each in said]
    first, rest = "".join(rows[:SHOWN]), "".join(rows[SHOWN:])
    more = f'<details class="b-more"><summary>more to do</summary><ul class="b-findings">{rest}</ul>'
    st.html(f'<ul class="b-findings">{first}</ul>{more + "</details>" if rest else ""}')
