"""What happened to a timber, newest first, each with Undo of its own; nothing is deleted."""

from __future__ import annotations

from typing import Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import address, entry, layout, press, timber_edit, work_form
from baulk.dashboard.server.shop_access import ask
from baulk.models.text import events as event_text
from baulk.models.timber import Event, EventKind, Timber

LATEST: Final = 12
WAYS: Final = {"edit": "Edit timber", "attach": "Attach sensor", "detach": "Detach sensor", "leave": "Retire"}


def events(timber: Timber, *, undone: bool = False) -> list[Event]:
    """Return a timber's events, newest first."""
    return list(reversed(ask(lambda s: s.register.events(timber.tag, undone=undone))))


def show(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> None:
    """List the events, each with Undo, and offer to put the timber itself right."""
    _change(found, facts)
    every = events(found.timber, undone=True)
    whole = bool(st.session_state.get("history_all"))
    for each in every if whole else every[:LATEST]:
        _row(each, facts)
    if len(every) > LATEST and not whole and press.button(f"All {len(every)}", key="history_more"):
        st.session_state["history_all"] = True
        st.rerun()


def _change(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> None:
    left = found.timber.retired_utc is not None
    ways = {**WAYS, "leave": "Return to the yard" if left else "Retire"}
    key = f"history_way-{found.entered_as}-{st.session_state.get('history_turn', 0)}"
    chosen = st.pills(
        "Change", list(ways), format_func=ways.__getitem__, key=key, label_visibility="collapsed", wrap=True
    )

    def done() -> None:
        st.session_state["history_turn"] = st.session_state.get("history_turn", 0) + 1

    if chosen == "edit":
        timber_edit.form(found, facts, done)
    elif chosen == "leave" and left:
        timber_edit.take_in(found, done)
    elif chosen is not None:
        kind = {
            "attach": EventKind.SENSOR_ATTACHED,
            "detach": EventKind.SENSOR_DETACHED,
            "leave": EventKind.RETIRED,
        }[chosen]
        work_form.fill_in(kind, found, facts, done)


def _row(event: Event, facts: shop_facts.ShopFacts) -> None:
    by = ", ".join(filter(None, (words.day(event.at_utc), event.by, event.note)))
    gone = ""
    if event.undone_utc is not None:
        who = f" by {event.undone_by}" if event.undone_by else ""
        gone = f"; undone {words.day(event.undone_utc)}{who}"
    with st.container(horizontal=True, vertical_alignment="center", key=f"row-event-{event.number}"):
        said = layout.capital(event_text.event(event, facts.system, zone=words.zone())).removesuffix(".")
        st.html(f'<div class="b-row">{words.esc(said)}<small>{words.esc(by + gone)}</small></div>')
        if event.undone_utc is None and press.button("Undo", key=f"event_undo-{event.number}"):
            if event.kind is EventKind.ARRIVED:
                st.session_state["event_whole"] = event.number
                st.rerun()
            _undo(event, facts)
    if st.session_state.get("event_whole") == event.number and event.undone_utc is None:
        _whole(event, facts)


def _undo(event: Event, facts: shop_facts.ShopFacts) -> None:
    """Take an event back; the bar offers to enter it again."""
    with layout.errors_as_sentences():
        back = work_form.taking_back(event, facts)
        again = None if event.kind in _NOT_AGAIN else lambda: _again(event, facts)
        entry.keep(lambda: (back(), again))


# an edit or a photograph is not entered again as it was: what it changed from and its file have gone on
_NOT_AGAIN: Final = frozenset({EventKind.ARRIVED, EventKind.EDITED, EventKind.PHOTOGRAPHED})


def _again(event: Event, facts: shop_facts.ShopFacts) -> str:
    work_form.enter(
        Event(
            tag=event.tag, kind=event.kind, at_utc=event.at_utc, noted_utc=layout.now(), detail=event.detail,
            by=event.by, note=event.note,
        ),
        facts, sure=True,
    )  # fmt: skip
    return f"Entered again: {event_text.event(event, facts.system, zone=words.zone())}."


def _gone() -> None:
    st.session_state.pop("event_whole", None)
    address.set(tag="")


def _whole(event: Event, facts: shop_facts.ShopFacts) -> None:
    """Ask once more before a timber leaves the register with all that was noted of it."""
    st.warning(
        f"{words.md(event.tag)} would leave the register, with all that is noted of it. Its readings wait in "
        "quarantine for its tag. A timber that left the yard is retired instead."
    )
    with st.container(horizontal=True):
        if press.button("Take it out", type="primary", key="event_whole_go"):
            with layout.errors_as_sentences():
                back = work_form.taking_back(event, facts)
                gone = f"{event.tag} is taken out of the register; who did it and when is kept."
                entry.keep(lambda: (back() and gone, None), _gone)
        if press.button("Cancel", key="event_whole_no"):
            st.session_state.pop("event_whole", None)
            st.rerun()
