"""A form that is saved once: its button never greys or moves while one types, and a second press is nothing.

Its fields carry a number that grows with each save: a press that arrives after it names fields that are there
no more. One that arrives during it makes the page server give up the run wherever that next looks at the
session. So what is stored, counted and to be told is noted in a plain dictionary in between, and the next run
tells what the one given up could not. That a press is not lost is the work of `press`.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any, Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.sections import press, saved

Saving = tuple[str, Callable[[], str] | None]  # what was saved as a sentence, and what takes it back
_LEDGER: Final = "entries"
_TO_TELL: Final = "to tell"


def _ledger() -> dict[str, Any]:
    held: dict[str, Any] = st.session_state.setdefault(_LEDGER, {})
    return held


def keep(act: Callable[[], Saving], close: Callable[[], None] | None = None) -> None:
    """Do what saves something, then tell it on a page that is drawn anew.

    Parameters
    ----------
    act : callable
        Saves; it looks at nothing of the session, and returns what is told.
    close : callable, optional
        Closes what the save was asked in.

    Raises
    ------
    BaulkError
        As `act` does; nothing is told then.
    """
    ledger = _ledger()
    ledger[_TO_TELL] = (*act(), close)
    tell()


def tell() -> None:
    """Tell what was saved by the run before, where it was given up in between; a page begins with this."""
    ledger = _ledger()
    found = ledger.get(_TO_TELL)
    if found is None:
        return
    sentence, undo, close = found
    saved.tell(sentence, undo)
    if close is not None:
        close()
    del ledger[_TO_TELL]
    st.rerun()


class Entry:
    """One form of a page.

    Parameters
    ----------
    name : str
        Tells the forms of a page apart; another name is an empty form.
    cancels : callable, optional
        Closes it; without one there is no Cancel, and after a save it is empty for the next entry.
    save : str
        Word of its button.
    """

    def __init__(self, name: str, *, cancels: Callable[[], None] | None = None, save: str = "Save") -> None:
        self._name, self._cancels, self._word = name, cancels, save
        self._ledger = _ledger()
        self._count = int(self._ledger.get(name, 0))
        self._pressed = press.pressed()
        self._said: Any = None

    def key(self, field: str) -> str:
        """Return the key of a field; it is another one after each save."""
        return f"{self._name}-{field}-{self._count}"

    def first(self, field: str, stands: str) -> str:
        """Return what a field showed when the form was opened; to be asked before the field is drawn.

        A field keeps what it showed then, whatever somebody else saves meanwhile. Held against what stands
        there now, one that nobody touched would look changed, and saving the form would write over theirs.
        """
        noted = self.key(f"first {field}")
        if self.key(field) not in st.session_state:
            self._ledger[noted] = stands
        return str(self._ledger.setdefault(noted, stands))

    def form(self) -> AbstractContextManager[Any]:
        """Return the form that the fields stand in."""
        return st.form(self.key("form"), border=False)

    def buttons(self) -> bool:
        """Draw what is said of the entry, and the buttons below it; return whether to save was pressed."""
        self._said = st.empty()
        doubt = self._ledger.get(self.key("doubt"))
        if doubt is not None:
            self._said.warning(doubt[1])
        word = self._word if doubt is None else f"{self._word} anyway"
        with st.container(horizontal=True):
            press.submit(word, key=self.key("save"), type="primary", width="stretch")
            if self._cancels is not None:
                press.submit("Cancel", key=self.key("cancel"))
        if self._cancels is not None and press.waits(self.key("cancel")):
            self._forget()
            self._cancels()
            st.rerun()
        return press.waits(self.key("save"))

    def refuse(self, sentence: str, *, told: bool = False) -> None:
        """Say why it can't be saved, above the button; `told` if the sentence is Markdown already."""
        self._ledger.pop(self.key("doubt"), None)
        self._said.error(sentence if told else words.md(sentence))
        self._pressed.pop(self.key("save"), None)

    def doubt(self, given: object, sentence: str, *, told: bool = False) -> None:
        """Say what speaks against it, and let the button save it all the same."""
        self._ledger[self.key("doubt")] = (given, sentence if told else words.md(sentence))
        self._pressed.pop(self.key("save"), None)
        st.rerun()

    def is_sure(self, given: object) -> bool:
        """Whether this very entry was doubted and the button pressed once more."""
        doubt = self._ledger.get(self.key("doubt"))
        return doubt is not None and bool(doubt[0] == given)

    def keep(self, act: Callable[[], Saving]) -> None:
        """Save, count it, and tell it on a page without the form, or with an empty one; see `keep`."""

        def counted() -> Saving:
            made = act()
            self._forget()
            return made

        keep(counted, self._cancels)

    def _forget(self) -> None:
        for each in [key for key in self._ledger if key.startswith(f"{self._name}-first ")]:
            del self._ledger[each]
        self._ledger.pop(self.key("doubt"), None)
        for button in ("save", "cancel"):
            self._pressed.pop(self.key(button), None)
        self._ledger[self._name] = self._count + 1
