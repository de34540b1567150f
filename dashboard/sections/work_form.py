"""Work that was done to a timber: chosen, filled in and saved in four taps, with Undo."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, time
from time import monotonic
from typing import Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import entry, layout, press, work_kinds
from baulk.dashboard.server import preferences
from baulk.dashboard.server.shop_access import ask
from baulk.ingest import operations
from baulk.ingest.errors import Unlikely
from baulk.ingest.evaluation import still_fits
from baulk.ingest.sensors import Settled
from baulk.models import text
from baulk.models.errors import BaulkError
from baulk.models.reason import Reason
from baulk.models.text import events as event_text
from baulk.models.timber import CHANGES_SIZE, Event, EventKind
from baulk.models.units import System

_TURN_S: Final = 1.5  # that a page waits for what lies in quarantine
OTHER: Final = "Other"


def form(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts, done: Callable[[], None]) -> None:
    """Ask what was done, then for its details.

    Parameters
    ----------
    found, facts
        The timber and the shop.
    done : callable
        Closes the form after saving, and by Cancel.
    """
    first = {work_kinds.KINDS[kind].word: kind for kind in work_kinds.FIRST}
    chosen = st.pills(
        "What was done", [*first, OTHER], key="work_kind", label_visibility="collapsed", wrap=True
    )
    kind = first.get(str(chosen))
    if chosen == OTHER:
        rest = [each for each in work_kinds.KINDS if each not in work_kinds.FIRST]
        kind = st.selectbox(
            "What else", rest, format_func=lambda each: work_kinds.KINDS[each].word, key="work_other"
        )
    if kind is not None:
        fill_in(kind, found, facts, done)
    elif press.button("Cancel", key="work_cancel"):
        done()
        st.rerun()


def fill_in(
    kind: EventKind,
    found: shop_facts.TimberFacts,
    facts: shop_facts.ShopFacts,
    done: Callable[[], None] | None,
    fields: Callable[[work_kinds.Form], work_kinds.Read] | None = None,
) -> None:
    """Ask for the details of one kind of work, and enter it.

    Parameters
    ----------
    kind, found, facts, done
        What, of which timber, in which shop, and what closes the form.
    fields : callable, optional
        Draws the fields of a kind that `work_kinds.KINDS` does not have.
    """
    offered, latest = work_kinds.KINDS.get(kind), words.local(layout.now()).date()
    box = entry.Entry(f"work-{found.entered_as}-{kind.value}", cancels=done)
    with box.form():
        draw = fields or (offered.fields if offered else work_kinds.KINDS[kind].fields)
        read = draw(work_kinds.Form(found=found, system=facts.system, box=box))
        left, right = st.columns(2, wrap=False)
        day = left.date_input("On", latest, max_value=latest, key=box.key("day"))
        note = right.text_input("Note", key=box.key("note"))
        if offered is not None and offered.caution:
            st.caption(offered.caution)
        pressed = box.buttons()
    if not pressed:
        return
    now = layout.now()
    try:
        detail = read()
        if missing := work_kinds.missing(kind, detail):
            box.refuse(f"Fill in {missing}.")
            return
        sure = box.is_sure(detail)
        new = None if sure else _new_place(kind, detail, facts.system)
        if new is not None:
            box.doubt(detail, new)
        event = Event(
            tag=found.timber.tag, kind=kind, at_utc=at(day, now), noted_utc=now, detail=detail,
            by=preferences.chosen().name, note=note.strip(),
        )  # fmt: skip
        box.keep(lambda: enter(event, facts, sure=sure))
    except Unlikely as err:
        box.doubt(detail, layout.sentence(err), told=True)
    except BaulkError as err:
        box.refuse(layout.sentence(err), told=True)


def enter(event: Event, facts: shop_facts.ShopFacts, *, sure: bool) -> entry.Saving:
    """Enter an event; return what is told, and what takes it back."""
    end = monotonic() + _TURN_S
    entered, settled = ask(
        lambda s: operations.add_event(
            s, event, move=sure, new_place=sure, sure=sure, stop=lambda: monotonic() > end
        )
    )
    told = f"Saved: {event_text.event(entered, facts.system, zone=words.zone())}.{later(settled)}"
    if event.kind in CHANGES_SIZE:
        out = ask(lambda s: still_fits.reason(s, event.tag))
        told += (
            f" {text.sentence(out, facts.system, zone=words.zone())}" if still_fits.little_left(out) else ""
        )
    return told, lambda: take_back(entered, facts)


def taking_back(event: Event, facts: shop_facts.ShopFacts) -> Callable[[], str]:
    """Return what takes an event back, by whoever presses now, and says so."""
    by, now = preferences.chosen().name, layout.now()  # asked here: the shop's own thread knows no person

    def act() -> str:
        end = monotonic() + _TURN_S
        _, settled = ask(
            lambda s: operations.undo(
                s, event.number, by=by, now_utc=now, sure=True, stop=lambda: monotonic() > end
            )
        )
        said = event_text.event(event, facts.system, zone=words.zone())
        return f"Undone: {said}. It stays on record.{later(settled)}"

    return act


def take_back(event: Event, facts: shop_facts.ShopFacts) -> str:
    """Take an event back and say so."""
    return taking_back(event, facts)()


def later(settled: Settled) -> str:
    """Return what is still to come of a sensor's readings."""
    return "" if settled.is_done else " The listener goes on storing what waited for the sensor."


def _new_place(kind: EventKind, detail: work_kinds.Details, system: System) -> str | None:
    """Return what is to be asked of a place that nobody entered."""
    place, known = str(detail.get("to", "")), shop_facts.places()
    if kind is not EventKind.MOVED or not place or not known or place in known:
        return None
    return text.sentence(
        Reason(code="place.new", values={"place": place, "known": known}), system, zone=words.zone()
    )


def at(day: object, now: datetime) -> datetime:
    """Return now for today, and noon of any day before."""
    local = words.local(now)
    if not isinstance(day, date) or day == local.date():
        return now
    return datetime.combine(day, time(12), local.tzinfo)


def begins(day: object, now: datetime) -> datetime | None:
    """Return the moment at which a day begins; None where none was chosen."""
    return datetime.combine(day, time(), words.local(now).tzinfo) if isinstance(day, date) else None
