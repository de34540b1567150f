"""What could not be stored: by cause and sender, tried again in short turns, settled, exported, discarded."""

from __future__ import annotations

import time
from typing import Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries import quarantine_data, shop_facts
from baulk.dashboard.sections import layout, press, saved
from baulk.dashboard.server import preferences
from baulk.ingest.store.rejected import EVERYTHING, Cause, QuarantineGroup, QuarantineRow, Which
from baulk.models import formatting
from baulk.models.errors import BaulkError
from baulk.models.text import events as event_text
from baulk.models.text import series as series_text

SHOWN: Final = 25
_TURN_S: Final = 1.5  # of trying again before the page answers
_CAUSES: Final = {
    Cause.UNKNOWN_TIMBER: "Tag not entered",
    Cause.UNPLACED_SENSOR: "Sensor on no timber",
    Cause.UNKNOWN_PLACE: "Place not entered",
    Cause.NOT_UNDERSTOOD: "Not understood",
    Cause.IMPOSSIBLE: "Impossible value",
    Cause.UNLIKELY: "Unlikely, or noted twice",
    Cause.CLASH: "Another value stored",
    Cause.REFUSED: "Refused by the store",
    Cause.PROGRAM: "Fault of Baulk",
}
_MENDS: Final = {
    Cause.UNKNOWN_TIMBER: "Enter the timber, or put the tag right at the sensor; then try again.",
    Cause.UNPLACED_SENSOR: "Say which timber the sensor is on; its readings are stored then by themselves.",
    Cause.UNKNOWN_PLACE: "Add the place if it is new, or put its name right at the sensor and discard these.",
    Cause.NOT_UNDERSTOOD: "Add it again under Add a sensor, or correct its settings; then try again.",
    Cause.IMPOSSIBLE: "Look at the sensor: no wood and no air can be like this. Discard them afterwards.",
    Cause.UNLIKELY: "Look at the timber: add below what is right, and discard the rest.",
    Cause.CLASH: "Two values for one moment: say below which one is right.",
    Cause.REFUSED: "Look at the server of the readings; then try again.",
    Cause.PROGRAM: "Please report it with an export of these messages; then try again after an update.",
}
_RUN: Final = "quarantine-run"


def part(facts: shop_facts.ShopFacts) -> None:
    """Show quarantine with what can be done about it."""
    st.header("Messages not understood", anchor=False)
    found = quarantine_data.look()
    if found.let_go:
        count, last = found.let_go
        st.warning(
            f"{formatting.count(count, 'message')} deleted, the last on {words.clock(last)}: too many, "
            "or too old. "
            "quarantine_mb and quarantine_days in [store] of baulk.toml set the limits."
        )
    if not found.groups:
        st.caption("Empty. A message that can't be understood is kept here with its reason and what to do.")
        return
    if _RUN in st.session_state:
        _go_on()
        return
    group = st.selectbox(
        "Show",
        [None, *found.groups],
        format_func=lambda one: _named(one, found.count),
        key="quarantine-group",
    )
    which = EVERYTHING if group is None else Which(cause=group.cause, sender=group.sender)
    if group is not None:
        st.markdown(_MENDS[group.cause])
    _actions(which, group)
    rows = quarantine_data.rows(SHOWN, which)
    if group is not None and group.cause is Cause.CLASH:
        _clashes(rows, facts)
        return
    if group is not None and group.cause is Cause.UNLIKELY:
        _unlikely(rows, facts)
        return
    layout.cards(
        ("Arrived", "Topic", "Why", "It said"),
        [
            (
                words.clock(row.raw.arrived_utc),
                formatting.in_brief(row.raw.topic),
                _why(row, facts),
                quarantine_data.shown(row.raw.payload),
            )
            for row in rows
        ],
    )
    if found.count > SHOWN and group is None:
        st.caption(f"The newest {SHOWN} of {found.count}; an export has them all.")


def _why(row: QuarantineRow, facts: shop_facts.ShopFacts) -> str:
    pair = quarantine_data.clash(row)
    if pair is not None:
        return event_text.clash(*pair, facts.system, facts.temperature, words.zone())
    return formatting.in_reader_units(series_text.first_named(row.reason, facts.system), facts.system)


def _named(group: QuarantineGroup | None, count: int) -> str:
    if group is None:
        return f"All {count}"
    return f"{group.messages} · {_CAUSES[group.cause]} · {group.sender}"


def _actions(which: Which, group: QuarantineGroup | None) -> None:
    with st.container(horizontal=True):
        if group is None or group.cause not in {Cause.CLASH, Cause.UNLIKELY}:
            if press.button("Preview", key="quarantine-preview"):
                _begin(which, preview=True)
            if press.button("Retry", key="replay", type="primary"):
                _begin(which, preview=False)
        st.download_button(
            "Export",
            lambda: quarantine_data.exported(which),
            "quarantine.csv",
            "text/csv",
            key="quarantine-export",
        )
        if group is not None and group.cause is Cause.UNKNOWN_PLACE:
            _adding(group)
        if group is not None:
            _discarding(which, group)


def _adding(group: QuarantineGroup) -> None:
    """Offer to enter the place that these messages wait for."""
    name = quarantine_data.place_of(group.newest)
    if name is not None and press.button(f"Add place {words.md(name)}", key="quarantine-place"):
        with layout.errors_as_sentences():
            stored = quarantine_data.add_place(name)
            _tell(f"{name} is entered; readings stored: {stored}.")


def _discarding(which: Which, group: QuarantineGroup) -> None:
    with st.popover("Discard"):
        st.markdown(
            f"{formatting.count(group.messages, 'message')} would be gone for good; export them first "
            "if in doubt."
        )
        why = st.text_input("Why", key="quarantine-why", placeholder="for instance: not our sensor")
        if press.button("Discard", key="quarantine-discard", disabled=not why.strip()):
            gone = quarantine_data.discard(which, why.strip(), preferences.chosen().name, layout.now())
            _tell(f"{formatting.count(gone, 'message')} discarded.")


def _clashes(rows: list[QuarantineRow], facts: shop_facts.ShopFacts) -> None:
    """Show each pair in the reader's units with both ways to settle it."""
    for row in rows:
        pair = quarantine_data.clash(row)
        if pair is None:
            layout.cards(("Topic", "Why"), [(formatting.in_brief(row.raw.topic), row.reason)])
            continue
        stored, other = event_text.both_values(*pair, facts.system, facts.temperature)
        what = series_text.called(str(pair[0].series), facts.system)
        with st.container(border=True, key=f"clash-{row.number}"):
            st.markdown(
                f"**{words.md(pair[0].series.name)}**, {words.md(what)}, {words.clock(pair[0].taken_utc)}"
            )
            with st.container(horizontal=True):
                if press.button(f"Keep {stored}, as stored", key=f"clash-{row.number}-keep"):
                    _settle(row.number, take_other=False)
                if press.button(f"Take {other} instead", key=f"clash-{row.number}-take"):
                    _settle(row.number, take_other=True)


def _unlikely(rows: list[QuarantineRow], facts: shop_facts.ShopFacts) -> None:
    """Show each event that a message told with what speaks against it, to be added or discarded."""
    for row in rows:
        event = quarantine_data.event_of(row)
        if event is None:
            layout.cards(("Topic", "Why"), [(formatting.in_brief(row.raw.topic), row.reason)])
            continue
        said = layout.capital(event_text.event(event, facts.system, zone=words.zone())).removesuffix(".")
        by = f", {words.md(event.by)}" if event.by else ""
        with st.container(border=True, key=f"unlikely-{row.number}"):
            st.markdown(
                f"**{words.md(event.tag)}**, {words.clock(event.at_utc)}{by}: {words.md(said)}. "
                f"{words.md(row.reason)}"
            )
            if press.button("Add", key=f"unlikely-{row.number}-add"):
                with layout.errors_as_sentences():
                    why = quarantine_data.accept(row.number, by=preferences.chosen().name)
                    _tell(why or f"Added to {event.tag}.")


def _settle(number: int, *, take_other: bool) -> None:
    try:
        quarantine_data.settle(
            number, take_other=take_other, by=preferences.chosen().name, now_utc=layout.now()
        )
    except BaulkError as err:
        st.error(layout.sentence(err))
        return
    _tell(f"Settled; {'the other value can be taken back here' if take_other else 'the stored value stays'}.")


def _begin(which: Which, *, preview: bool) -> None:
    st.session_state[_RUN] = quarantine_data.Run(
        which=which, preview=preview, total=quarantine_data.count(which)
    )
    st.rerun()


def _go_on() -> None:
    """Try messages again for a moment, then let the page answer, until all have been tried."""
    run: quarantine_data.Run = st.session_state[_RUN]
    what = "Looking at" if run.preview else "Trying"
    st.progress(
        min(run.seen / max(run.total, 1), 1.0),
        f"{what} {formatting.count(run.total, 'message')} again: {run.seen} done",
    )
    if press.button("Stop", key="quarantine-stop"):
        del st.session_state[_RUN]
        _tell(_came_of(run))
    end = time.monotonic() + _TURN_S
    try:
        run = quarantine_data.go_on(run, lambda: time.monotonic() > end)
    except BaulkError as err:
        del st.session_state[_RUN]
        st.error(layout.sentence(err))
        return
    if run.is_done:
        del st.session_state[_RUN]
        _tell(_came_of(run))
    st.session_state[_RUN] = run
    st.rerun()


def _came_of(run: quarantine_data.Run) -> str:
    readings = "1 reading" if run.stored == 1 else f"{run.stored} readings"
    why = f" The first that stays: {run.reason}" if run.reason else ""
    if run.preview:
        return (
            f"{run.settled} of {formatting.count(run.seen, 'message')} would be understood, with {readings}; "
            f"{run.left} would stay.{why}"
        )
    return f"{readings} stored; still waiting: {formatting.count(run.left, 'message')}.{why}"


def _tell(text: str) -> None:
    saved.tell(text)
    st.rerun()
