"""What every page shares: errors as sentences, small HTML pieces, and the watch that makes a page live."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Final

import streamlit as st

from baulk.dashboard import data, words
from baulk.models.errors import BaulkError

POLL_S: Final = 3.0


def now() -> datetime:
    """Return the moment; the only clock of the pages."""
    return datetime.now(UTC)


def sentence(err: BaulkError) -> str:
    """Return an error's sentence with a capital and a full stop."""
    text = str(err).strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


@contextmanager
def errors_as_sentences() -> Iterator[None]:
    """Show an error raised on purpose as its sentence instead of a traceback."""
    try:
        yield
    except BaulkError as err:
        st.error(sentence(err))


def title(text: str, under: str | None = None) -> None:
    """Head a page."""
    st.title(text, anchor=False)
    if under:
        st.caption(under)


def figures(pairs: Sequence[tuple[str, str, str | None]]) -> None:
    """Show named numbers side by side; the third of each is what the term means."""
    body = "".join(
        f"<div{_tip(meaning)}><dt>{words.esc(name)}</dt><dd>{words.esc(value)}</dd></div>"
        for name, value, meaning in pairs
    )
    st.html(f'<dl class="b-figures">{body}</dl>')


def table(heads: Sequence[str], rows: Sequence[Sequence[str]], kind: str = "") -> None:
    """Show a plain table; `kind` adds a class, cells are text."""
    head = "".join(f"<th>{words.esc(h)}</th>" for h in heads)
    body = "".join("<tr>" + "".join(f"<td>{words.esc(c)}</td>" for c in row) + "</tr>" for row in rows)
    st.html(f'<table class="b-table {kind}"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>')


def _tip(meaning: str | None) -> str:
    return f' title="{words.esc(meaning)}"' if meaning else ""


def watch(name: str, mark: Callable[[], str]) -> None:
    """Run the page again as soon as what it shows has changed; asks the store's counter every few seconds.

    Parameters
    ----------
    name : str
        Names the page's memory of what it has shown.
    mark : callable
        Gives a text that differs whenever the page would show something else; asked only after the store changed.
    """
    key, seen = f"watch-{name}", {"revision": data.revision(), "mark": mark()}
    st.session_state[key] = seen

    @st.fragment(run_every=POLL_S)
    def look() -> None:
        last = st.session_state[key]
        try:
            revision = data.revision()
            if revision == last["revision"]:
                return
            fresh = mark()
        except BaulkError as err:
            st.error(sentence(err))
            return
        last["revision"] = revision
        if fresh != last["mark"]:
            st.rerun()

    look()
