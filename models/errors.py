"""Errors raised on purpose: a sentence for the person, and the built-in kind a stranger would catch."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


class BaulkError(Exception):
    """Base of every error raised on purpose; the command line prints it without a traceback."""


class OutOfRange(BaulkError, ValueError):
    """An input lies outside the range that its source covers.

    Parameters
    ----------
    name : str
        What the input is, in the person's words or the parameter's name.
    why : str
        The rest of the sentence: the value and what it must be.
    """

    def __init__(self, name: str, why: str) -> None:
        super().__init__(f"{name} {why}")
        self.name = name


class NotFound(BaulkError, LookupError):
    """A name is not in a table; the nearest known names are offered.

    Parameters
    ----------
    kind : str
        What was looked up, for instance "species".
    name : str
        The name as given.
    known : iterable of str
        Every name that would have been found.
    """

    def __init__(self, kind: str, name: str, known: Iterable[str]) -> None:
        self.kind, self.name, self.known = kind, name, tuple(known)
        super().__init__(kind, name, self.known)

    def __str__(self) -> str:
        """Return the sentence; comparing with every known name takes time, so only whoever reads it pays."""
        names = sorted(self.known)
        near = _near(self.name, names)
        hint = (
            f"did you mean {' or '.join(near)}?" if near else f"known: {', '.join(names[:12]) or 'none yet'}"
        )
        return f"no {self.kind} called {self.name!r}; {hint}"


def _near(name: str, known: Iterable[str]) -> list[str]:
    """Return the three names nearest to what was typed, in any case; none where all are far from it."""
    folded = {each.lower(): each for each in known}
    return [folded[each] for each in difflib.get_close_matches(name.lower(), folded, n=3, cutoff=0.6)]


class NoWood(NotFound):
    """A wood is not in the table; trade names near to it are offered, botanical ones where none is near.

    Parameters
    ----------
    name : str
        The name as given.
    known : iterable of str
        Trade names of woods and groups of woods, those to be named first at the head.
    botanical : iterable of str
        Their botanical names.
    """

    def __init__(self, name: str, known: Iterable[str], botanical: Iterable[str] = ()) -> None:
        super().__init__("species", name, known)
        self.botanical = tuple(botanical)
        self.args = (self.name, self.known, self.botanical)  # what it is made of again, as by pickle

    def __str__(self) -> str:
        """Return the sentence."""
        near = _near(self.name, self.known) or _near(self.name, self.botanical)
        more = f" and {len(self.known) - 12} more" if len(self.known) > 12 else ""
        known = f"known: {', '.join(self.known[:12])}{more}"
        hint = f"did you mean {' or '.join(near)}?" if near else known
        return f"no {self.kind} called {self.name!r}; {hint}"


class NoUseClass(NotFound):
    """A use class is not in the table; all are named, for they are few and nothing else lists them.

    Parameters
    ----------
    name : str
        The name as given.
    known : iterable of str
        Every name that would have been found.
    """

    def __init__(self, name: str, known: Iterable[str]) -> None:
        super().__init__("use class", name, known)
        self.args = (self.name, self.known)  # what it is made of again, as by pickle

    def __str__(self) -> str:
        """Return the sentence."""
        known = f"known: {', '.join(self.known)}"
        return f"no {self.kind} called {self.name!r}; {known}"


class SeveralFound(NotFound):
    """A name means several entries of a table; which one has to be said.

    Parameters
    ----------
    kind : str
        What was looked up, in the plural, for instance "woods".
    name : str
        The name as given.
    known : iterable of str
        What it may mean, the likeliest first.
    """

    def __str__(self) -> str:
        """Return the sentence."""
        which = f"say which: {', '.join(self.known)}"
        return f"{self.name!r} means several {self.kind}; {which}"
