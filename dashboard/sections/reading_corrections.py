"""Readings of a timber taken back or put right on its page: who, when and why stay."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import layout
from baulk.dashboard.server import preferences
from baulk.dashboard.server.shop_access import ask
from baulk.ingest import corrections
from baulk.ingest.corrections import Correction
from baulk.ingest.errors import Unlikely
from baulk.models import units
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.quantity import OF_DEVICE, Owner, Quantity
from baulk.models.reading import BY_HAND, Reading
from baulk.models.text import events as event_text
from baulk.models.text import series as series_text

SHOWN: Final = 8
MOST: Final = 20  # of those entered by hand
LATE: Final = timedelta(days=120)


def show(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts, now: datetime) -> None:
    """Offer the newest readings to be edited or undone, and list what was."""
    tag = found.timber.tag
    if told := st.session_state.pop("correction_told", None):
        st.success(words.md(told))
    of_wood = [one for one in _offered(found, now) if one.series.quantity not in OF_DEVICE]
    done = ask(lambda s: corrections.listed(s.store, Owner.TIMBER, tag))
    if not of_wood and not done:
        return
    with st.expander("Undo or edit a reading", key="reading-undo"):
        if of_wood:
            _choose(of_wood, facts, now)
        if done:
            _list(done, facts, now)


def _offered(found: shop_facts.TimberFacts, now: datetime) -> list[Reading]:
    """Give what was entered by hand of late, the newest first, then what else is new."""
    tag = found.timber.tag
    late = ask(lambda s: s.store.readings(Owner.TIMBER, tag, now - LATE))
    hand = [one for one in reversed(late) if one.source == BY_HAND][:MOST]
    return [*hand, *(one for one in found.newest if one not in hand)]


def _choose(readings: list[Reading], facts: shop_facts.ShopFacts, now: datetime) -> None:
    chosen = st.selectbox(
        "Entered by mistake", readings, key="reading_wrong", format_func=lambda one: _said(one, facts)
    )
    value = st.text_input(
        "What it should be", key="reading_right", placeholder="empty: take it back", help="Only for Edit."
    )
    note = st.text_input("Why", key="reading_why", placeholder="tag of another timber")
    st.caption("What it was stays in the books, with your name and today's date; the forecast follows.")
    by = preferences.chosen().name  # asked here: the shop's own thread knows no person
    with st.container(horizontal=True):
        undone = st.button("Undo", key="reading_back")
        edited = st.button("Edit", key="reading_edit", disabled=not value.strip())
        doubt = st.session_state.get("reading_doubted")
        sure = doubt == (str(chosen.series), chosen.taken_utc, value) and st.button(
            "Save anyway", key="reading_sure"
        )
    try:
        if undone:
            _keep(
                ask(lambda s: corrections.take_back(s, chosen, by=by, note=note.strip(), now_utc=now)), facts
            )
        if edited or sure:
            number = _value(value, chosen, facts)
            _keep(
                ask(
                    lambda s: corrections.put_right(
                        s, chosen, by=by, note=note.strip(), now_utc=now, value=number, sure=bool(sure)
                    )
                ),
                facts,
            )
    except Unlikely as err:
        st.session_state["reading_doubted"] = (str(chosen.series), chosen.taken_utc, value)
        st.session_state["reading_doubt"] = str(err)
        st.rerun()
    except BaulkError as err:
        st.error(layout.sentence(err))
    if doubt is not None and (doubted := st.session_state.get("reading_doubt")):
        st.warning(words.md(doubted))


def _list(done: list[Correction], facts: shop_facts.ShopFacts, now: datetime) -> None:
    layout.cards(
        ("Day", "What", "By", "Why"),
        [
            (words.day(one.at_utc), _what(one, facts), one.by or "·", one.note or "·")
            for one in done[:-SHOWN:-1]
        ],
    )
    counting = [one for one in done if one.counts][::-1]
    if not counting:
        return
    chosen = st.selectbox(
        "Taken back or corrected by mistake", counting, key="correction_wrong",
        format_func=lambda one: f"{words.day(one.at_utc)}: {_what(one, facts)}",
    )  # fmt: skip
    by = preferences.chosen().name
    if st.button("Put it back", key="correction_back"):
        with layout.errors_as_sentences():
            _keep(ask(lambda s: corrections.undo(s, chosen, by=by, now_utc=now)), facts)


def _keep(done: Correction, facts: shop_facts.ShopFacts) -> None:
    for key in ("reading_doubted", "reading_doubt", "reading_right", "reading_why", "reading_wrong"):
        st.session_state.pop(key, None)
    back = "" if done.counts else "Put back as it was. "
    st.session_state["correction_told"] = f"{back}{_what(done, facts)}. The forecast follows by itself."
    st.rerun()


def _said(one: Reading, facts: shop_facts.ShopFacts) -> str:
    shown = event_text.value(one, facts.system, facts.temperature)
    return f"{words.clock(one.taken_utc)}: {series_text.called(str(one.series), facts.system)}, {shown}"


def _what(done: Correction, facts: shop_facts.ShopFacts) -> str:
    if done.now is None:
        return f"Taken back: {_said(done.was, facts)}"
    now = event_text.value(done.now, facts.system, facts.temperature)
    return f"Corrected: {_said(done.was, facts)}, now {now}"


def _value(text: str, reading: Reading, facts: shop_facts.ShopFacts) -> float:
    if reading.series.quantity is Quantity.WEIGHT:
        return units.mass_kg(text, bare=units.default_mass_unit(facts.system))
    if reading.unit == "degC":
        return units.temperature_c(text, bare=facts.temperature)
    try:
        return float(text.strip().removesuffix("%").replace(",", "."))
    except ValueError as err:
        raise OutOfRange("the value", f"is a number such as 28.5, not {text!r}") from err
