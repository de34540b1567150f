"""A short text that changes when, and only when, an answer could: over everything an evaluation is made from.

The code is part of it by a hash over the sources of the models and of the evaluation, with the tables they
read. A number that someone has to remember to raise would be forgotten the one time it matters; the price of
the hash is one round of the whole yard after an update that changed nothing but a comment.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from hashlib import blake2b
from importlib import resources
from importlib.metadata import version
from importlib.resources.abc import Traversable
from typing import Final

from baulk.ingest.evaluation import import_graph
from baulk.models import digest
from baulk.models.timber import UNTOLD, Event, EventKind

_START: Final = "evaluation.compute"  # the module of ingest that works answers out
_TOLD: Final = frozenset(EventKind) - UNTOLD
_CODE: Final = (".py", ".csv")


@cache
def model_version() -> str:
    """Return the distribution's version and eight digits of the code that works evaluations out.

    Returns
    -------
    str
        For instance ``0.1.0+1f2e3d4c``; the same on two machines that give the same answers.
    """
    found = code(resources.files("baulk.models"), resources.files("baulk.ingest"))
    return f"{version('baulk')}+{digest_of(found)}"


def code(models: Traversable, ingest: Traversable) -> dict[str, bytes]:
    """Return every source and table that an answer depends on.

    These are all of the models, in every folder, and of this package what the evaluation imports, directly
    or through others.

    Parameters
    ----------
    models, ingest : Traversable
        The folders of the two packages.

    Returns
    -------
    dict
        Contents by path, such as ``models/plan/humidity/plan.py``.
    """
    ours = import_graph.files(ingest, "baulk.ingest", _START)
    return dict(_all_under(models, "models")) | {f"ingest/{path}": text for path, text in ours.items()}


def digest_of(sources: Mapping[str, bytes]) -> str:
    """Return eight digits that change with any name and any content; line ends do not count."""
    found = blake2b(digest_size=4)
    for name in sorted(sources):
        text = sources[name].replace(b"\r\n", b"\n")
        found.update(name.encode() + b"\0" + struct.pack("<q", len(text)) + text)
    return found.hexdigest()


def _all_under(folder: Traversable, path: str) -> Iterator[tuple[str, bytes]]:
    for each in folder.iterdir():
        here = f"{path}/{each.name}"
        if each.name.endswith(_CODE):
            yield here, each.read_bytes()
        elif each.is_dir() and each.name != "__pycache__":
            yield from _all_under(each, here)


def of(*parts: object) -> str:
    """Return the digest of values and of the code that works evaluations out; see `baulk.models.digest`."""
    return digest.of(model_version(), *parts)


def events(given: Iterable[Event]) -> tuple[object, ...]:
    """Lay events out for `of`; who noted them does not count, nor do pictures, nor corrections.

    What a correction changed stands in the timber itself.
    """
    return digest.events(given, _TOLD)
