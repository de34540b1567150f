"""A sensor in the place of another: which, by which, since when; the series goes on."""

from __future__ import annotations

from datetime import datetime
from functools import partial

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries import pairing_data
from baulk.dashboard.sections import entry, layout, work_form
from baulk.dashboard.server import preferences
from baulk.ingest.pairing.replaced import Replaced
from baulk.models.errors import BaulkError


def part() -> None:
    """Offer to replace a sensor that is on a timber or was mapped; draw nothing where there is none."""
    now = layout.now()
    known = pairing_data.replaceable(now)
    if not known:
        return
    st.subheader("Replace a sensor", anchor=False)
    old = st.selectbox("Sensor", known, None, key="replace-old", placeholder="Choose the old one")
    if old is not None:
        with layout.errors_as_sentences():
            _form(old, now)


def _form(old: str, now: datetime) -> None:
    tag, latest = pairing_data.timber_of(old, now), words.local(now).date()
    box = entry.Entry(f"replace-{old}")
    with box.form():
        left, right = st.columns(2)
        new = left.selectbox(
            "Replace with", pairing_data.replacing(old, now), None, key=box.key("new"),
            accept_new_options=True, placeholder=f"Choose or type its {'name' if tag else 'topic'}",
        )  # fmt: skip
        # a topic's messages are kept: without a day the new one takes over with the old one's last message
        day = right.date_input("On", latest if tag else None, max_value=latest, key=box.key("day"))
        note = st.text_input("Note", key=box.key("note"))
        st.caption(
            f"It takes the place of {words.md(old)} on {words.md(tag)}, at the same depth, face and distance "
            "from the end."
            if tag
            else f"It is read as {words.md(old)} is now, and {words.md(old)} is no longer read. From that "
            "day on the new one's kept messages count and the old one's wait; without a day, from the last "
            "message of the old one on."
        )
        pressed = box.buttons()
    if not pressed:
        return
    if new is None or not new.strip():
        box.refuse("Choose the new sensor, or type its name.")
        return
    by, at = preferences.chosen().name, work_form.at(day, now) if tag else work_form.begins(day, now)
    try:
        box.keep(lambda: _saved(old, new.strip(), now=now, at=at, by=by, note=note.strip()))
    except BaulkError as err:
        box.refuse(layout.sentence(err), told=True)


def _saved(  # noqa: PLR0913 - which, when, who
    old: str, new: str, *, now: datetime, at: datetime | None, by: str, note: str
) -> entry.Saving:
    done = pairing_data.replace(old, new, now=now, at=at, by=by, note=note)
    where = f"on {done.tag} since {words.clock(at or now)}" if done.tag else "from now on"
    who = f", entered by {by}" if by else ""
    came = f" Readings that came in with it: {done.came.count}." if done.mappings else ""
    return f"{new} goes on in place of {old} {where}{who}.{came}", partial(_taken_back, done)


def _taken_back(done: Replaced) -> str:
    pairing_data.take_back_replacing(done, layout.now(), preferences.chosen().name)
    return f"{done.old} goes on as before; {done.new} is not in its place."
