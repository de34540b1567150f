"""The form for a reading by hand: stored once however often it is pressed, told with Undo."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import entry, hand_meter, layout
from baulk.dashboard.server import preferences
from baulk.dashboard.server.shop_access import ask
from baulk.ingest import corrections
from baulk.ingest.walk import plausible
from baulk.models import text, units
from baulk.models.errors import BaulkError
from baulk.models.meter import pin_depth
from baulk.models.quantity import AT_DEPTH, Owner, Quantity
from baulk.models.reading import BY_HAND, Reading, Series
from baulk.models.section import Face
from baulk.models.text import events as event_text
from baulk.models.text import series as series_text

KINDS: Final = {"pins": "Pin meter", "weight": "Weight"}


def form(
    found: shop_facts.TimberFacts,
    facts: shop_facts.ShopFacts,
    done: Callable[[], None] | None = None,
    *,
    asks: bool = False,
) -> None:
    """Ask for a reading of a timber and store it.

    Nothing is sent while one types, so that the button stays where it is; what speaks against the number is
    said when it is pressed, and a second press on "Save anyway" stores it.

    Parameters
    ----------
    found, facts
        The timber and the shop.
    done : callable, optional
        Closes the form after saving, and by Cancel; without one it stays for the next reading.
    asks : bool
        Whether the shop's hand meter is asked about even where no meter has been read yet.
    """
    kind = st.segmented_control(
        "What was read", list(KINDS), format_func=KINDS.__getitem__, default="pins",
        key=f"reading_kind-{found.entered_as}", label_visibility="collapsed",
    )  # fmt: skip
    pins = kind != "weight"
    if pins and (asks or _read_by_hand(found)):
        hand_meter.ask(facts)
    box = entry.Entry(f"reading-{found.entered_as}-{'pins' if pins else 'weight'}", cancels=done)
    with box.form():
        read = _pins(found, facts, box) if pins else _weight(found, facts, box)
        st.caption(words.md(expected(found, facts, pins=pins)))
        pressed = box.buttons()
    if not pressed:
        return
    try:
        typed = read()
        judged = shop_facts.judged(typed, layout.now())
        if judged.impossible:
            box.refuse(" ".join(text.sentences(judged.reasons, facts.system, zone=words.zone())))
        elif judged.findings and not box.is_sure(typed):
            box.doubt(typed, " ".join(text.sentences(judged.reasons, facts.system, zone=words.zone())))
        else:
            box.keep(lambda: _store(typed, facts, sure=bool(judged.findings)))
    except BaulkError as err:
        box.refuse(layout.sentence(err), told=True)


def _pins(
    found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts, box: entry.Entry
) -> Callable[[], shop_facts.Typed]:
    inch = facts.system == "inch"
    one, two = st.columns(2, wrap=False)
    mc = one.text_input("Meter says, % MC", placeholder="28.5", key=box.key("mc"))
    depth = two.text_input("Pin depth", usual_depth(found, facts.system), key=box.key("depth"))
    one, two = st.columns(2, wrap=False)
    face = one.selectbox("Face", ["any", *(f.value for f in Face)], key=box.key("face"))
    end = two.text_input(
        "From an end, if near", placeholder="12 in" if inch else "300 mm", key=box.key("from_end")
    )
    at, bare = None if face == "any" else Face(face), units.default_length_unit(facts.system)
    return lambda: shop_facts.pins_typed(found.timber.tag, mc, depth, at, bare, end)


def _weight(
    found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts, box: entry.Entry
) -> Callable[[], shop_facts.Typed]:
    like = "212 lb" if facts.system == "inch" else "96 kg"
    weight = st.text_input("Weight", placeholder=like, key=box.key("weight"))
    return lambda: shop_facts.weight_typed(found.timber.tag, weight, units.default_mass_unit(facts.system))


def usual_depth(found: shop_facts.TimberFacts, system: units.System) -> str:
    """Return the depth at which this timber was read last, to be written over."""
    for each in found.latest:
        if each.series.quantity in AT_DEPTH and each.series.depth_mm is not None:
            return units.show_length(each.series.depth_mm, system)
    return ""


def expected(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts, *, pins: bool) -> str:
    """Say what the next reading should be, or what the last one was, before anything is typed."""
    if not pins:
        last = next((each for each in found.latest if each.series.quantity is Quantity.WEIGHT), None)
        if last is None:
            return "Its first weight: the section and its wood say what it can be."
        value = event_text.value(last, facts.system, facts.temperature)
        return f"It was {value} {words.age(last.taken_utc, layout.now())}."
    side = min(found.timber.section.width_mm, found.timber.section.depth_mm)
    mean_mm = pin_depth.mean_depth_share(4) * side
    usual = next((e.series for e in found.latest if e.series.depth_mm is not None), None)
    at_mm = mean_mm if usual is None or usual.depth_mm is None else usual.depth_mm
    said = f"{units.show_length(mean_mm, facts.system)} deep reads about the average."
    if found.answer is None:
        return f"No forecast yet to hold it against. {said}"
    try:
        there = plausible.expected_pct(
            found.answer, found.timber, at_mm, None if usual is None else usual.face
        )
    except BaulkError:  # pins noted deeper than the piece is; the form says so when they are read again
        return said
    if there.low >= plausible.FSP_PCT:
        range_ = f"at least {plausible.FSP_PCT:.0f} %"
    else:
        range_ = f"{there.low:.0f} to {there.high:.0f} %"
    return f"Expected {units.show_length(at_mm, facts.system)} deep: {range_}. {said}"


def _store(read: shop_facts.Typed, facts: shop_facts.ShopFacts, *, sure: bool) -> entry.Saving:
    """Store it; return what is told, and what takes it back."""
    now = layout.now()
    near = shop_facts.store_by_hand(read, now, sure=sure)
    one = stored(read.series, now)
    why = text.sentence(near, facts.system, zone=words.zone()) if near else ""
    aside = f" The forecast will set it aside: {why}." if why else ""
    told = f"Saved for {read.series.name}: {described(one, facts)}.{aside}"
    return told, lambda: take_back(one, facts)


def stored(series: Series, at: datetime) -> Reading:
    """Return the reading of a series at a moment."""
    found = ask(lambda s: s.store.readings(Owner.TIMBER, series.name, at, at))
    return next(each for each in found if each.series == series)


def described(one: Reading, facts: shop_facts.ShopFacts) -> str:
    """Return a reading's value and what was read, in the reader's units."""
    value = event_text.value(one, facts.system, facts.temperature)
    return f"{value}, {series_text.called(str(one.series), facts.system)}"


def take_back(one: Reading, facts: shop_facts.ShopFacts, note: str = "") -> str:
    """Take a reading back and return what was done, as a sentence."""
    by, now = preferences.chosen().name, layout.now()  # asked here: the shop's own thread knows no person
    ask(lambda s: corrections.take_back(s, one, by=by, note=note, now_utc=now))
    return f"Undone: {described(one, facts)} of {one.series.name}. It stays on record."


def _read_by_hand(found: shop_facts.TimberFacts) -> bool:
    """Whether a meter's number was entered for it; a yard of sensors alone is not asked about a meter."""
    return any(each.source == BY_HAND and each.series.quantity is Quantity.MOISTURE for each in found.latest)
