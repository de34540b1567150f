"""Readings: enter what meter and scale say of one timber, with a hint at once."""

from __future__ import annotations

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import camera, layout, reading_form
from baulk.ingest.evaluation.document_fields import sentence
from baulk.models import text, units
from baulk.models.errors import BaulkError
from baulk.models.meter import pin_depth
from baulk.models.quantity import AT_DEPTH, OF_DEVICE
from baulk.models.section import Face
from baulk.models.text import events as event_text
from baulk.models.text import series as series_text

KINDS = {"pins": "Pin meter", "weight": "Weight"}


def find(tags: tuple[str, ...]) -> str | None:
    """Return the timber that is read now: from the address, the list, or the code on its tag."""
    asked = st.query_params.get("tag")
    if asked and asked != st.session_state.get("round_asked"):
        st.session_state["round_asked"] = asked
        if asked in tags:
            st.session_state["round_tag"] = asked
        else:
            st.error(f"There is no timber {words.md(asked)}; choose one below.")
    with st.expander("Scan its tag", key="scan"):
        if (found := camera.tag()) is not None:
            if found in tags:
                st.session_state["round_tag"] = found
                st.success(f"That is {words.md(found)}.")
            else:
                st.error(f"The code says {words.md(found)}, and no timber here has that tag.")
    return st.selectbox("Timber", tags, index=None, key="round_tag", placeholder="choose a tag")


def depths(found: shop_facts.TimberFacts, system: units.System) -> str:
    """Say which depth matters now, and which one reads the mean of the section."""
    side = min(found.timber.section.width_mm, found.timber.section.depth_mm)
    mean = units.show_length(pin_depth.mean_depth_share(4) * side, system)
    deep = units.show_length(side / 3, system)
    said = f"Pins {mean} deep read about the mean of this section, {deep} and deeper its core."
    if found.answer is not None:
        judged = found.answer.verdict
        following = sentence(judged.next_reading_coded, judged.next_reading, system, zone=words.zone())
        said = f"Next: {following} {said}"
    return said


def usual_depth(found: shop_facts.TimberFacts, system: units.System) -> str:
    """Return the depth at which this timber was read last, to be written over."""
    for each in found.latest:
        if each.series.quantity in AT_DEPTH and each.series.depth_mm is not None:
            return units.show_length(each.series.depth_mm, system)
    return ""


def form(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> None:
    """Show the fields, the hint and the button."""
    tag, system = found.timber.tag, facts.system
    inch = system == "inch"
    bare = units.default_length_unit(system)
    kind = st.segmented_control(
        "What is read", list(KINDS), format_func=KINDS.__getitem__, default="pins", key=f"round_kind-{tag}"
    )
    if kind != "weight":
        reading_form.ask(facts)
    read: shop_facts.Typed | None = None
    judged: shop_facts.Judged | None = None
    try:
        if kind == "weight":
            typed = st.text_input(
                "Weight", placeholder="212 lb" if inch else "96 kg", key=f"round_weight-{tag}"
            )
            if typed.strip():
                read = shop_facts.weight_typed(tag, typed, units.default_mass_unit(system))
        else:
            one, two, three = st.columns(3)
            typed = one.text_input("Meter says, % MC", placeholder="28.5", key=f"round_mc-{tag}")
            depth = two.text_input("Pin depth", usual_depth(found, system), key=f"round_depth-{tag}")
            face = three.selectbox("Face", ["any", *(f.value for f in Face)], key=f"round_face-{tag}")
            end = st.text_input(
                "Distance from an end, if under a yard",
                placeholder="12 in" if inch else "300 mm",
                key=f"round_end-{tag}",
            )
            if typed.strip():
                at = None if face == "any" else Face(face)
                read = shop_facts.pins_typed(tag, typed, depth, at, bare, end)
        if read is not None:
            judged = shop_facts.judged(read, layout.now())
    except BaulkError as err:
        st.error(layout.sentence(err))
        return
    if judged is not None:
        reading_form.tell(judged, system)
    doubtful = judged is not None and bool(judged.findings)
    word = "Save anyway" if doubtful else "Save"
    refused = read is None or (judged is not None and judged.impossible)
    if not st.button(word, type="primary", key=f"round_store-{tag}", disabled=refused) or read is None:
        return
    with layout.errors_as_sentences():
        near = shop_facts.store_by_hand(read, layout.now(), sure=doubtful)
        st.session_state["round_done"] = (tag, near and text.sentence(near, system, zone=words.zone()))
        st.rerun()


def page() -> None:
    """Show the form for one timber, and the way to the walk along all of them."""
    facts, now = shop_facts.facts(), layout.now()
    layout.title("Readings", "Enter what meter and scale say of one timber.")
    tags = shop_facts.tags()
    if not tags:
        st.info("No timber is tagged yet. Open Arrival in the menu above and tag the first one in.")
        return
    layout.to_walk()
    done = st.session_state.pop("round_done", None)
    if done:
        for what in ("mc", "weight"):  # else the same number stands there to be saved twice
            st.session_state[f"round_{what}-{done[0]}"] = ""
        st.success(f"Stored for {words.md(done[0])}. Its forecast follows by itself.")
        if done[1]:
            st.warning(f"The forecast will set it aside: {words.md(done[1])}.")
    chosen = find(tags)
    if chosen is None:
        return
    found = shop_facts.timber(chosen)
    timber = found.timber
    size = units.show_size(timber.section.width_mm, timber.section.depth_mm, facts.system)
    st.caption(words.md(f"{timber.species}, {size}, in {timber.place}. {depths(found, facts.system)}"))
    form(found, facts)
    st.page_link("views/timber.py", label=f"Open {words.md(chosen)}", query_params={"tag": chosen})
    latest = [
        (
            event_text.value(r, facts.system, facts.temperature),
            series_text.called(str(r.series), facts.system),
            f"{words.age(r.taken_utc, now)}, {words.source(r)}",
        )
        for r in found.latest
        if r.series.quantity not in OF_DEVICE
    ]
    st.header("Newest readings", anchor=False)
    if latest:
        layout.values(latest)
    else:
        st.info("Nothing yet: this is its first reading.")


page()
