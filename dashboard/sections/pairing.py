"""Meeting a new sensor: what comes is shown live; tap a topic, tap the value, say what it is, save."""

from __future__ import annotations

from typing import Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries import pairing_data, shop_facts
from baulk.dashboard.queries.pairing_data import State
from baulk.dashboard.sections import layout, pairing_form, press
from baulk.dashboard.sections import saved as told
from baulk.dashboard.server import preferences
from baulk.ingest.pairing.asked import EVERYTHING
from baulk.ingest.pairing.mapping import Saved, Trial
from baulk.ingest.store.mappings import Mapping
from baulk.ingest.wire import topics
from baulk.ingest.wire.message import RawMessage
from baulk.ingest.wire.source import Source
from baulk.models.formatting import count

ATTACH: Final = "attach"  # in the address: the timber that the new sensor will be on
_TOPIC: Final = "pair-topic"
_SHOWN: Final = 40  # topics at once
_BEGINNING: Final = 60  # bytes of a payload in a list


def part(facts: shop_facts.ShopFacts) -> None:
    """Show the way to a new sensor, and the sensors that were mapped this way."""
    tag = st.query_params.get(ATTACH)
    if tag not in shop_facts.tags():
        tag = None
    now = pairing_data.state(layout.now())
    heading = f"Add a sensor to {tag}" if tag else "Add a sensor"
    with st.expander(heading, expanded=now.asked is not None or tag is not None, key="pairing"):
        with layout.errors_as_sentences():
            if now.asked is None:
                st.session_state.pop(_TOPIC, None)
                _offer()
            elif topic := st.session_state.get(_TOPIC):
                _chosen(str(topic), now, tag, facts)
            else:
                _live()
        _mapped()


def _offer() -> None:
    st.markdown(
        "For ten minutes the listener hears every topic of the broker. Switch the sensor on, or press its "
        "button: what it sends appears here. Nothing of it is stored until you save."
    )
    pattern = st.text_input(
        "Only these topics",
        EVERYTHING,
        key="pair-pattern",
        help="# is all of them; radio/# those below radio.",
    )
    if press.button("Listen", key="pair-begin", type="primary"):
        pairing_data.begin(layout.now(), pattern.strip(), preferences.chosen().name)
        st.rerun()


@st.fragment(run_every=2.0)
def _live() -> None:
    """Show the topics as they come; the rest of the page stays still."""
    now = layout.now()
    found = pairing_data.state(now)
    if found.asked is None:
        st.rerun()
        return
    left_s = (found.asked.until_utc - now).total_seconds()
    st.markdown(f"Listening for {count(max(1, round(left_s / 60)), 'more minute')}. {_counted(found)}")
    if found.deaf(now):
        st.warning(
            "The listener is not running, so nothing is heard: start it where Baulk is installed "
            "(`baulk serve`)."
        )
    if found.heard.problem:
        st.warning(words.md(layout.capital(found.heard.problem)))
    mapped = [each.source.topic for each in pairing_data.in_force()]
    for one in _last(found)[:_SHOWN]:
        known = " · mapped" if any(topics.matches(each, one.topic) for each in mapped) else ""
        if press.button(
            f"{words.md(one.topic)} · {words.age(one.arrived_utc, now)}{known}  \n"
            f"{words.md(pairing_form.shown(one.payload[:_BEGINNING]))}",
            key=f"pair-{one.topic}",
            width="stretch",
        ):
            pairing_form.forget()
            st.session_state[_TOPIC] = one.topic
            st.rerun()
    if press.button("Stop", key="pair-end"):
        pairing_data.end()
        st.rerun()


def _counted(found: State) -> str:
    if not found.heard.taken:
        return "Nothing has come yet."
    left_out = f" {found.heard.left_out} of further topics are left out." if found.heard.left_out else ""
    return f"Messages so far: {found.heard.taken}.{left_out}"


def _last(found: State) -> list[RawMessage]:
    """Give the last message of each topic, the newest first."""
    last = {one.topic: one for one in sorted(found.heard.messages, key=lambda one: one.arrived_utc)}
    return sorted(last.values(), key=lambda one: one.arrived_utc, reverse=True)


def _chosen(topic: str, now: State, tag: str | None, facts: shop_facts.ShopFacts) -> None:
    if press.button("Other topics", key="pair-back"):
        st.session_state.pop(_TOPIC)
        st.rerun()
    raws = [one for one in now.heard.of(topic) if one.topic == topic]
    if not raws:
        st.info("Nothing of this topic is at hand any more.")
        return
    st.subheader(words.md(topic), anchor=False)
    body = pairing_form.mapping(raws[-1], tag, facts, layout.now())
    if body is None:
        return
    source = pairing_form.checked(body)
    tried = pairing_data.trial(source, raws)
    _beside(tried, facts)
    _saving(source, raws, facts, can=any(each.readings for each in tried))


def _beside(tried: list[Trial], facts: shop_facts.ShopFacts) -> None:
    """Show messages as they came beside what is read of them, the newest first."""
    layout.cards(
        ("Came", "Raw", "Read as"),
        [
            (
                words.age(each.raw.arrived_utc, layout.now()),
                pairing_form.shown(each.raw.payload),
                pairing_form.read_as(each, facts),
            )
            for each in reversed(tried)
        ],
    )


def _saving(source: Source, raws: list[RawMessage], facts: shop_facts.ShopFacts, *, can: bool) -> None:
    with st.container(horizontal=True):
        if press.button("Save", key="pair-save", type="primary", disabled=not can):
            by = preferences.chosen().name
            saved = pairing_data.save(source, layout.now(), by, raws)
            st.session_state.pop(_TOPIC, None)
            told.tell(_said(saved), lambda: _taken_back(saved))
            st.rerun()
        asked = press.button("Preview what was kept", key="pair-preview")
    if asked:
        before = pairing_data.preview(source)
        if before:
            st.markdown("The last that were kept of it. Save decodes all that were kept.")
            _beside(before, facts)
        else:
            st.markdown("Nothing of it was kept lately.")
    if not can:
        st.caption("Save is open once one of these messages can be read.")


def _said(saved: Saved) -> str:
    count = len(saved.readings)
    if saved.again is not None:
        count += saved.again.added + saved.again.changed
    return f"{saved.mapping.source.topic} is mapped. Readings that came in with it: {count}."


def _taken_back(saved: Saved) -> str:
    pairing_data.take_back(saved, layout.now(), preferences.chosen().name)
    return f"{saved.mapping.source.topic} is no longer mapped; what came in with it is gone."


# --- what was mapped


def _mapped() -> None:
    found = pairing_data.in_force()
    if not found:
        return
    st.subheader(f"Mapped sensors ({len(found)})", anchor=False)
    layout.cards(
        ("Topic", "Reads", "For", "Since", "By"),
        [
            (
                one.source.topic,
                pairing_form.reads(one.source),
                pairing_form.belongs(one.source),
                words.day(one.made_utc),
                one.by,
            )
            for one in found
        ],
    )
    if pairing_data.has_accounts():
        st.caption(
            "The broker lets a new topic through once its access list is written again, where Baulk is "
            "installed (`baulk sensor accounts`)."
        )
    by_number = {one.number: one for one in found}
    number = st.selectbox(
        "Mapping", list(by_number), None, format_func=lambda n: _named(by_number[n]), key="pair-number",
        placeholder="Choose one to delete",
    )  # fmt: skip
    if number is not None and press.button("Delete", key="pair-delete"):
        with layout.errors_as_sentences():
            pairing_data.delete(number, layout.now(), preferences.chosen().name)
            topic = by_number[number].source.topic
            told.tell(f"{topic} is no longer mapped; its readings stay.", lambda: _held_again(number, topic))
            st.rerun()


def _named(one: Mapping) -> str:
    return f"{one.source.topic} · {pairing_form.reads(one.source)} · {pairing_form.belongs(one.source)}"


def _held_again(number: int, topic: str) -> str:
    pairing_data.restore(number)
    return f"{topic} is mapped again."
