"""The form for a reading by hand: what speaks against it, and which meter it was."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import layout
from baulk.ingest.store.notes import LONGEST, HandMeter
from baulk.models import text
from baulk.models.quantity import Quantity
from baulk.models.reason import Reason
from baulk.models.section import Face
from baulk.models.units import System, TemperatureUnit, default_length_unit, default_mass_unit


def tell(judged: shop_facts.Judged, system: System) -> None:
    """Say what speaks against a reading, or what it is held against."""
    show = st.error if judged.impossible else st.warning if judged.findings else st.info
    show(words.md(" ".join(text.sentences(judged.reasons, system, zone=words.zone()))))


QUESTION: Final = "Does your meter correct for the wood's temperature by itself?"
WHY: Final = (
    "A meter with pins shows too little in cold wood, about 1 % MC for every {step}. Baulk corrects for that "
    "unless the meter has done so. Answer Yes too if you set the wood's temperature on the meter before each "
    "reading."
)
STEPS: Final[dict[TemperatureUnit, str]] = {"C": "8 °C below 20 °C", "F": "14 °F below 68 °F"}
ANSWERS: Final[dict[str, bool | None]] = {"Yes": True, "No": False, "Don't know": None}


def ask(facts: shop_facts.ShopFacts) -> None:
    """Ask if the shop has no answer yet, else show the meter's record, to be changed; keep what is chosen."""
    if st.session_state.pop("hand_meter_kept", False):
        st.success("Saved. The forecasts follow by themselves within a day.")
    known, is_open = shop_facts.hand_meter()
    if known is not None and known.named:
        st.caption(words.md(layout.capital(text.sentence(known.reason, facts.system))))
    if is_open:
        with st.container(border=True, key="hand_meter"):
            _explain(facts)
            with st.container(horizontal=True):
                pressed = [word for word in ANSWERS if st.button(word, key=f"hand_meter-{word}")]
            for word in pressed:
                _keep(replace(known or _nothing(), corrects_temperature=ANSWERS[word]))
    elif known is not None:
        _change(known, facts)


def _nothing() -> HandMeter:
    return HandMeter(corrects_temperature=None, answered_utc=layout.now())


def _change(known: HandMeter, facts: shop_facts.ShopFacts) -> None:
    """Show the meter's record in a form: a phone can't run a command."""
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
        one, two = st.columns(2)
        make = one.text_input("Make", known.make, max_chars=LONGEST, key="hand_meter_make")
        number = two.text_input("Number", known.number, max_chars=LONGEST, key="hand_meter_number")
        one, two = st.columns(2)  # a second row, so that a phone keeps their order
        scales = ["", *shop_facts.woods().species.names()]
        scale = one.selectbox(
            "Scale",
            scales,
            index=scales.index(known.scale) if known.scale in scales else 0,
            format_func=lambda wood: wood or "each timber's own wood",
            key="hand_meter_scale",
            help="The wood that the meter is set to when you read, whatever the timber is.",
        )
        top = two.text_input(
            "Scale ends at, %",
            "" if known.top_pct is None else f"{known.top_pct:g}",
            placeholder="30",
            key="hand_meter_top",
            help="What OL on the meter means: at least so much.",
        )
        if st.form_submit_button("Save", key="hand_meter_save"):
            with layout.errors_as_sentences():
                top_pct = shop_facts.percent(top) if top.strip() else None
                named = replace(known, make=make.strip(), number=number.strip())
                answer = ANSWERS[chosen]
                _keep(replace(named, scale=scale, top_pct=top_pct, corrects_temperature=answer))


def _explain(facts: shop_facts.ShopFacts) -> None:
    st.markdown(f"**{QUESTION}**")
    st.caption(WHY.format(step=STEPS[facts.temperature]))


def _keep(meter: HandMeter) -> None:
    with layout.errors_as_sentences():
        shop_facts.keep_hand_meter(replace(meter, asked=True, answered_utc=layout.now()))
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
    tag, at = found.timber.tag, None if kind == "weight" or face == "any" else Face(face)
    with layout.errors_as_sentences():
        doubted = st.session_state.get(
            "hand_doubted"
        )  # what was told to be unlikely, to be saved all the same
        if not sent and doubted is None:
            return
        if kind == "weight":
            read = shop_facts.weight_typed(tag, weight, default_mass_unit(facts.system))
        else:
            read = shop_facts.pins_typed(tag, mc, depth, at, default_length_unit(facts.system), from_end)
        judged = shop_facts.judged(read, layout.now())
        if sent and not judged.findings:
            _store(read, facts, sure=False)
            return
        if sent:
            st.session_state["hand_doubted"] = read
        elif doubted != read:
            st.session_state.pop("hand_doubted")
            return
        tell(judged, facts.system)
        if not judged.impossible and st.button("Save anyway", key="hand_sure"):
            _store(read, facts, sure=True)


def _store(read: shop_facts.Typed, facts: shop_facts.ShopFacts, *, sure: bool) -> None:
    """Store it and say so."""
    st.session_state.pop("hand_doubted", None)
    near = shop_facts.store_by_hand(read, layout.now(), sure=sure)
    st.success("Stored. The forecast of this timber follows in a moment, by itself.")
    if near:
        st.warning(f"The forecast will set it aside: {words.md(text.sentence(near, facts.system))}.")


def _read_by_hand(found: shop_facts.TimberFacts) -> bool:
    """Whether a meter's number was entered for it; a yard of sensors alone is not asked about a meter."""
    return any(each.source == "hand" and each.series.quantity is Quantity.MOISTURE for each in found.latest)
