"""Folds of a page: what is in one is worked out only while it is open, and the address keeps which are."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import streamlit as st

from baulk.dashboard.sections import address, layout

NAME: Final = "open"  # in the address: names with dots between them


def opened() -> tuple[str, ...]:
    """Return the folds that the address names."""
    return tuple(each for each in address.get(NAME, "").split(".") if each)


def fold(name: str, label: str, show: Callable[[], None], opening: Callable[[], None] = lambda: None) -> None:
    """Offer a fold.

    Parameters
    ----------
    name : str
        Its name in the address.
    label : str
        What is read on it.
    show : callable
        Draws what is in it; asked only while it is open.
    opening : callable, optional
        Called once each time that it is opened, before anything is drawn.
    """
    key, is_open = f"fold-{name}", name in opened()
    if st.session_state.get(f"{key}-seen") != is_open:  # the address has changed: a link, Back, a reload
        st.session_state[key] = st.session_state[f"{key}-seen"] = is_open
        if is_open:
            opening()
    box = st.expander(label, key=key, on_change=_note, args=(name, key, opening))
    if box.open:
        with box, layout.errors_as_sentences():
            show()


def _note(name: str, key: str, opening: Callable[[], None]) -> None:
    rest = [each for each in opened() if each != name]
    is_open = bool(st.session_state[key])
    st.session_state[f"{key}-seen"] = is_open
    address.set(**{NAME: ".".join([*rest, name] if is_open else rest)})
    if is_open:
        opening()
