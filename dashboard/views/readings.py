"""Readings: the newest of all timbers, each with Edit and Undo; one entered by hand; the way to a file."""

from __future__ import annotations

from typing import Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries import newest_readings, shop_facts, which_tag
from baulk.dashboard.sections import address, camera, entry, folds, layout, reading_corrections, reading_form
from baulk.ingest.evaluation.document_fields import sentence
from baulk.models import units

SOURCES: Final = {"": "all", "hand": "by hand", "mqtt": "sensors", "import": "imported"}
KINDS: Final = {"": "all", "pins": "pins", "weight": "weights"}


def find(tags: tuple[str, ...]) -> str | None:
    """Return the timber that is read now: from the address, the list, or the code on its tag."""
    asked = address.get("tag", "")
    known = which_tag.find(asked) if asked else None
    if asked and known not in tags:
        st.error(f"There is no timber {words.md(asked)}; choose one below.")
        known = None

    def choose() -> None:
        address.set(tag=st.session_state["reading_tag"] or "")

    if st.session_state.get("reading_asked") != known:  # the address has changed: a link, Back, a code
        st.session_state["reading_asked"] = st.session_state["reading_tag"] = known
    st.selectbox(
        "Add a reading of", tags, index=None, key="reading_tag", placeholder="choose a tag", on_change=choose
    )
    return known


def scan(tags: tuple[str, ...]) -> None:
    """Take the tag from the code on a picture."""
    found = camera.tag()
    if found is None:
        return
    known = which_tag.find(found)
    if known in tags and known is not None:
        if known != address.get("tag", ""):
            address.set(tag=known)
            st.rerun()
        st.caption(f"That is {words.md(known)}.")
    else:
        st.error(f"The code says {words.md(found)}, and no timber here has that tag.")


def enter(tag: str, facts: shop_facts.ShopFacts) -> None:
    """Ask for a reading of one timber."""
    found = shop_facts.timber(tag)
    timber = found.timber
    size = units.show_size(timber.section.width_mm, timber.section.depth_mm, facts.system)
    said = f"{timber.species}, {size}, in {timber.place}."
    if found.answer is not None:
        verdict = found.answer.verdict
        following = sentence(
            verdict.next_reading_coded, verdict.next_reading, facts.system, zone=words.zone()
        )
        said = f"{said} Next: {following}"
    st.caption(words.md(said))
    reading_form.form(found, facts, asks=True)
    st.page_link("views/timber.py", label=f"Open {words.md(tag)}", query_params={"tag": tag})


def filters(tag: str | None) -> tuple[str, str]:
    """Ask which readings are listed, and keep it in the address; return kind and source."""
    held = {}
    with st.container(horizontal=True, key="readings-filter"):
        for name, label, ways in (("kind", "What", KINDS), ("from", "From", SOURCES)):
            now = address.get(name, "")
            key = f"readings_{name}"
            if st.session_state.get(f"{key}-seen") != now:
                st.session_state[key] = st.session_state[f"{key}-seen"] = now if now in ways else ""
            chosen = st.segmented_control(label, list(ways), format_func=ways.__getitem__, key=key) or ""
            st.session_state[f"{key}-seen"] = held[name] = chosen
            address.set(**{name: chosen})
    if tag:
        st.caption(f"Of {words.md(tag)} alone. Empty the field above for all timbers.")
    return held["kind"], held["from"]


def page() -> None:
    """Show the form for one timber, and the newest readings of that one or of all."""
    entry.tell()
    facts, now = shop_facts.facts(), layout.now()
    layout.title("Readings")
    tags = shop_facts.tags()
    if not tags:
        layout.no_timber()
        return
    with st.container(horizontal=True, key="readings-ways"):
        layout.to_walk()
        st.page_link("views/files.py", label="Import a file")
    tag = find(tags)
    folds.fold("scan", "Scan its tag", lambda: scan(tags))
    if tag is not None:
        enter(tag, facts)
    st.header("Newest readings", anchor=False)
    kind, source = filters(tag)
    found = newest_readings.of_all(now, tag=tag or "", kind=kind, source=source)
    if found:
        reading_corrections.rows(found, facts, now, tags=tag is None)
    else:
        st.info("No reading is like that. Choose all, or add one above.")


page()
