"""What a room's machines used, typed on the page of its air: litres from the tank, kWh from the meter."""

from __future__ import annotations

from datetime import date, datetime, time

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.sections import layout
from baulk.dashboard.sections.entry import Entry, Saving
from baulk.dashboard.server.shop_access import ask
from baulk.dashboard.typed import amount
from baulk.ingest.planning import kept_used
from baulk.models import text
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.plan.humidity.used import Used


def form(place: str) -> None:
    """Draw the fields of what was used since a day, and the list of what was told.

    Parameters
    ----------
    place : str
        The room.
    """
    box = Entry(f"used-{place}")
    now = layout.now()
    st.markdown("**Read off: what the machines used**")
    with box.form():
        left, right = st.columns(2, wrap=False)
        litres = left.text_input("Water in or out", key=box.key("litres"), placeholder="34 litres")
        kwh = right.text_input("Electricity", key=box.key("kwh"), placeholder="12 kWh")
        left, right = st.columns(2, wrap=False)
        since = left.date_input("Since", None, key=box.key("since"))
        until = right.date_input("Until", words.local(now).date(), key=box.key("until"))
        by = st.text_input("Who read it", key=box.key("by"), placeholder="Ann")
        pressed = box.buttons()
    for each in reversed(ask(lambda s: kept_used.told(s, place))[-4:]):
        st.caption(words.md(f"{text.sentence(each.reason, 'metric', zone=words.zone())}."))
    if not pressed:
        return
    try:
        if not isinstance(since, date) or not isinstance(until, date):
            raise OutOfRange("what was used", "needs the day since when and until when")
        told = Used(
            since_utc=_begin(since),
            until_utc=min(_begin(until), now),
            litres=amount(litres, ("litres", "litre", "liters", "liter", "l"), "the water"),
            kwh=amount(kwh, ("kwh",), "the electricity"),
            by=by.strip(),
            note="",
            noted_utc=now,
        )
        box.keep(lambda: _saved(place, told))
    except BaulkError as err:
        box.refuse(layout.sentence(err), told=True)


def _begin(day: date) -> datetime:
    return datetime.combine(day, time(), tzinfo=words.zone()).astimezone()


def _saved(place: str, told: Used) -> Saving:
    ask(lambda s: kept_used.tell(s, place, told))

    def undo() -> str:
        ask(lambda s: kept_used.take_back(s, place, told))
        return f"What was used in {place} is taken back."

    return f"{place}: {text.sentence(told.reason, 'metric', zone=words.zone())}.", undo
