"""Yard: every timber, what needs attention on top; cards on a phone, a table where there is room."""

from __future__ import annotations

from datetime import datetime
from urllib.parse import quote

import streamlit as st

from baulk.dashboard import charts, data, frame, words
from baulk.dashboard.answer import Span
from baulk.models import units

HEADS = ("Timber", "Verdict", "Square-able", "Core MC", "Mean MC", "Green, finished", "Newest reading")


def moisture(span: Span | None) -> str:
    """Return a moisture content with its range and a chip in the scale's colour."""
    if span is None:
        return "·"
    chip = f'<span class="b-chip" style="background:{charts.moisture_colour(span.median)}"></span>'
    low, high = f"{span.low:.0f}", f"{span.high:.0f}"
    return (
        f'<span><span class="b-nowrap">{chip}<b>{words.pct(span.median)}</b></span> '
        f'<span class="b-dim b-nowrap">{low} to {high}</span></span>'
    )


def row(item: data.YardRow, system: units.System, now: datetime) -> str:
    """Return one timber as a table row that folds into a card."""
    timber, told = item.timber, words.step(item.step)
    attend = "".join(f'<span class="b-attend">{words.esc(text)}</span>' for text in item.attention[:2])
    if item.trouble:
        attend += f'<span class="b-attend">{words.esc(item.trouble)}</span>'
    size = units.show_size(timber.section.width_mm, timber.section.depth_mm, system)
    want = units.show_size(timber.finished.width_mm, timber.finished.depth_mm, system)
    date = words.when(item.square_utc, now) if item.answer else "·"
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


@st.fragment(run_every=frame.POLL_S)
def yard() -> None:
    """Show every timber, and again every few seconds."""
    with frame.errors_as_sentences():
        now, facts = frame.now(), data.facts()
        rows = data.yard(now)
        if not rows:
            st.info(
                "No timber is tagged yet. Set one on its bearers, open Arrival in the menu above and "
                "tag it in; "
                "it appears here at once."
            )
            return
        ready = sum(item.step == "square" for item in rows)
        rough = sum(item.step == "rough out" for item in rows)
        waiting = sum(item.answer is None for item in rows)
        said = [
            f"{len(rows)} timbers" if len(rows) != 1 else "1 timber",
            f"■ {ready} to square",
            f"◧ {rough} to rough out",
            f"□ {len(rows) - ready - rough - waiting} to leave",
        ]
        if waiting:
            said.append(f"· {waiting} being worked out")
        st.markdown(" &nbsp; ".join(said))
        head = "".join(f"<th>{h}</th>" for h in HEADS)
        body = "".join(row(item, facts.system, now) for item in rows)
        st.html(f'<table class="b-table b-yard"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>')
        st.caption(
            f"{words.TERMS['MC']} {words.TERMS['range']} Core: "
            f"{words.TERMS['core'][0].lower()}{words.TERMS['core'][1:]}"
        )


frame.title("Yard", data.facts().name)
yard()
