"""Readings in a list, each with Edit and Undo; what was stored is kept, with who and why."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Final
from zlib import crc32

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import entry, layout, press, reading_form
from baulk.dashboard.server import preferences
from baulk.dashboard.server.shop_access import ask
from baulk.ingest import correction_notes, corrections, hand_readings
from baulk.ingest.correction_notes import Correction
from baulk.ingest.errors import Unlikely
from baulk.ingest.store.moments import to_us
from baulk.models import moisture_text, units
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.quantity import AT_DEPTH, Owner, Quantity
from baulk.models.reading import Reading
from baulk.models.section import Face
from baulk.models.text import events as event_text
from baulk.models.text import series as series_text

SHOWN: Final = 8
EDITED: Final = "reading_edited"  # the row that is open for editing


def rows(readings: Sequence[Reading], facts: shop_facts.ShopFacts, now: datetime, *, tags: bool) -> None:
    """List readings, each with Edit and Undo.

    Parameters
    ----------
    readings : sequence of Reading
        Newest first.
    facts : ShopFacts
        For the reader's units.
    now : datetime
        The moment, with a time zone.
    tags : bool
        Whether each names its timber.
    """
    for one in readings:
        name = f"{one.series}@{to_us(one.taken_utc)}"
        short = f"{crc32(name.encode()):08x}"
        with st.container(horizontal=True, vertical_alignment="center", key=f"row-reading-{short}"):
            st.html(_said(one, facts, now, tags=tags))
            press.draw("Edit", key=f"reading_edit-{short}")
            press.draw("Undo", key=f"reading_undo-{short}")
        if press.taken(f"reading_edit-{short}"):
            st.session_state[EDITED] = name
            st.rerun()
        if press.taken(f"reading_undo-{short}"):
            _undo(one, facts)
        if st.session_state.get(EDITED) == name:
            _edit(one, facts, name)


def listed(tag: str, facts: shop_facts.ShopFacts) -> None:
    """List what was edited or undone of a timber: when, what, by whom, why; each with Undo."""
    every = ask(lambda s: correction_notes.listed(s.store, Owner.TIMBER, tag))
    if not every:
        return
    st.markdown("**Edited or undone**")
    for one in every[: -SHOWN - 1 : -1]:
        what = f"{_what(one, facts)}{'' if one.counts else '; put back'}"
        how = ", ".join(filter(None, (words.day(one.at_utc), one.by, one.note)))
        with st.container(horizontal=True, vertical_alignment="center", key=f"row-correction-{one.number}"):
            st.html(f'<div class="b-row">{words.esc(what)}<small>{words.esc(how)}</small></div>')
            if one.counts and press.button("Undo", key=f"correction_undo-{one.number}"):
                with layout.errors_as_sentences():
                    back = _back(one, facts)
                    entry.keep(lambda back=back: (back(), None))  # type: ignore[misc]


def _said(one: Reading, facts: shop_facts.ShopFacts, now: datetime, *, tags: bool) -> str:
    value = event_text.value(one, facts.system, facts.temperature)
    tag = f"{words.esc(one.series.name)} " if tags else ""
    called = series_text.called(str(one.series), facts.system)
    flags = event_text.flags(one, facts.system, zone=words.zone())
    how = ", ".join(filter(None, (words.age(one.taken_utc, now), words.source(one), flags)))
    return (
        f'<div class="b-row">{tag}<b>{words.esc(value)}</b> {words.esc(called)}'
        f"<small>{words.esc(how)}</small></div>"
    )


def _undo(one: Reading, facts: shop_facts.ShopFacts) -> None:
    by, now = preferences.chosen().name, layout.now()  # asked here: the shop's own thread knows no person
    with layout.errors_as_sentences():

        def act() -> entry.Saving:
            done = ask(lambda s: corrections.take_back(s, one, by=by, note="", now_utc=now))
            told = f"Undone: {reading_form.described(one, facts)} of {one.series.name}. It stays on record."
            return told, lambda: _put_back(done, facts)

        entry.keep(act)


def _put_back(done: Correction, facts: shop_facts.ShopFacts) -> str:
    return _back(done, facts)()


def _back(done: Correction, facts: shop_facts.ShopFacts) -> Callable[[], str]:
    """Return what takes a correction back, by whoever presses now."""
    by, now = preferences.chosen().name, layout.now()

    def act() -> str:
        ask(lambda s: corrections.undo(s, done, by=by, now_utc=now))
        return f"Put back as it was: {reading_form.described(done.was, facts)} of {done.was.series.name}."

    return act


def _edit(one: Reading, facts: shop_facts.ShopFacts, name: str) -> None:
    box = entry.Entry(
        f"correct-{crc32(name.encode()):08x}", cancels=lambda: st.session_state.pop(EDITED, None)
    )
    shown = event_text.value(one, facts.system, facts.temperature).replace("at least ", ">")
    pins, face = one.series.quantity in AT_DEPTH, one.series.face
    depth = units.show_length(one.series.depth_mm, facts.system) if one.series.depth_mm is not None else ""
    shown, depth = box.first("value", shown), box.first("depth", depth)
    had = box.first("face", "any" if face is None else face.value)
    with box.form():
        left, right = st.columns(2, wrap=False)
        value = left.text_input("What it should be", shown, key=box.key("value"))
        why = right.text_input("Why", key=box.key("why"), placeholder="misread")
        deep, at = depth, "as it was"
        if pins:
            left, right = st.columns(2, wrap=False)
            deep = left.text_input("Pin depth", depth, key=box.key("depth"))
            faces = list(dict.fromkeys((had, *(each.value for each in Face))))
            at = str(right.selectbox("Face", faces, key=box.key("face")))
        st.caption("What it was stays on record, with your name and today's date; the forecast follows.")
        pressed = box.buttons()
    if not pressed:
        return
    given = (value, deep, at)
    by, now, sure = preferences.chosen().name, layout.now(), box.is_sure(given)
    try:
        bare = units.default_length_unit(facts.system)
        number, least = (None, False) if value.strip() == shown else _value(value, one, facts)
        depth_mm = None if not pins or deep.strip() == depth else units.length_mm(deep, bare=bare)
        fresh = Face(at) if pins and at not in {"any", had} else None

        def act() -> entry.Saving:
            done = ask(
                lambda s: corrections.put_right(
                    s, one, by=by, note=why.strip(), now_utc=now, value=number, depth_mm=depth_mm, face=fresh,
                    at_least=least, sure=sure,
                )
            )  # fmt: skip
            return f"{_what(done, facts)}. The forecast follows by itself.", lambda: _put_back(done, facts)

        box.keep(act)
    except Unlikely as err:
        box.doubt(given, layout.sentence(err), told=True)
    except BaulkError as err:
        box.refuse(layout.sentence(err), told=True)


def _what(done: Correction, facts: shop_facts.ShopFacts) -> str:
    was = reading_form.described(done.was, facts)
    if done.now is None:
        return f"Undone: {was}"
    return f"Edited: {was}; now {reading_form.described(done.now, facts)}"


def _value(text: str, reading: Reading, facts: shop_facts.ShopFacts) -> tuple[float, bool]:
    """Read a value, and whether it means "at least"."""
    if reading.series.quantity is Quantity.MOISTURE:
        told = moisture_text.read(text, top_pct=ask(hand_readings.scale_end_pct))
        return told.mc_pct, told.at_least
    if reading.series.quantity is Quantity.WEIGHT:
        return units.mass_kg(text, bare=units.default_mass_unit(facts.system)), False
    if reading.unit == "mm":
        return units.length_mm(text, bare=units.default_length_unit(facts.system)), False
    if reading.unit == "degC":
        return units.temperature_c(text, bare=facts.temperature), False
    try:
        return float(text.strip().removesuffix("%").replace(",", ".")), False
    except ValueError as err:
        raise OutOfRange("the value", f"is a number such as 28.5, not {text!r}") from err
