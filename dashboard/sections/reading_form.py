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
from baulk.ingest.store.notes import HandMeter
from baulk.models import text
from baulk.models.quantity import Quantity
from baulk.models.reading import Reading
from baulk.models.reason import Reason, Values
from baulk.models.section import Face
from baulk.models.timber import Timber
from baulk.models.units import TemperatureUnit, default_length_unit, default_mass_unit

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


def of_pins(
    answer: Document | None, timber: Timber, mc_pct: float, depth_mm: float, face: Face | None
) -> tuple[bool, Reason]:
    """Return whether a pin reading is plausible, and what speaks for or against it.

    Parameters
    ----------
    answer : Document or None
        The timber's last evaluation, if it has one.
    timber : Timber
        The piece.
    mc_pct : float
        What the meter shows. [%]
    depth_mm : float
        Depth of the tips below the face. [mm]
    face : Face or None
        The face, where it is known.
    """
    value = {"mc_pct": mc_pct}
    if not 0 < mc_pct < 400:
        return False, Reason(code="plausible.no_moisture", values=value)
    if mc_pct < 5:
        return False, Reason(code="plausible.below_meter", values=value)
    side_mm = _side_mm(timber, face)
    if not 0 <= depth_mm <= side_mm:
        return False, Reason(code="plausible.too_deep", values={"pin_mm": depth_mm, "side_mm": side_mm})
    if answer is None:
        return True, Reason(code="plausible.no_forecast")
    there = expected_pct(answer, timber, depth_mm, face)
    values: Values = {**value, "expected_pct": (there.low, there.median, there.high), "fsp_pct": FSP_PCT}
    if mc_pct > FSP_PCT:
        dry = there.high < FSP_PCT - 2 * PIN_SD_PCT
        return not dry, Reason(code="plausible.too_wet" if dry else "plausible.wet", values=values)
    away = abs(mc_pct - min(there.median, FSP_PCT + PIN_SD_PCT))
    sd = float(np.hypot((there.high - there.low) / 3.29, PIN_SD_PCT))
    far = away > FAR * sd
    return not far, Reason(code="plausible.far" if far else "plausible.as_expected", values=values)


def of_weight(latest: Sequence[Reading], weight_kg: float, now: datetime) -> tuple[bool, Reason]:
    """Return whether a weight is plausible beside the last one, and what speaks for or against it.

    Parameters
    ----------
    latest : sequence of Reading
        The newest reading of each series of the timber.
    weight_kg : float
        What the scale shows. [kg]
    now : datetime
        Now, with a time zone.
    """
    last = next((each for each in latest if each.series.quantity is Quantity.WEIGHT), None)
    if last is None:
        return True, Reason(code="plausible.first_weight")
    ago_s = max(0.0, (now - last.taken_utc).total_seconds())
    values: Values = {"last_kg": last.value, "ago_s": ago_s}
    share = weight_kg / last.value
    if share > HEAVIER:
        return False, Reason(code="plausible.heavier", values=values)
    if 1 - share > max(LEAST_LOSS, LOSS_A_DAY * ago_s / 86_400):
        return False, Reason(code="plausible.fast_loss", values=values)
    return True, Reason(code="plausible.weight_fits", values=values)


def _side_mm(timber: Timber, face: Face | None) -> float:
    """Return how far it is from a face to the opposite one; without a face, the smaller side."""
    width_mm, depth_mm = timber.section.width_mm, timber.section.depth_mm
    if face is None:
        return min(width_mm, depth_mm)
    return depth_mm if face in {Face.A, Face.C} else width_mm


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
