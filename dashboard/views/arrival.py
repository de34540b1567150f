"""Arrival: tag a timber in at the truck, in under a minute on a phone."""

from __future__ import annotations

import streamlit as st

from baulk.dashboard import typed, words
from baulk.dashboard.printing import labels
from baulk.dashboard.queries import arrival, shop_facts
from baulk.dashboard.sections import camera, downloads, layout, which_wood
from baulk.ingest import photos
from baulk.ingest.errors import Unlikely
from baulk.models import text, units
from baulk.models.errors import BaulkError

HEARTS = {"centre": "boxed at the centre", "tap": "tap it on a picture", "place": "type it"}
SAPWOODS = {"unknown": "not known", "tap": "tap where it begins", "width": "type its width"}
EMPTIED = (
    "arrival_green",
    "arrival_finished",
    "arrival_length",
    "arrival_weight",
    "arrival_mc",
    "arrival_sapwood_width",
)
CLEARED = (
    "arrival_taps",
    "arrival_tap_at",
    "arrival_sapwood_tap_at",
    "arrival_doubted",
)


def weight(
    green: str,
    length: str,
    name: str | None,
    lies: tuple[tuple[str, str] | None, float | None],
    system: units.System,
) -> None:
    """Show what the piece weighs green, with the caution; `lies` is its pith and where its sapwood begins."""
    pith, heartwood_mm = lies
    if not (green.strip() and length.strip() and name):
        st.caption("Type the green size and the length to see what it weighs.")
        return
    with layout.errors_as_sentences():
        found = arrival.green_weight(typed.section(green, pith, system), length, name, system, heartwood_mm)
        said, *caution = text.sentences(found.reasons(), system)
        if caution:
            st.warning(" ".join((said, *caution)))
        else:
            st.info(said)


def photograph() -> bytes | None:
    """Offer to take a picture of the butt end; on a phone the box opens its camera."""
    turn = st.session_state.get("arrival_photo_turn", 0)  # a new key empties the box after each timber
    given = st.file_uploader(
        "Photograph of the butt end", ["jpg", "jpeg", "png"], key=f"arrival_photo_{turn}",
        max_upload_size=photos.MOST_MB,
        help="Kept with the timber; the pith can be tapped on it.",
    )  # fmt: skip
    if given is None:
        st.session_state.pop("arrival_taps", None)
        return None
    try:
        return photos.upright(given.getvalue())
    except BaulkError as err:
        st.error(layout.sentence(err))
        return None


def where_the_pith_is(green: str, photo: bytes | None, system: units.System) -> tuple[str, str] | None:
    """Ask for the pith: at the centre, by a tap, or typed."""
    heart = st.radio(
        "Pith", list(HEARTS), key="arrival_pith", horizontal=True, format_func=HEARTS.__getitem__,
        help="The centre of the growth rings. It decides which faces move and where checks open.",
    )  # fmt: skip
    if heart == "centre":
        return None
    if heart == "place":
        one, two = st.columns(2)
        return (
            one.text_input("Right of the centre", "0", key="arrival_pith_x", help="Left: a minus."),
            two.text_input("Above the centre", "0", key="arrival_pith_y", help="Below: a minus."),
        )
    if not green.strip():
        st.caption("Type the green size first; then the picture to tap on appears here.")
        return None
    try:
        section = typed.section(green, None, system)
    except BaulkError as err:
        st.error(layout.sentence(err))
        return None
    more = st.session_state.get("arrival_sapwood") == "tap"
    tapped = (
        camera.on_photograph(photo, section, system, with_sapwood=more)
        if photo
        else camera.on_drawing(section, system)
    )
    return (f"{tapped.x_mm:.1f} mm", f"{tapped.y_mm:.1f} mm") if tapped else None


def where_the_sapwood_begins(
    green: str, pith: tuple[str, str] | None, photo: bytes | None, system: units.System
) -> float | None:
    """Ask where the sapwood begins, by a tap or its width; as a distance from the pith in mm."""
    how = st.radio(
        "Sapwood", list(SAPWOODS), key="arrival_sapwood", horizontal=True, format_func=SAPWOODS.__getitem__,
        help="The paler wood under the bark. In most woods it is far wetter and heavier than the heartwood.",
    )  # fmt: skip
    if how == "unknown":
        return None
    if not green.strip():
        st.caption("Type the green size first.")
        return None
    try:
        section = typed.section(green, pith, system)
        if how == "width":
            width = st.text_input(
                "Its width at the corner farthest from the pith", key="arrival_sapwood_width",
                placeholder="1 1/2 in" if system == "inch" else "40 mm", help="none: there is none of it.",
            )  # fmt: skip
            return typed.heartwood_mm(section, None, width, units.default_length_unit(system))
    except BaulkError as err:
        st.error(layout.sentence(err))
        return None
    if photo and st.session_state.get("arrival_pith") == "tap":
        return camera.sapwood_on_photograph(section)
    return camera.sapwood_on_drawing(section, system)


def first_readings(system: units.System) -> arrival.First:
    """Offer fields for a first weight and a first pin reading."""
    inch = system == "inch"
    with st.expander("First readings", key="arrival_first"):
        heavy = st.text_input("Weight", key="arrival_weight", placeholder="212 lb" if inch else "96 kg")
        one, two = st.columns(2)
        mc = one.text_input("Meter says, % MC", key="arrival_mc", placeholder="45")
        deep = two.text_input("Pin depth", key="arrival_depth", placeholder="1 in" if inch else "25 mm")
        st.caption("The first weight is worth most: every later one is held against it.")
    return arrival.First(weight=heavy, mc=mc, depth=deep)


def label_at_once(tag: str, system: units.System) -> None:
    """Offer the label of the timber that was just entered."""
    rolls = labels.rolls(system)
    kept = st.session_state.get("label_sheet", rolls[0])
    choice = st.selectbox(
        "Label", [*labels.SHEETS, *rolls], index=None, key="label_choice",
        placeholder=kept, accept_new_options=True, label_visibility="collapsed",
    )  # fmt: skip
    sheet = choice or kept
    st.session_state["label_sheet"] = sheet
    with layout.errors_as_sentences():
        found = labels.named(sheet)
        st.download_button(
            "Print its labels", lambda: downloads.labels_pdf((tag,), found), f"{tag}.pdf", "application/pdf",
            key="label_pdf",
        )  # fmt: skip


def empty() -> None:
    """Empty the form: a field whose value is only dropped from the session still shows it in the browser."""
    st.session_state.update(dict.fromkeys(EMPTIED, ""))
    st.session_state["arrival_tag"] = arrival.next_tag()


def page() -> None:
    """Show the form, the weight, and what became of it."""
    facts, woods, now = shop_facts.facts(), shop_facts.woods(), layout.now()
    system = facts.system
    inch = system == "inch"
    layout.title("Arrival", "Enter a timber when it is set on its bearers.")
    if done := st.session_state.pop("arrived", None):
        empty()
        st.success(
            f"{words.md(arrival.said_back(done, system))}. {words.md(done)} is saved. Fix the tag to its "
            "butt end, then take its first weight or pin reading on its page."
        )
        if little := arrival.little_left(done, system):
            st.warning(words.md(little))
        with st.container(horizontal=True):
            label_at_once(done, system)
            st.page_link("views/timber.py", label=f"Open {words.md(done)}", query_params={"tag": done})
    st.session_state.setdefault("arrival_tag", arrival.next_tag())
    left, right = st.columns(2, gap="large")
    with left:
        tag = st.text_input(
            "Tag", key="arrival_tag", help="The next free one is proposed; write over it if you like."
        )
        name = which_wood.choose(
            "Species", woods.species, key="arrival_species", placeholder="choose or type a species"
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
        photo = photograph()
        pith = where_the_pith_is(green, photo, system)
        heartwood_mm = where_the_sapwood_begins(green, pith, photo, system)
        use = st.selectbox(
            "Use", woods.use_classes.names(), index=None, key="arrival_use",
            placeholder="where will it live?", format_func=lambda n: woods.use_classes.get(n).title,
        )  # fmt: skip
        place = st.selectbox(
            "Place", shop_facts.places(), index=0 if shop_facts.places() else None, key="arrival_place",
            accept_new_options=True, placeholder="type a name, for instance shed",
            help="Whose air it lies in: the name the air sensor there publishes under.",
        )  # fmt: skip
        sealed = st.checkbox("Both ends are sealed", key="arrival_sealed")
        if not sealed:
            st.caption("Seal them on the first day: it stops nearly all end checks in oak.")
        weight(green, length, name, (pith, heartwood_mm), system)
        first = first_readings(system)
    sure = bool(st.session_state.get("arrival_doubted")) and st.session_state.get("arrival_sure", False)
    if st.button("Save timber", type="primary", key="arrival_go") or sure:
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
            piece = arrival.tag_in(
                tag=tag, species_name=str(name), green=typed.section(green, pith, system), finished=finished,
                length=length, use=str(use), place=str(place), ends_sealed=sealed, system=system, now=now,
                heartwood_mm=heartwood_mm, first=first, photo=photo, sure=sure,
            )  # fmt: skip
        except Unlikely as err:
            st.warning(words.md(str(err)))
            st.session_state["arrival_doubted"] = True
            st.button("Save anyway", key="arrival_sure")
            return
        except BaulkError as err:
            st.error(layout.sentence(err))
            return
        for key in CLEARED:
            st.session_state.pop(key, None)
        st.session_state["arrival_photo_turn"] = st.session_state.get("arrival_photo_turn", 0) + 1
        st.session_state["arrived"] = piece.tag
        st.rerun()


page()
