"""The form for a reading by hand: what is plausible, and which meter it was."""

from __future__ import annotations

from typing import Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import layout
from baulk.ingest.store.notes import HandMeter
from baulk.models import text
from baulk.models.quantity import Quantity
from baulk.models.reason import Reason
from baulk.models.section import Face
from baulk.models.units import TemperatureUnit, default_length_unit, default_mass_unit

QUESTION: Final = "Does your meter correct for the wood's temperature by itself?"
WHY: Final = (
    "A meter with pins shows too little in cold wood, about 1 % MC for every {step}. Baulk corrects for that "
    "unless the meter has done so. Answer Yes too if you set the wood's temperature on the meter before each "
    "reading."
)
STEPS: Final[dict[TemperatureUnit, str]] = {"C": "8 °C below 20 °C", "F": "14 °F below 68 °F"}
ANSWERS: Final[dict[str, bool | None]] = {"Yes": True, "No": False, "Don't know": None}


def ask(facts: shop_facts.ShopFacts) -> None:
    """Ask if the shop has no answer yet, else show the answer, to be changed; keep what is chosen."""
    if st.session_state.pop("hand_meter_kept", False):
        st.success("Saved. The forecasts follow by themselves within a day.")
    known, is_open = shop_facts.hand_meter()
    if is_open:
        with st.container(border=True, key="hand_meter"):
            _explain(facts)
            with st.container(horizontal=True):
                pressed = [word for word in ANSWERS if st.button(word, key=f"hand_meter-{word}")]
            for word in pressed:
                _keep(ANSWERS[word])
    elif known is not None:
        _change(known, facts)


def _change(known: HandMeter, facts: shop_facts.ShopFacts) -> None:
    """Show what was answered, and a form to answer anew: a phone can't run a command."""
    with st.expander("Your hand meter"), st.form("hand_meter_again", border=False):
        said = Reason(code="meter.temperature", values={"corrects": known.corrects_temperature})
        st.markdown(layout.capital(text.sentence(said, facts.system)))
        _explain(facts)
        answers = list(ANSWERS)
        index = list(ANSWERS.values()).index(known.corrects_temperature)
        chosen = st.radio(
            "Answer",
            answers,
            index=index,
            horizontal=True,
            key="hand_meter_answer",
            label_visibility="collapsed",
        )
        if st.form_submit_button("Save the answer", key="hand_meter_save"):
            _keep(ANSWERS[chosen])


def _explain(facts: shop_facts.ShopFacts) -> None:
    st.markdown(f"**{QUESTION}**")
    st.caption(WHY.format(step=STEPS[facts.temperature]))


def _keep(corrects: bool | None) -> None:  # noqa: FBT001 - the answer itself
    with layout.errors_as_sentences():
        shop_facts.keep_hand_meter(corrects, layout.now())
        st.session_state["hand_meter_kept"] = True
        st.rerun()


KINDS = {"pins": "Pin meter", "weight": "Weight"}


def form(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> None:
    """Show the form and store what it says."""
    st.header("Enter a reading", anchor=False)
    kind = st.segmented_control(
        "What was read", list(KINDS), format_func=KINDS.__getitem__, default="pins", key="hand_kind"
    )
    if kind != "weight" and _read_by_hand(found):
        ask(facts)
    inch = facts.system == "inch"
    with st.form("by_hand", clear_on_submit=False):
        if kind == "weight":
            weight = st.text_input("Weight", placeholder="212 lb" if inch else "96 kg", key="hand_weight")
        else:
            mc = st.text_input("Meter says, % MC", placeholder="28.5", key="hand_mc")
            depth = st.text_input(
                "Depth of the pin tips",
                placeholder="1 1/4 in" if inch else "32 mm",
                key="hand_depth",
                help="In a heavy timber the deeper reading says more; the verdict names the depth.",
            )
            from_end = st.text_input(
                "Distance from an end, if under a yard",
                placeholder="12 in" if inch else "300 mm",
                key="hand_from_end",
                help="An end dries by itself; the forecast sets aside pins that stand too near to it.",
            )
            face = st.selectbox("Face", ["any", *(f.value for f in Face)], key="hand_face")
        sent = st.form_submit_button("Save", type="primary", key="hand_store")
    if not sent:
        return
    near = None
    with layout.errors_as_sentences():
        if kind == "weight":
            shop_facts.weigh_by_hand(found.timber.tag, weight, default_mass_unit(facts.system), layout.now())
        else:
            near = shop_facts.pins_by_hand(
                found.timber.tag,
                mc,
                depth,
                None if face == "any" else Face(face),
                default_length_unit(facts.system),
                layout.now(),
                from_end,
            )
        st.success("Stored. The forecast of this timber follows in a moment, by itself.")
        if near:
            st.warning(f"The forecast will set it aside: {words.md(text.sentence(near, facts.system))}.")


def _read_by_hand(found: shop_facts.TimberFacts) -> bool:
    """Whether a meter's number was entered for it; a yard of sensors alone is not asked about a meter."""
    return any(each.source == "hand" and each.series.quantity is Quantity.MOISTURE for each in found.latest)
