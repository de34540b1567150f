"""Sentences and ways of writing that every text module shares."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any, Final, TypeAlias

from baulk.models.units import System, show_length

Values: TypeAlias = Mapping[str, Any]
Writer: TypeAlias = Callable[[Values, System], str]


def fixed(text: str) -> Writer:
    """Return the writer of a sentence that holds no value."""

    def write(_values: Values, _system: System) -> str:
        return text

    return write


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
