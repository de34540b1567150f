"""Which meter the shop reads with by hand: asked once, then shown and changed."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import layout, press, saved
from baulk.ingest.store.notes import LONGEST, HandMeter
from baulk.models import text
from baulk.models.reason import Reason
from baulk.models.units import TemperatureUnit

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
    known, is_open = shop_facts.hand_meter()
    if known is not None and known.named:
        st.caption(words.md(layout.capital(text.sentence(known.reason, facts.system, zone=words.zone()))))
    if is_open:
        with st.container(border=True, key="hand_meter"):
            _explain(facts)
            with st.container(horizontal=True):
                pressed = [word for word in ANSWERS if press.button(word, key=f"hand_meter-{word}")]
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
        st.markdown(layout.capital(text.sentence(said, facts.system, zone=words.zone())))
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
        press.submit("Save", key="hand_meter_save")
        if press.taken("hand_meter_save"):
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
        saved.tell("Saved for the shop's hand meter. The forecasts follow by themselves within a day.")
        st.rerun()
