"""Sentences and ways of writing that every text module shares."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, TypeAlias

from baulk.models.formatting import count
from baulk.models.units import System, show_length

Values: TypeAlias = Mapping[str, Any]
Writer: TypeAlias = Callable[[Values, System], str]

NAMED: Final = 6  # of a list of tags


def fixed(text: str) -> Writer:
    """Return the writer of a sentence that holds no value."""

    def write(_values: Values, _system: System) -> str:
        return text

    return write


def listed(names: Sequence[str]) -> str:
    """Return the first names of a list, and how many more there are."""
    return ", ".join(names[:NAMED]) + (f" and {len(names) - NAMED} more" if len(names) > NAMED else "")


def pct(value: float) -> str:
    """Return a moisture content to the digit that a timber's model can claim."""
    return f"{value:.0f} %" if abs(value) >= 9.95 else f"{value:.1f} %"


def span(seconds: float) -> str:
    """Return a length of time in one unit, for instance ``3 hours``; its sign does not count."""
    length = abs(seconds)
    for size, name in ((86_400.0, "day"), (3_600.0, "hour"), (60.0, "minute")):
        if length >= size * (1.0 if name != "day" else 2.0):
            return count(round(length / size), name)
    return count(round(length), "second")


def _as_stored(values: Mapping[str, Any], _system: System) -> str:
    """Return a sentence of version 0.1.0, which stored the words and nothing else."""
    return str(values["text"])


SENTENCES: Final[Mapping[str, Writer]] = {
    "stored.text": _as_stored,
}


_LENGTH: Final = re.compile(r"\{(\d+(?:\.\d+)?) mm\}")


def noted(note: str, system: System) -> str:
    """Return a table's note with its lengths, written as ``{101.6 mm}``, in the reader's units."""
    return _LENGTH.sub(lambda found: show_length(float(found[1]), system), note)
