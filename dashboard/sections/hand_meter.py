"""The one question about the meter behind readings by hand, asked until somebody has answered it."""

from __future__ import annotations

from typing import Final

import streamlit as st

from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import layout

QUESTION: Final = "Does your meter correct for the wood's temperature by itself?"
WHY: Final = (
    "A meter with pins shows too little in cold wood, about 1 % MC for every 8 °C (14 °F) below 20 °C "
    "(68 °F). Baulk corrects for that unless the meter has done so. Answer Yes too if you set the wood's "
    "temperature on the meter before each reading. This is asked once; `baulk reading meter` changes it."
)
ANSWERS: Final[dict[str, bool | None]] = {"Yes": True, "No": False, "Don't know": None}


def ask() -> None:
    """Show the question if the shop has no answer yet, and keep what is chosen."""
    if st.session_state.pop("hand_meter_kept", False):
        st.success("Kept. The forecasts follow by themselves within a day.")
    if not shop_facts.hand_meter_is_open():
        return
    with st.container(border=True, key="hand_meter"):
        st.markdown(f"**{QUESTION}**")
        st.caption(WHY)
        with st.container(horizontal=True):
            pressed = [word for word in ANSWERS if st.button(word, key=f"hand_meter-{word}")]
        for word in pressed:
            with layout.errors_as_sentences():
                shop_facts.keep_hand_meter(ANSWERS[word], layout.now())
                st.session_state["hand_meter_kept"] = True
                st.rerun()
