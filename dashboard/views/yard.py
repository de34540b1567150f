"""Yard: what there is to do today, every timber in two lines, and the plan of the yard."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries import shop_facts, yard_groups, yard_rows
from baulk.dashboard.queries.yard_rows import YardRow
from baulk.dashboard.sections import (
    address,
    first_steps,
    layout,
    notices,
    table_files,
    yard_list,
    yard_plan,
)

FAR: Final = datetime.max.replace(tzinfo=UTC)
LONG_AGO: Final = datetime.min.replace(tzinfo=UTC)
FEW: Final = 6  # timbers; fewer need no sorting

ORDERS: Final[Mapping[str, Callable[[YardRow], tuple[object, ...]]]] = {
    "what needs attention": lambda r: (r.rank, r.square_utc or FAR, r.timber.tag),
    "day it can be squared": lambda r: (r.square_utc or FAR, r.timber.tag),
    "tag": lambda r: (r.timber.tag,),
    "wettest core": lambda r: (-r.answer.core_now_pct.median if r.answer else 1.0, r.timber.tag),
    "driest core": lambda r: (r.answer.core_now_pct.median if r.answer else 999.0, r.timber.tag),
    "longest without a reading": lambda r: (r.newest_utc or LONG_AGO, r.timber.tag),
    "longest here": lambda r: (r.timber.arrived_utc, r.timber.tag),
    "largest section": lambda r: (-r.timber.section.width_mm * r.timber.section.depth_mm, r.timber.tag),
}
FILTERS: Final[Mapping[str, Callable[[YardRow], str]]] = {
    "place": lambda r: r.timber.place,
    "species": lambda r: r.timber.species,
    "use": lambda r: r.use,
}


def choose(rows: Sequence[YardRow]) -> list[YardRow]:
    """Offer search, sorting and filters, and return the rows that are wanted in the order wanted."""
    with st.container(horizontal=True, gap="small", key="yard-find"):
        text = st.text_input(
            "Search",
            key="q",
            bind="query-params",
            placeholder="Search",
            label_visibility="collapsed",
        )
        kept = yard_groups.found(rows, text)
        if len(rows) >= FEW:
            kept = _filtered(rows, kept)
        st.html('<p class="b-links"><a href="/?view=plan" target="_self">Plan</a></p>')
    return kept


def _filtered(rows: Sequence[YardRow], kept: list[YardRow]) -> list[YardRow]:
    with st.popover("Filter", key="yard-choice"):
        order = st.selectbox("Sort by", list(ORDERS), key="sort", bind="query-params")
        for name, of in FILTERS.items():
            there = sorted({of(row) for row in rows})
            if len(there) > 1:
                picked = st.multiselect(
                    name.capitalize(), there, key=name, bind="query-params", placeholder="all"
                )
                kept = [row for row in kept if not picked or of(row) in picked]
    return sorted(kept, key=ORDERS[order])


@st.fragment(run_every=layout.POLL_S)
def listed() -> None:
    """Show every timber, and again every few seconds."""
    with layout.errors_as_sentences():
        now, facts = layout.now(), shop_facts.facts()
        rows = yard_rows.rows(now)
        shown = address.get("show")
        said = {name: each for name, each in st.query_params.items() if name not in {"show", "part"}}
        st.html(
            f'<p class="b-today">{words.esc(yard_groups.today(rows))}</p>'
            + yard_list.tiles(yard_groups.grouped(rows), shown, said)
        )
        kept = choose(rows)
        by = yard_groups.grouped(kept)
        if shown in by:
            by = {shown: by[shown]}
        kept = [row for each in by.values() for row in each]
        notices.show(facts.system, now)
        if kept:
            part = yard_list.part(len(kept), address.get("part"))
            st.html(f'<div class="b-yard-list">{yard_list.groups(by, facts.system, now, part)}</div>')
            if more := yard_list.parts(len(kept), part, {**said, **({"show": shown} if shown else {})}):
                st.html(more)
        else:
            st.html('<p>No timber answers to that.</p><p class="b-links"><a href="/">Show all</a></p>')
        table_files.offer_table("yard", lambda: yard_rows.table(kept), key="yard")
        st.caption(
            f"{words.TERMS['MC']} {words.TERMS['range']} Core: "
            f"{words.TERMS['core'][0].lower()}{words.TERMS['core'][1:]}"
        )


def page() -> None:
    """Show the list or the plan."""
    layout.title("Yard", shop_facts.facts().name)
    if not yard_rows.any_timber():
        st.info("No timber is entered yet.")
        first_steps.cards()
        return
    if address.get("view") == "plan":
        st.html('<p class="b-links"><a href="/" target="_self">List</a></p>')
        yard_plan.show()
    else:
        listed()


page()
