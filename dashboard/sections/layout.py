"""What every page shares: errors as sentences, small HTML pieces, and the watch that makes a page live."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries import shop_facts
from baulk.models.errors import BaulkError
from baulk.models.formatting import in_reader_units

POLL_S: Final = 3.0
UNFORESEEN: Final = (
    "Something went wrong in this page that nobody foresaw; the readings are safe. "
    "Open the page again; if it comes back, the page server's log has the detail."
)


def now() -> datetime:
    """Return the moment; the only clock of the pages."""
    return datetime.now(UTC)


def sentence(err: BaulkError) -> str:
    """Return an error's sentence with capital and full stop, in the units of whoever looks, for Markdown."""
    try:
        system = shop_facts.facts().system
    except BaulkError:  # of the shop itself, whose units nobody knows then
        system = "metric"
    return words.md(capital(in_reader_units(str(err), system)))


def capital(text: str) -> str:
    """Return a sentence with a capital and a full stop."""
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def values(rows: Sequence[tuple[str, str, str]]) -> None:
    """Show a list of names, each with its value and, in small, a remark."""
    body = "".join(
        f"<tr><td>{words.esc(name)}</td><td>{words.esc(value)}<small>{words.esc(remark)}</small></td></tr>"
        for name, value, remark in rows
    )
    st.html(f'<table class="b-table b-list"><tbody>{body}</tbody></table>')


@contextmanager
def errors_as_sentences() -> Iterator[None]:
    """Show an error as a sentence, never a traceback; one nobody foresaw goes to the page server's log."""
    try:
        yield
    except BaulkError as err:
        st.error(sentence(err))
    except Exception:  # Streamlit's own rerun and stop pass: they are no Exception
        logging.getLogger(__name__).exception("a page failed")
        st.error(UNFORESEEN)


def title(text: str, under: str | None = None) -> None:
    """Head a page, and name it in the browser's tab and history."""
    st.set_page_config(page_title=f"{text} · Baulk")
    st.title(words.md(text), anchor=False)
    if under:
        st.caption(words.md(under))


def no_timber() -> None:
    """Say that there is no timber yet, with the way to the first one."""
    st.info("No timber is entered yet: enter the first one.")
    st.html('<p class="b-links"><a href="/add" target="_self">Add timber</a></p>')


def to_walk() -> None:
    """Lead to the walk, a page of its own that works without signal."""
    st.html('<a class="b-walk" href="/field/walk" target="_self">Walk: read timber after timber</a>')


def figures(entries: Sequence[tuple[str, str, str]]) -> None:
    """Show named numbers side by side; the third of each, in small, says what is meant."""
    body = "".join(
        f"<div><dt>{words.esc(name)}</dt><dd>{words.esc(value)}<small>{words.esc(under)}</small></dd></div>"
        for name, value, under in entries
    )
    st.html(f'<dl class="b-figures">{body}</dl>')


def table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Show a plain table; cells are text."""
    head = "".join(f"<th>{words.esc(h)}</th>" for h in heads)
    body = "".join("<tr>" + "".join(f"<td>{words.esc(c)}</td>" for c in row) + "</tr>" for row in rows)
    st.html(f'<table class="b-table b-plain"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>')


def cards(heads: Sequence[str], rows: Sequence[Sequence[str]], *, tight: bool = False) -> None:
    """Show a table whose rows fold into cards on a phone; the first column heads the card.

    Parameters
    ----------
    heads : sequence of str
        Names of the columns.
    rows : sequence of sequence of str
        Cells, as text.
    tight : bool
        Fold them into running lines, for many short rows. A cell
        that says nothing, or what the head says, is left out there.
    """
    head = "".join(f"<th>{words.esc(h)}</th>" for h in heads)
    body = "".join(
        "<tr>"
        + "".join(
            f'<td class="{_kind(n, c, row)}" data-label="{words.esc(h)}"><span>{words.esc(c)}</span></td>'
            for n, (h, c) in enumerate(zip(heads, row, strict=True))
        )
        + "</tr>"
        for row in rows
    )
    kind = "b-table b-yard b-tight" if tight else "b-table b-yard"
    st.html(f'<table class="{kind}"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>')


def _kind(n: int, cell: str, row: Sequence[str]) -> str:
    """Return the class of a cell: the first heads the card; one that tells nothing is marked."""
    if not n:
        return "b-head"
    return "b-nothing" if cell in {"", words.NOTHING} or cell == row[0] else ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Before:
    """How the shop stood before a page began to read it.

    Attributes
    ----------
    mark : callable
        Gives a text that differs whenever the page would show something else.
    revision : int
        The store's counter.
    text : str
        What the mark gave.
    """

    mark: Callable[[], str]
    revision: int
    text: str


def before(mark: Callable[[], str]) -> Before:
    """Note how the shop stands, before the page reads what it shows.

    What is stored while the page reads is then new to `watch`; noted afterwards it would count as shown, and
    the page would wait for a change that has been.
    """
    return Before(mark=mark, revision=shop_facts.revision(), text=mark())


def watch(name: str, noted: Before, say: Callable[[], str] | None = None) -> None:
    """Run the page again as soon as what it shows has changed; asks the store's counter every few seconds.

    Parameters
    ----------
    name : str
        Names the page's memory of what it has shown.
    noted : Before
        How the shop stood before the page read it.
    say : callable, optional
        Gives a line to show that stays true between the changes, for instance an age.
    """
    key = f"watch-{name}"
    st.session_state[key] = {"revision": noted.revision, "mark": noted.text}

    @st.fragment(run_every=POLL_S)
    def look() -> None:
        last = st.session_state[key]
        try:
            if say is not None:
                st.caption(words.md(say()))
            revision = shop_facts.revision()
            if revision == last["revision"]:
                return
            fresh = noted.mark()
        except BaulkError as err:
            st.error(sentence(err))
            return
        last["revision"] = revision
        if fresh != last["mark"]:
            st.rerun()

    look()
