"""Add timber: the desk's form for a timber that has just come; a phone in the yard has a page of its own."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import streamlit as st

from baulk.dashboard import typed, words
from baulk.dashboard.queries import arrival, shop_facts
from baulk.dashboard.sections import arrival_label, camera, draft, entry, layout, press, upload, which_wood
from baulk.ingest import photos
from baulk.ingest.errors import Unlikely
from baulk.models import text, units
from baulk.models.errors import BaulkError
from baulk.models.timber import Timber

PRESSED = ("arrival_go", "arrival_sure")
HEARTS = {"centre": "boxed at the centre", "tap": "tap it on a picture", "place": "type it"}
SAPWOODS = {"unknown": "not known", "tap": "tap where it begins", "width": "type its width"}
KEPT = ("arrival_species", "arrival_use", "arrival_place", "arrival_sealed")  # the next is often like it
EMPTIED = (
    "arrival_tag",
    "arrival_green",
    "arrival_finished",
    "arrival_length",
    "arrival_pith_x",
    "arrival_pith_y",
    "arrival_sapwood_width",
    "arrival_weight",
    "arrival_mc",
    "arrival_depth",
)
CHOSEN = {"arrival_pith": HEARTS, "arrival_sapwood": SAPWOODS}  # how it is told; nothing is told at first
CLEARED = (
    "arrival_taps",
    "arrival_tap_at",
    "arrival_sapwood_tap_at",
    "arrival_doubted",
)
FORM = "arrival"
FIELDS = (*KEPT, *EMPTIED, *CHOSEN)
ADD_BY_PHONE = (
    '<a class="b-walk" href="/field/add" target="_self">On a phone: four screens, also without signal</a>'
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
        said, *caution = text.sentences(found.reasons(), system, zone=words.zone())
        if caution:
            st.warning(" ".join((said, *caution)))
        else:
            st.info(said)


def photograph() -> bytes | None:
    """Offer to take a picture of the butt end; on a phone the box opens its camera."""
    turn = st.session_state.get("arrival_photo_turn", 0)  # a new key empties the box after each timber
    given = upload.box(
        "Photograph of the butt end", upload.PICTURES, photos.MOST_MB, key=f"arrival_photo_{turn}",
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
    """Ask for the pith: boxed at the centre, by a tap, or typed; None until it was said."""
    heart = st.radio(
        "Pith", list(HEARTS), index=None, key="arrival_pith", horizontal=True, format_func=HEARTS.get,
        help="The centre of the growth rings. It decides which faces move and where checks open.",
    )  # fmt: skip
    if heart is None:
        return None
    if heart == "centre":
        return ("0 mm", "0 mm")
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


def heart_in_words(green: str, pith: tuple[str, str] | None, system: units.System) -> None:
    """Say whether the heart is boxed, so that nothing is entered without a word."""
    if pith is None or not green.strip():
        return
    try:
        boxed = typed.section(green, pith, system).boxed_heart
    except BaulkError:  # said where the size is read
        return
    st.caption("Boxed heart: the pith lies inside." if boxed else "Free of heart: the pith lies outside.")


def where_the_sapwood_begins(
    green: str, pith: tuple[str, str] | None, photo: bytes | None, system: units.System
) -> float | None:
    """Ask where the sapwood begins, by a tap or its width; as a distance from the pith in mm."""
    how = st.radio(
        "Sapwood", list(SAPWOODS), index=None, key="arrival_sapwood", horizontal=True,
        format_func=SAPWOODS.get,
        help="The paler wood under the bark. In most woods it is far wetter and heavier than the heartwood.",
    )  # fmt: skip
    if how in {None, "unknown"}:
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


def empty() -> None:
    """Empty the form: a field whose value is only dropped from the session still shows it in the browser."""
    st.session_state.update(dict.fromkeys(EMPTIED, ""))
    st.session_state.update(dict.fromkeys(CHOSEN))
    st.session_state["arrival_tag"] = arrival.next_tag()


def begin() -> None:
    """Fill the fields before they are drawn: with the draft, else with what comes first."""
    woods, places = shop_facts.woods(), shop_facts.places()
    allowed = {"arrival_use": woods.use_classes.names(), **{key: tuple(told) for key, told in CHOSEN.items()}}
    draft.restore(FORM, FIELDS, allowed)
    if not st.session_state.get("arrival_tag"):
        st.session_state["arrival_tag"] = arrival.next_tag()
    if places:
        st.session_state.setdefault("arrival_place", places[0])
    if st.session_state.get("arrival_sapwood") is None:  # at first, and after each timber
        st.session_state["arrival_sapwood"] = "unknown"


def entered(tag: str, system: units.System) -> None:
    """Say what was understood, below the button that was pressed, with the label and the way on."""
    st.success(
        f"{words.md(arrival.said_back(tag, system))}. {words.md(tag)} is saved. Fix the tag to its butt end, "
        "then take its first weight or pin reading on its page."
    )
    if little := arrival.little_left(tag, system):
        st.warning(words.md(little))
    arrival_label.offer(tag, system)
    st.page_link("views/timber.py", label=f"Open {words.md(tag)}", query_params={"tag": tag})


def page() -> None:
    """Show the form, the weight, and what became of it."""
    entry.tell()
    facts, woods, now = shop_facts.facts(), shop_facts.woods(), layout.now()
    system = facts.system
    inch = system == "inch"
    layout.title("Add timber", "Enter a timber when it is set on its bearers.")
    st.html(ADD_BY_PHONE)
    if st.session_state.pop("arrived", False):
        empty()
    begin()
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
        use = st.selectbox(
            "Use", woods.use_classes.names(), index=None, key="arrival_use",
            placeholder="where will it live?", format_func=lambda n: woods.use_classes.get(n).title,
        )  # fmt: skip
    with right:
        photo = photograph()
        pith = where_the_pith_is(green, photo, system)
        heart_in_words(green, pith, system)
        heartwood_mm = where_the_sapwood_begins(green, pith, photo, system)
        place = st.selectbox(
            "Place", shop_facts.places(), index=None, key="arrival_place",
            accept_new_options=True, placeholder="type a name, for instance shed",
            help="Whose air it lies in: the name the air sensor there publishes under.",
        )  # fmt: skip
        sealed = st.checkbox("Both ends are sealed", key="arrival_sealed")
        if not sealed:
            st.caption("Seal them on the first day: it stops nearly all end checks in oak.")
        first = first_readings(system)
        arrival_label.choice(system)
    draft.keep(FORM, FIELDS)
    sure = bool(st.session_state.get("arrival_doubted")) and press.waits("arrival_sure")
    press.draw("Save timber", type="primary", key="arrival_go")
    pressed = press.waits("arrival_go") or sure
    answer = st.container()  # what changes while somebody types stands below, so that the button never moves
    weight(green, length, name, (pith, heartwood_mm), system)
    with answer:
        if pressed:
            given = (
                ("a tag", tag), ("a species", name), ("the green size", green),
                ("the finished size", finished), ("the length", length), ("its use", use),
                ("its place", place), ("where the pith is", pith),
            )  # fmt: skip
            if missing := [word for word, filled in given if not filled]:
                st.error(f"Still missing: {', '.join(missing)}.")
                press.served("arrival_go")
            else:
                save(
                    lambda: arrival.tag_in(
                        tag=tag, species_name=str(name), green=typed.section(green, pith, system),
                        finished=finished, length=length, use=str(use), place=str(place),
                        ends_sealed=sealed, system=system, now=now, heartwood_mm=heartwood_mm, first=first,
                        photo=photo, sure=sure,
                    )
                )  # fmt: skip
        last = st.session_state.get("arrival_last")
        if last in shop_facts.tags() and not green.strip():  # until the next one is begun
            entered(last, system)


def save(enter: Callable[[], Timber]) -> None:
    """Enter the timber; say what speaks against it, below the button that stays where it is."""
    waiting, now, last = press.pressed(), layout.now(), {}

    def act() -> entry.Saving:
        try:
            last["tag"] = enter().tag
        finally:
            for key in PRESSED:
                waiting.pop(key, None)
        return f"{last['tag']} is saved.", partial(arrival.take_back, last["tag"], now)

    def close() -> None:
        for key in CLEARED:
            st.session_state.pop(key, None)
        st.session_state["arrival_photo_turn"] = st.session_state.get("arrival_photo_turn", 0) + 1
        st.session_state.update(arrived=True, arrival_last=last["tag"])
        arrival_label.note(last["tag"])

    try:
        entry.keep(act, close)
    except Unlikely as err:
        st.warning(words.md(str(err)))
        st.session_state["arrival_doubted"] = True
        press.draw("Save anyway", key="arrival_sure")
    except BaulkError as err:
        st.error(layout.sentence(err))


page()
