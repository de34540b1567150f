"""The small form on a timber's page: a weight or a pin reading taken by hand."""

from __future__ import annotations

import streamlit as st

from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import hand_meter, layout
from baulk.models.quantity import Quantity
from baulk.models.section import Face

KINDS = {"pins": "Pin meter", "weight": "Weight"}


def form(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> None:
    """Show the form and store what it says."""
    st.header("Enter a reading", anchor=False)
    kind = st.segmented_control(
        "What was read", list(KINDS), format_func=KINDS.__getitem__, default="pins", key="hand_kind"
    )
    if kind != "weight" and _read_by_hand(found):
        hand_meter.ask()
    inch = facts.system == "inch"
    with st.form("by_hand", clear_on_submit=False):
        if kind == "weight":
            weight = st.text_input("Weight", placeholder="212 lb or 96 kg", key="hand_weight")
        else:
            mc = st.text_input("Meter says, % MC", placeholder="28.5", key="hand_mc")
            depth = st.text_input(
                "Depth of the pin tips",
                placeholder="1 1/4 in or 32 mm",
                key="hand_depth",
                help="In a heavy timber the deeper reading says more; the verdict names the depth.",
            )
            from_end = st.text_input(
                "Distance from an end, if under a yard",
                placeholder="12 in or 300 mm",
                key="hand_from_end",
                help="An end dries by itself; the forecast sets aside pins that stand too near to it.",
            )
            face = st.selectbox("Face", ["any", *(f.value for f in Face)], key="hand_face")
        sent = st.form_submit_button("Store it", type="primary", key="hand_store")
    if not sent:
        return
    near = None
    with layout.errors_as_sentences():
        if kind == "weight":
            shop_facts.weigh_by_hand(found.timber.tag, weight, "lb" if inch else "kg", layout.now())
        else:
            near = shop_facts.pins_by_hand(
                found.timber.tag,
                mc,
                depth,
                None if face == "any" else Face(face),
                "in" if inch else "mm",
                layout.now(),
                from_end,
            )
        st.success("Stored. The forecast of this timber follows in a moment, by itself.")
        if near:
            st.warning(f"The forecast will set it aside: {near}.")


def _read_by_hand(found: shop_facts.TimberFacts) -> bool:
    """Whether a meter's number was entered for it; a yard of sensors alone is not asked about a meter."""
    return any(each.source == "hand" and each.series.quantity is Quantity.MOISTURE for each in found.latest)
