"""Timber: one piece. Verdict and picture first, then its two forms, and the rest in folds."""

from __future__ import annotations

from datetime import datetime
from typing import Final
from urllib.parse import quote

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.charts import butt_end
from baulk.dashboard.queries import newest_readings, shop_facts, which_tag, yard_rows
from baulk.dashboard.sections import (
    address,
    checks_seen,
    downloads,
    entry,
    folds,
    forecast_review,
    layout,
    photographs,
    press,
    reading_corrections,
    reading_form,
    source_seen,
    timber_answer,
    timber_history,
    what_if,
    while_it_lies,
    work_form,
)
from baulk.dashboard.server import page_worker
from baulk.dashboard.server.shop_access import ask
from baulk.ingest.evaluation.document import Document
from baulk.models import units
from baulk.models.quantity import AT_DEPTH
from baulk.models.section import Face

FORM: Final = "do"  # in the address: which form is open
CARE: Final = (
    "Heavy and dusty work: hoist it, extract the dust. Whether it may carry people or load is for the local "
    "code and a licensed designer."
)


def mark(tag: str) -> str:
    """Return a text that changes with a timber's newest readings or its evaluation."""
    made, latest = shop_facts.stamp(tag)
    return f"{tag} {made} " + " ".join(f"{r.series}@{r.taken_utc.timestamp():.3f}" for r in latest)


def heard(tag: str) -> str:
    """Return how old a timber's newest reading is."""
    newest = max((each.taken_utc for each in shop_facts.stamp(tag)[1]), default=None)
    return "No reading yet." if newest is None else f"Newest reading {words.age(newest, layout.now())}."


def head(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> None:
    """Show tag, photograph, and what it is in one line."""
    timber = found.timber
    green = units.show_size(timber.section.width_mm, timber.section.depth_mm, facts.system)
    want = units.show_size(timber.finished.width_mm, timber.finished.depth_mm, facts.system)
    left = " Retired." if timber.retired_utc else ""
    if had := ask(lambda s: s.store.names().of(timber.tag)):
        left += f" Formerly {', '.join(had)}."
    with st.container(horizontal=True, vertical_alignment="center", key="timber-head"):
        if photo := photographs.small(timber.tag):
            st.html(photo, width="content")
        with st.container(gap=None):
            layout.title(timber.tag, f"{timber.species}, {green}, to finish {want}; in {timber.place}.{left}")


def say_verdict(answer: Document, now: datetime, system: units.System) -> None:
    """Show the verdict by shape and word, with its date and one sentence."""
    verdict, told = answer.verdict, words.judged(answer.verdict)
    few = "There are too few readings yet to rely on this."
    sentence = few if words.doubted(verdict) else told.sentence
    date = ""
    if verdict.contradiction is None and verdict.step != "square":
        date = f"Square {words.step_from(verdict, 'square', now)}."
    if verdict.step == "rough out" and verdict.rough_out_size_mm:
        date = f"To {units.show_size(*verdict.rough_out_size_mm, system)} now. {date}"
    st.html(
        '<div class="b-verdict">'
        f'<div class="b-say"><span class="b-shape">{told.shape}</span>{told.word}</div>'
        f"<div><b>{words.esc(date)}</b> {words.esc(sentence)}</div></div>"
    )


def verdict(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts, now: datetime) -> None:
    """Say what to do, or why that is not known."""
    if found.trouble:
        st.error(words.md(layout.capital(found.trouble)))
        if shop_facts.no_air(found.timber.place):
            goal = f"/air?place={quote(found.timber.place)}"
            st.html(f'<p class="b-links"><a href="{goal}" target="_self">Enter the air there</a></p>')
    elif found.answer is None:
        st.info("The first evaluation of this timber is being computed; it appears here by itself.")
    else:
        say_verdict(found.answer, now, facts.system)


def picture(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> None:
    """Draw the butt end."""
    pins = sorted(
        {(s.depth_mm, s.face) for r in found.latest if (s := r.series).quantity in AT_DEPTH}, key=str
    )
    section = found.timber.section
    spots = [
        butt_end.Pin(depth_mm=depth, face=face)
        for depth, face in pins
        if depth is not None and depth <= section.size_mm(face or Face.A)  # a slip; it would lie outside
    ]
    st.html(butt_end.section(found.timber, found.answer, spots, facts.system).html())


def close() -> None:
    """Close the form that is open."""
    address.set(**{FORM: ""})


def forms(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> None:
    """Show the form that is open, where the picture stood; else the picture with the two buttons below."""
    which = address.get(FORM, "")
    if which == "reading":
        st.subheader("Add reading", anchor=False)
        reading_form.form(found, facts, close)
        return
    if which == "work":
        st.subheader("Record work", anchor=False)
        work_form.form(found, facts, close)
        return
    picture(found, facts)
    with st.container(horizontal=True, key="timber-do"):
        for name, word in (("reading", "Add reading"), ("work", "Record work")):
            if press.button(word, type="primary", key=f"do_{name}", width="stretch"):
                st.session_state.pop("work_kind", None)
                address.set(**{FORM: name})
                st.rerun()


def readings(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts, now: datetime) -> None:
    """Show the readings beside the model, then the newest, each with Edit and Undo."""
    if found.answer is not None:
        timber_answer.learned(found.answer, facts.system)
    newest = newest_readings.of_timber(found.timber.tag, now)
    if newest:
        reading_corrections.rows(newest, facts, now, tags=False)
    else:
        st.info("No reading yet. Weigh it or drive pins, then Add reading; a sensor's come by themselves.")
    reading_corrections.listed(found.timber.tag, facts)
    tag = found.timber.tag
    st.page_link("views/health.py", label="Add a sensor", query_params={"attach": tag})


def fold_up(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts, now: datetime) -> None:
    """Offer the folds; what is in one is worked out when it is opened."""
    tag, system, answer = found.timber.tag, facts.system, found.answer
    if answer is not None:
        folds.fold("why", "Why", lambda: timber_answer.why(answer, now, system))
        folds.fold("forecast", "Forecast", lambda: timber_answer.ahead(answer, found, now))
        folds.fold("stays", "Size and movement", lambda: timber_answer.comes_out(found, answer, now, system))
    folds.fold("readings", "Readings", lambda: readings(found, facts, now))
    if answer is not None:
        folds.fold("earlier", "Earlier forecasts", lambda: forecast_review.section(tag, answer, system, now))
        folds.fold("if", "What if", lambda: what_if.show(found, facts), page_worker.warm_up)
    folds.fold("checks", "Checks and sizes", lambda: checks_seen.show(tag, answer, system))
    folds.fold("lies", "Care while it dries", lambda: while_it_lies.show(tag, system, now))
    folds.fold("history", "History", lambda: timber_history.show(found, facts))
    folds.fold("source", "Source", lambda: source_seen.show(found, facts))
    folds.fold("files", "Files", lambda: files(found, facts, now))


def files(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts, now: datetime) -> None:
    """Offer photographs, label, record and tables."""
    photographs.show(found, facts)
    downloads.offer_timber(found, now)


def another(tag: str, tags: tuple[str, ...]) -> None:
    """Offer the other timbers."""

    def go() -> None:
        if chosen := st.session_state.get(f"another-{tag}"):
            address.set(tag=chosen, do="")

    st.selectbox(
        "Another timber", [each for each in tags if each != tag], index=None, key=f"another-{tag}",
        placeholder="choose a tag", on_change=go,
    )  # fmt: skip


def page() -> None:
    """Show the timber that the address names, or the one that asks for something first."""
    entry.tell()
    tags, facts = shop_facts.tags(), shop_facts.facts()
    asked = address.get("tag", "")
    tag = which_tag.find(asked) if asked else None
    if not tags and tag is None:
        layout.title("Timber")
        layout.no_timber()
        return
    if asked and tag is None:
        layout.title("Timber")
        with layout.errors_as_sentences():
            shop_facts.timber(asked)
        another("", tags)
        return
    if tag is None:
        tag = yard_rows.rows(layout.now())[0].timber.tag
    if asked != tag:
        address.set(tag=tag)
    noted = layout.before(lambda: mark(tag))
    now, found = layout.now(), shop_facts.timber(tag)
    left, right = st.columns([1, 1], gap="medium")
    with left:
        head(found, facts)
        with st.container(key="verdict-aside" if address.get(FORM, "") else "verdict"):
            verdict(found, facts, now)
    with right:
        forms(found, facts)
    st.caption(CARE)
    layout.watch("timber", noted, lambda: heard(tag))
    fold_up(found, facts, now)
    another(tag, tags)


page()
