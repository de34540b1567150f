"""Sentences and ways of writing that every text module shares."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from baulk.models.units import System


def _as_stored(values: Mapping[str, Any], _system: System) -> str:
    """Return a sentence of version 0.1.0, which stored the words and nothing else."""
    return str(values["text"])


SENTENCES: Final[Mapping[str, Callable[[Mapping[str, Any], System], str]]] = {
    "stored.text": _as_stored,
}
