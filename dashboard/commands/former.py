"""Former words of commands: for one version they still work, and standard error says the new ones.

Remove the rows with version 0.3.0; a test fails then.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

UNTIL: Final = (0, 3)  # the version in which they no longer work


@dataclass(frozen=True, slots=True, kw_only=True)
class Former:
    """An option of a command that is another one now, or that is an argument and comes first."""

    command: tuple[str, ...]
    option: str
    now: str  # the option; or what the argument is called: TAG, NUMBER
    several: bool = False  # its value is a list with commas

    @property
    def first(self) -> bool:
        """Whether it is an argument now."""
        return not self.now.startswith("-")

    def hint(self) -> str:
        """Return what a person who used it is told."""
        name = " ".join(("baulk", *self.command))
        new = f"`{name} {self.now}`" if self.first else f"`{self.now}`"
        return f"{self.option} of `{name}` is {new} now; the old form works in this version for the last time"


FORMER: Final = (
    Former(command=("timber", "add"), option="--tag", now="TAG"),
    Former(command=("timber", "add"), option="--arrived", now="--at"),
    Former(command=("timber", "edit"), option="--arrived", now="--at"),
    Former(command=("reading", "add"), option="--taken", now="--at"),
    Former(command=("verdict",), option="--by", now="--at"),
    Former(command=("forecast",), option="--as-of", now="--at"),
    Former(command=("place", "set"), option="--at", now="--position"),
    Former(command=("store", "thin"), option="--to", now="--keep"),
    Former(command=("plan", "air"), option="--pieces", now="TAG", several=True),
    Former(command=("plan", "air"), option="--finished", now="--finished-mc"),
    Former(command=("plan", "air"), option="--step", now="--weekly-step"),
    Former(command=("plan", "air"), option="--price", now="--power-price"),
    Former(command=("plan", "size"), option="--from", now="TAG"),
    *(
        Former(command=("export", what), option="--tag", now="TAG")
        for what in ("timbers", "readings", "events", "verdicts")
    ),
)


def put_right(words: Sequence[str]) -> list[str]:
    """Put new words in place of former ones, and say so on standard error.

    Parameters
    ----------
    words : sequence of str
        What follows `baulk`.

    Returns
    -------
    list of str
        The same in the words of today.
    """
    for row in FORMER:
        words = _without(list(words), row)
    return list(words)


def swapped(first: str, second: str) -> None:
    """Say on standard error that a sensor stood before its timber's tag."""
    say(f"the tag comes first now: {second} {first}; the old order works in this version for the last time")


def _without(words: list[str], row: Former) -> list[str]:
    start = _behind(words, row.command)
    if start is None:
        return words
    kept, values, rest = words[:start], [], iter(words[start:])
    behind: list[str] = []
    for word in rest:
        name, sign, value = word.partition("=")
        if word == "--":
            behind += [word, *rest]
        elif name != row.option:
            behind.append(word)
        elif not row.first:
            behind.append(row.now + sign + value)
            values.append(value)
        elif sign or (value := next(rest, "")):
            values += value.split(",") if row.several else [value]
    if not values:
        return words
    say(row.hint())
    return [*kept, *([value.strip() for value in values] if row.first else ()), *behind]


def _behind(words: list[str], command: tuple[str, ...]) -> int | None:
    """Return where the words after a command begin; None if it is another command."""
    wanted, skip = list(command), False
    for i, word in enumerate(words):
        if skip or word.startswith("-"):
            skip = not skip and word == "--shop"
        elif word == wanted[0]:
            del wanted[0]
            if not wanted:
                return i + 1
        else:
            return None
    return None


def say(sentence: str) -> None:
    """Say something on standard error, where no program reads the answer."""
    sys.stderr.write(f"baulk: {sentence}\n")
