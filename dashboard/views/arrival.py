"""Arrival: tag a timber in at the truck, in under a minute on a phone."""

from __future__ import annotations

import streamlit as st

from baulk.dashboard import data, frame, typed
from baulk.models import species, units, use_class
from baulk.models.errors import BaulkError

# No published limit fits a timber; these are the figures of the British guide for lifting alone.
ALONE_KG = 25.0


def weight(
    green: str, length: str, name: str | None, pith: tuple[str, str] | None, system: units.System
) -> None:
    """Show what the piece weighs green, with the caution that belongs to it."""
    if not (green.strip() and length.strip() and name):
        st.caption("Type the green size and the length to see what it weighs.")
        return
    with frame.errors_as_sentences():
        kg = data.green_mass_kg(typed.section(green, pith, system), length, name, system)
        people = max(1, -(-kg // ALONE_KG))
        if kg <= ALONE_KG:
            st.info(f"About {units.show_mass(kg, system)} green, as an estimate from the species table.")
        else:
            st.warning(
                f"About {units.show_mass(kg, system)} green, as an estimate from the species table. "
                "Not a lift for one: "
                f"use a hoist, rollers or a barrow (by hand it would ask for {people:.0f} people at 25 "
                "kg / 55 lb each). "
                "Keep feet and fingers clear of the bearers."
            )


def page() -> None:
    """Show the form, the weight, and what became of it."""
    facts, now = data.facts(), frame.now()
    system = facts.system
    inch = system == "inch"
    frame.title("Arrival", "Tag a timber in when it is set on its bearers.")
    if done := st.session_state.pop("arrived", None):
        st.success(
            f"{done} is tagged in. Fix the tag to its butt end, then take its first weight or pin "
            "reading on its page."
        )
        st.page_link("views/timber.py", label=f"Open {done}", query_params={"tag": done})
    st.session_state.setdefault("arrival_tag", data.next_tag())
    left, right = st.columns(2, gap="large")
    with left:
        tag = st.text_input(
            "Tag", key="arrival_tag", help="The next free one is proposed; write over it if you like."
        )
        name = st.selectbox(
            "Species", species.names(), index=None, key="arrival_species", placeholder="choose a species"
        )
        green = st.text_input(
            "Green size, across x deep", key="arrival_green",
            placeholder="8 x 7 3/4" if inch else "203 x 197",
            help="Face a up, seen from the butt end; name the unit if it isn't the shop's.",
        )  # fmt: skip
        finished = st.text_input(
            "Finished size, across x deep",
            key="arrival_finished",
            placeholder="6 x 6" if inch else "152 x 152",
        )
        length = st.text_input(
            "Length", key="arrival_length", placeholder="8 ft" if inch else "2.4 m",
            help="A bare number counts as feet." if inch else "A bare number below 30 counts as metres.",
        )  # fmt: skip
    with right:
        heart = st.radio(
            "Pith", ["centre", "place"], key="arrival_pith", horizontal=True,
            format_func={"centre": "boxed at the centre", "place": "somewhere else"}.__getitem__,
            help="The centre of the growth rings. It decides which faces move and where checks open.",
        )  # fmt: skip
        pith = None
        if heart == "place":
            one, two = st.columns(2)
            pith = (
                one.text_input("Right of the centre", "0", key="arrival_pith_x", help="Left: a minus."),
                two.text_input("Above the centre", "0", key="arrival_pith_y", help="Below: a minus."),
            )  # fmt: skip
        use = st.selectbox(
            "Use", use_class.names(), index=None, key="arrival_use", placeholder="where will it live?",
            format_func=lambda n: use_class.get(n).title,
        )  # fmt: skip
        place = st.selectbox(
            "Place", data.places(), index=0 if data.places() else None, key="arrival_place",
            accept_new_options=True, placeholder="type a name, for instance shed",
            help="Whose air it lies in: the name the air sensor there publishes under.",
        )  # fmt: skip
        sealed = st.checkbox("Both ends are sealed", key="arrival_sealed")
        if not sealed:
            st.caption("Seal them on the first day: it stops nearly all end checks in oak.")
        weight(green, length, name, pith, system)
    if st.button("Tag it in", type="primary", key="arrival_go"):
        missing = [
            word
            for word, given in (
                ("a tag", tag), ("a species", name), ("the green size", green),
                ("the finished size", finished), ("the length", length), ("its use", use),
                ("its place", place),
            )
            if not given
        ]  # fmt: skip
        if missing:
            st.error(f"Still missing: {', '.join(missing)}.")
            return
        try:
            piece = data.tag_in(
                tag=tag, species_name=str(name), green=typed.section(green, pith, system), finished=finished,
                length=length, use=str(use), place=str(place), ends_sealed=sealed, system=system, now=now,
            )  # fmt: skip
        except BaulkError as err:
            st.error(frame.sentence(err))
            return
        for key in ("arrival_tag", "arrival_green", "arrival_finished", "arrival_length"):
            st.session_state.pop(key, None)
        st.session_state["arrived"] = piece.tag
        st.rerun()


page()
