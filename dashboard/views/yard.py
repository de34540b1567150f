"""Yard: every timber, what needs attention on top; cards on a phone, a table where there is room."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Final
from urllib.parse import quote

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.charts import time_series, yard_map
from baulk.dashboard.queries import shop_facts, yard_rows
from baulk.dashboard.queries.yard_rows import YardRow
from baulk.dashboard.sections import downloads, layout, notices
from baulk.ingest.evaluation.document import Interval
from baulk.models import units
from baulk.models.text.common import pct

FAR: Final = datetime.max.replace(tzinfo=UTC)
LONG_AGO: Final = datetime.min.replace(tzinfo=UTC)
HEADS = ("Timber", "Verdict", "Square from", "Core MC", "Mean MC", "Green, finished", "Newest reading")


def moisture(span: Interval | None) -> str:
    """Return a moisture content with its range and a chip in the scale's colour."""
    if span is None:
        return "·"
    chip = f'<span class="b-chip" style="background:{time_series.moisture_colour(span.median)}"></span>'
    low, high = f"{span.low:.0f}", f"{span.high:.0f}"
    return (
        f'<span><span class="b-nowrap">{chip}<b>{pct(span.median)}</b></span> '
        f'<span class="b-dim b-nowrap b-line">{low} to {high}</span></span>'
    )


def row(item: YardRow, system: units.System, now: datetime) -> str:
    """Return one timber as a table row that folds into a card."""
    timber, told = item.timber, item.told
    attend = "".join(f'<span class="b-attend">{words.esc(text)}</span>' for text in item.attention[:2])
    if item.trouble:
        attend += f'<span class="b-attend">{words.esc(item.trouble)}</span>'
    size = units.show_size(timber.section.width_mm, timber.section.depth_mm, system)
    want = units.show_size(timber.finished.width_mm, timber.finished.depth_mm, system)
    date = words.step_from(item.answer.verdict, "square", now) if item.answer else "·"
    newest = words.age(item.newest_utc, now) if item.newest_utc else "none yet"
    link = (
        f'<a href="timber?tag={quote(timber.tag)}" target="_self">{words.esc(timber.tag)}</a> '
        f'<span class="b-dim b-small">{words.esc(timber.species)}, {words.esc(timber.place)}</span>{attend}'
    )
    sizes = (
        f'<span><span class="b-nowrap">{words.esc(size)}</span> '
        f'<span class="b-dim b-nowrap b-line">to {words.esc(want)}</span></span>'
    )
    cells = (
        ("b-head", link),
        ("", f'<span class="b-nowrap"><span class="b-shape">{told.shape}</span><b>{told.word}</b></span>'),
        ("", f'<span class="b-nowrap">{words.esc(date)}</span>'),
        ("", moisture(item.answer.core_now_pct if item.answer else None)),
        ("", moisture(item.answer.mean_now_pct if item.answer else None)),
        ("", sizes),
        ("", f'<span class="b-nowrap">{words.esc(newest)}</span>'),
    )
    return (
        "<tr>"
        + "".join(
            f'<td class="{kind}" data-label="{head}">{cell}</td>'
            for head, (kind, cell) in zip(HEADS, cells, strict=True)
        )
        + "</tr>"
    )


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
    "Verdict": lambda r: r.told.word,
    "Place": lambda r: r.timber.place,
    "Species": lambda r: r.timber.species,
    "Use": lambda r: r.use,
}
FEW: Final = 6  # timbers; fewer need no filter


def choose(found: Sequence[YardRow]) -> list[YardRow]:
    """Offer sorting and filters, and return the rows that are wanted in the order wanted."""
    if len(found) < FEW:
        return list(found)
    kept = list(found)
    with st.expander(f"Sort and filter {len(found)} timbers", key="yard-choice"):
        left, right = st.columns(2)
        order = left.selectbox("Sort by", list(ORDERS), key="yard_order")
        wanted = right.text_input("Tag contains", key="yard_tag", placeholder="for instance 12")
        for column, (name, of) in zip(st.columns(len(FILTERS)), FILTERS.items(), strict=True):
            there = sorted({of(row) for row in found})
            if len(there) > 1:
                picked = column.multiselect(name, there, key=f"yard_{name.lower()}", placeholder="all")
                kept = [row for row in kept if not picked or of(row) in picked]
    if wanted.strip():
        kept = [row for row in kept if wanted.strip().lower() in row.timber.tag.lower()]
    return sorted(kept, key=ORDERS[order])


def summary(found: Sequence[YardRow], shown: int) -> str:
    """Say in one line how many timbers there are and what can be done with them."""
    ready = sum(item.step == "square" for item in found)
    rough = sum(item.step == "rough out" for item in found)
    waiting = sum(item.answer is None for item in found)
    apart = sum(item.told is words.CONTRADICTION for item in found)
    said = [
        f"{len(found)} timbers" if len(found) != 1 else "1 timber",
        f"■ {ready} to square",
        f"◧ {rough} to rough out",
        f"□ {len(found) - ready - rough - waiting - apart} to leave",
    ]
    if apart:
        said.append(f"{words.CONTRADICTION.shape} {apart} where scale and pins contradict each other")
    if waiting:
        said.append(f"· {waiting} being computed")
    if shown != len(found):
        said.append(f"{shown} shown")
    return " &nbsp; ".join(said)


@st.fragment(run_every=layout.POLL_S)
def yard() -> None:
    """Show every timber, and again every few seconds."""
    with layout.errors_as_sentences():
        now, facts = layout.now(), shop_facts.facts()
        found = yard_rows.rows(now)
        if not found:
            st.info(
                "No timber is tagged yet. Set one on its bearers, open Arrival in the menu above and "
                "tag it in; "
                "it appears here at once."
            )
            return
        notices.show(facts.system, now)
        shown = choose(found)
        st.markdown(summary(found, len(shown)))
        if not shown:
            st.info("No timber answers to that choice; widen it above.")
            return
        head = "".join(f"<th>{h}</th>" for h in HEADS)
        body = "".join(row(item, facts.system, now) for item in shown)
        st.html(f'<table class="b-table b-yard"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>')
        downloads.offer_table("yard", lambda: yard_rows.table(shown), key="yard")
        plan(found, facts.system)
        st.caption(
            f"{words.TERMS['MC']} {words.TERMS['range']} Core: "
            f"{words.TERMS['core'][0].lower()}{words.TERMS['core'][1:]}"
        )


def plan(found: Sequence[YardRow], system: units.System) -> None:
    """Draw bearers and racks where their places are given, with what lies on each."""
    drawn = yard_rows.places()
    if not drawn:
        return
    st.header("Map", anchor=False)
    st.altair_chart(
        yard_map.picture(drawn, yard_rows.told_by_place(found), system),
        width="stretch",
        key="plan",
        alt="The yard from above: bearers, racks and sheds with the number of timbers on each by verdict",
    )
    st.caption("Each rectangle is a place, to scale; its marks: ■ to square, ◧ to rough out, □ to leave.")


layout.title("Yard", shop_facts.facts().name)
if shop_facts.tags():
    layout.to_walk()
yard()
