"""A press that is not lost: it is noted before anything is drawn, and stands until it has been served.

The page server gives a run of a page up as soon as the browser asks for another one: a fold is opened, a
field is left, a button is pressed twice. It tells a press only to the run that the press began, so that one
which was given up before it came to the button, or while it worked, took the press with it. A callback runs
first of all.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final, TypeVar

import streamlit as st

from baulk.models.errors import BaulkError

T = TypeVar("T")

TRIES: Final = 5  # runs that may be given up in a row; a press that nothing ever serves ends with them
_PRESSED: Final = "pressed"
_ANSWERS: Final = "answers"


def pressed() -> dict[str, int]:
    """Return the presses that wait; a plain dictionary, for each look at the session may end the run."""
    held: dict[str, int] = st.session_state.setdefault(_PRESSED, {})
    return held


def note(key: str) -> None:
    """Note a press; the callback of a button."""
    pressed()[key] = TRIES


def waits(key: str) -> bool:
    """Whether a press waits to be served; to be asked once in a run, followed by `served`."""
    held = pressed()
    left = held.pop(key, 0)
    if left > 1:
        held[key] = left - 1
    return left > 0


def served(key: str) -> None:
    """Note that what was asked for is done, or refused."""
    pressed().pop(key, None)


def taken(key: str) -> bool:
    """Whether a press waits, which is thereby served: for what is done in the very next line."""
    return pressed().pop(key, 0) > 0


def draw(label: str, *, key: str, **how: Any) -> None:  # noqa: ANN401 - the platform's own
    """Draw a button; `taken`, `work` or `answer` do something about it."""
    st.button(label, key=key, on_click=note, args=(key,), **how)


def submit(label: str, *, key: str, **how: Any) -> None:  # noqa: ANN401 - the platform's own
    """Draw the button of a form; see `draw`."""
    st.form_submit_button(label, key=key, on_click=note, args=(key,), **how)


def button(label: str, *, key: str, **how: Any) -> bool:  # noqa: ANN401 - the platform's own
    """Draw a button, and return whether it was pressed: for what is done in the very next line."""
    draw(label, key=key, **how)
    return taken(key)


def work(key: str, wait: str, act: Callable[[], T]) -> T | None:
    """Do what takes its time, if its button was pressed.

    Parameters
    ----------
    key : str
        Of the button.
    wait : str
        What is said meanwhile.
    act : callable
        Does it; anew, if the run is given up in between.

    Returns
    -------
    object or None
        What `act` returns; None if nothing was asked.

    Raises
    ------
    BaulkError
        As `act` does; the press is served by that.
    """
    held = pressed()
    if not waits(key):
        return None
    with st.spinner(wait):
        try:
            made = act()
        except BaulkError:
            held.pop(key, None)
            raise
        held.pop(key, None)  # before the spinner goes: there the run may be given up
        return made


def answer(key: str, about: object, wait: str, act: Callable[[], T]) -> T | None:
    """Do what takes its time, and keep what came of it, so that it stays when the page is drawn again.

    Parameters
    ----------
    key : str
        Of the button.
    about : object
        What it is about; the answer is shown only as long as this is the same.
    wait, act
        See `work`.

    Returns
    -------
    object or None
        What the last press brought; None if there was none.

    Raises
    ------
    BaulkError
        What the last press brought instead.
    """
    answers: dict[str, tuple[object, T | BaulkError]] = st.session_state.setdefault(_ANSWERS, {})

    def kept() -> T | BaulkError:
        made: T | BaulkError
        try:
            made = act()
        except BaulkError as err:
            made = err
        answers[key] = about, made
        return made

    work(key, wait, kept)
    was, made = answers.get(key, (None, None))
    if made is None or was != about:
        return None
    if isinstance(made, BaulkError):
        raise made
    return made
