"""What was just saved: a bar at the bottom of the screen for ten seconds, with Undo."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import streamlit as st

from baulk.dashboard import words
from baulk.models.errors import BaulkError

LASTS_S: Final = 10.0
_KEY: Final = "saved-told"
_COUNT: Final = "saved-count"


@dataclass(frozen=True, kw_only=True, slots=True)
class Told:
    """What the bar says.

    Attributes
    ----------
    sentence : str
        What was saved, as a sentence.
    undo : callable or None
        Takes it back and returns the sentence that says so.
    at_s : float
        When it was first shown; None as long as it was not. [s of the monotonic clock]
    count : int
        Tells equal sentences apart.
    """

    sentence: str
    undo: Callable[[], str] | None
    at_s: float | None
    count: int


def tell(sentence: str, undo: Callable[[], str] | None = None) -> None:
    """Note what was just saved; the bar at the bottom of the next page that is drawn shows it.

    Call it right before ``st.rerun()`` of the whole page, or in a callback: a fragment that runs alone does
    not draw the bar.

    Parameters
    ----------
    sentence : str
        What was saved.
    undo : callable, optional
        Takes it back and returns a sentence, which is told then. It may raise a `BaulkError`.
    """
    count = st.session_state.get(_COUNT, 0) + 1
    st.session_state[_COUNT] = count
    st.session_state[_KEY] = Told(sentence=sentence, undo=undo, at_s=None, count=count)


def _undo(count: int) -> None:
    told = st.session_state.get(_KEY)
    if told is None or told.count != count or told.undo is None:
        return
    try:
        tell(told.undo())
    except BaulkError as err:
        tell(f"It could not be undone: {err}")


def show() -> None:
    """Draw the bar, while there is something to tell; the script of the pages announces and hides it."""
    with st.container(horizontal=True, gap="small", key="saved"):  # there always, so that nothing else moves
        _draw()


def _draw() -> None:
    told = st.session_state.get(_KEY)
    if told is None:
        return
    now = time.monotonic()
    if told.at_s is None:
        told = replace(told, at_s=now)
        st.session_state[_KEY] = told
    if told.at_s + LASTS_S <= now:
        st.session_state.pop(_KEY)
        return
    st.html(
        f'<p class="b-saved" data-count="{told.count}" data-lasts="{LASTS_S}">{words.esc(told.sentence)}</p>'
    )
    if told.undo is not None:
        st.button("Undo", key=f"saved-undo-{told.count}", on_click=_undo, args=(told.count,))
