"""The form for a reading by hand: what is plausible, and which meter it was."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Final

import numpy as np
import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import layout
from baulk.ingest.evaluation.document import Document, Interval
from baulk.models import text, units
from baulk.models.errors import OutOfRange
from baulk.models.quantity import Quantity
from baulk.models.reading import Reading
from baulk.models.section import Face
from baulk.models.timber import Timber
from baulk.models.units import default_length_unit, default_mass_unit

FSP_PCT: Final = 30.0  # above it a pin meter's number means only "at least"
PIN_SD_PCT: Final = 2.0  # one pin pair against the wood about it, as in the fit
FAR: Final = 3.0  # standard deviations
HEAVIER: Final = 1.02  # of the last weight; rain aside, a drying timber gets no heavier
LOSS_A_DAY: Final = 0.012  # of its weight; a thin board in summer loses that, common practice, no source
LEAST_LOSS: Final = 0.03


def expected_pct(answer: Document, timber: Timber, depth_mm: float, face: Face | None) -> Interval:
    """Return what the model expects at the pin tips, with its 5-95 % range, in percent.

    Parameters
    ----------
    answer : Document
        The timber's last evaluation.
    timber : Timber
        The piece.
    depth_mm : float
        Depth of the tips below the face.
    face : Face or None
        The face; without one the middle of all four is given.

    Raises
    ------
    OutOfRange
        If the pins would come out on the other side.
    """
    timber.section.refuse_depth(depth_mm, face)
    field = answer.field_now
    x, y = np.asarray(field.x_edges_mm), np.asarray(field.y_edges_mm)
    found = []
    for each in [face] if face else list(Face):
        px, py = timber.section.pin_tip_mm(depth_mm, each)
        column = int(np.clip(np.searchsorted(x, px) - 1, 0, len(x) - 2))
        row = int(np.clip(np.searchsorted(y, py) - 1, 0, len(y) - 2))
        found.append((field.median_pct[row][column], field.sd_pct[row][column]))
    middle = float(np.mean([mc for mc, _ in found]))
    sd = float(np.mean([sd for _, sd in found]))
    return Interval(median=middle, low=middle - 1.645 * sd, high=middle + 1.645 * sd)


def of_pins(  # noqa: PLR0911 - one sentence a case
    answer: Document | None, timber: Timber, mc_pct: float, depth_mm: float, face: Face | None
) -> tuple[bool, str]:
    """Return whether a pin reading looks right, and a sentence about it."""
    if not 0 < mc_pct < 400:
        return False, f"{mc_pct:g} % is no moisture content; check the number."
    if mc_pct < 5:
        return False, f"{mc_pct:g} % is below what a pin meter can tell (about 6 %); check the meter."
    if answer is None:
        return True, "No forecast yet to hold it against."
    try:
        there = expected_pct(answer, timber, depth_mm, face)
    except OutOfRange as err:
        return False, f"{err}."
    told = words.span(there.median, there.low, there.high)
    if mc_pct > FSP_PCT:
        if there.high < FSP_PCT - 2 * PIN_SD_PCT:
            return False, (
                f"The forecast expects {told} there. Above {FSP_PCT:.0f} % a meter says only 'at least'; "
                "a wet surface, a nail or another timber's tag would show so."
            )
        return True, f"Above {FSP_PCT:.0f} % it says 'at least'; the forecast expects {told} there."
    away = abs(mc_pct - min(there.median, FSP_PCT + PIN_SD_PCT))
    sd = float(np.hypot((there.high - there.low) / 3.29, PIN_SD_PCT))
    if away > FAR * sd:
        return False, (
            f"The forecast expects {told} there, far from {mc_pct:g} %. Check the tag, the depth, the "
            "meter's species setting and a wet surface; if it stays so, store it: the fit sorts it out."
        )
    return True, f"The forecast expects {told} there."


def of_weight(
    latest: Sequence[Reading], weight_kg: float, now: datetime, system: units.System
) -> tuple[bool, str]:
    """Return whether a weight looks right beside the last one, and a sentence about it."""
    last = next((each for each in latest if each.series.quantity is Quantity.WEIGHT), None)
    if last is None:
        return True, "The first weight of this timber; each later one is held against it."
    days = max(0.0, (now - last.taken_utc).total_seconds() / 86_400)
    told = f"{units.show_mass(last.value, system)} {words.age(last.taken_utc, now)}"
    share = weight_kg / last.value
    if share > HEAVIER:
        return False, (
            f"It was {told}: a drying timber gets no heavier. Check the tag and the tare; rain or snow on it?"
        )
    if 1 - share > max(LEAST_LOSS, LOSS_A_DAY * days):
        return False, (
            f"It was {told}: that is a fast loss. Check the tag and the tare; if it was cut or planed, "
            "enter that first: a cut begins a new series of weights."
        )
    return True, f"It was {told}."


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


KINDS = {"pins": "Pin meter", "weight": "Weight"}


def form(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> None:
    """Show the form and store what it says."""
    st.header("Enter a reading", anchor=False)
    kind = st.segmented_control(
        "What was read", list(KINDS), format_func=KINDS.__getitem__, default="pins", key="hand_kind"
    )
    if kind != "weight" and _read_by_hand(found):
        ask()
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
            st.warning(f"The forecast will set it aside: {text.sentence(near, facts.system)}.")


def _read_by_hand(found: shop_facts.TimberFacts) -> bool:
    """Whether a meter's number was entered for it; a yard of sensors alone is not asked about a meter."""
    return any(each.source == "hand" and each.series.quantity is Quantity.MOISTURE for each in found.latest)
