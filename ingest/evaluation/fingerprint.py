"""A short text that changes when, and only when, an answer could: over everything an evaluation is made from.

The code is part of it by a hash over the sources of the models and of the evaluation, with the tables they
read. A number that someone has to remember to raise would be forgotten the one time it matters; the price of
the hash is one round of the whole yard after an update that changed nothing but a comment.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from enum import Enum
from functools import cache
from hashlib import blake2b
from importlib import resources
from importlib.metadata import version
from importlib.resources.abc import Traversable
from typing import Any, Final

import numpy as np

from baulk.ingest.evaluation import import_graph
from baulk.models.reading import Reading
from baulk.models.timber import Event, EventKind

_START: Final = "evaluation.compute"  # the module of ingest that works answers out
_SILENT: Final = frozenset({EventKind.EDITED, EventKind.PHOTOGRAPHED})
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
    digest = blake2b(digest_size=4)
    for name in sorted(sources):
        text = sources[name].replace(b"\r\n", b"\n")
        digest.update(name.encode() + b"\0" + struct.pack("<q", len(text)) + text)
    return digest.hexdigest()


def _all_under(folder: Traversable, path: str) -> Iterator[tuple[str, bytes]]:
    for each in folder.iterdir():
        here = f"{path}/{each.name}"
        if each.name.endswith(_CODE):
            yield here, each.read_bytes()
        elif each.is_dir() and each.name != "__pycache__":
            yield from _all_under(each, here)


def of(*parts: object) -> str:
    """Hash values of any of our types: records, mappings, sequences, arrays, words, moments, numbers.

    Parameters
    ----------
    *parts : object
        What counts.

    Returns
    -------
    str
        32 hexadecimal digits, the same in every process.
    """
    digest = blake2b(digest_size=16)
    _feed(digest, (model_version(), *parts))
    return digest.hexdigest()


def readings(given: Sequence[Reading]) -> tuple[object, ...]:
    """Lay readings out for `of`, in an order of their own; where they came from does not count."""
    texts: dict[int, str] = {}
    keyed = []
    for each in given:
        key = id(each.series)
        text = texts.get(key) or texts.setdefault(key, str(each.series))
        keyed.append((text, each.taken_utc.timestamp(), each.value, each.flags))
    keyed.sort()
    return (
        tuple(dict.fromkeys(text for text, *_ in keyed)),
        "\n".join(text if not flags else f"{text} {','.join(flags)}" for text, _, _, flags in keyed),
        np.array([(taken, value) for _, taken, value, _ in keyed], dtype=np.float64),
    )


def events(given: Iterable[Event]) -> tuple[object, ...]:
    """Lay events out for `of`; who noted them does not count, nor do pictures, nor corrections.

    What a correction changed stands in the timber itself.
    """
    told = (each for each in given if each.counts and each.kind not in _SILENT)
    return tuple((each.kind, each.at_utc, dict(each.detail)) for each in told)


def _feed(digest: Any, value: Any) -> None:  # noqa: ANN401, C901, PLR0912 - one line a type
    match value:
        case None:
            digest.update(b"n")
        case Enum():
            _feed(digest, value.value)
        case bool():
            digest.update(b"t" if value else b"f")
        case int() | float() | np.number():
            digest.update(b"d" + struct.pack("<d", float(value)))
        case str():
            text = value.encode("utf-8", "surrogatepass")
            digest.update(b"s" + struct.pack("<q", len(text)) + text)
        case datetime():
            digest.update(b"m" + struct.pack("<d", value.timestamp()))
        case date():
            _feed(digest, value.isoformat())
        case np.ndarray():
            digest.update(b"a" + repr(value.shape).encode() + np.ascontiguousarray(value, "<f8").tobytes())
        case Mapping():
            digest.update(b"{")
            for key in sorted(value, key=str):
                _feed(digest, key)
                _feed(digest, value[key])
            digest.update(b"}")
        case tuple() | list():
            digest.update(b"(")
            for each in value:
                _feed(digest, each)
            digest.update(b")")
        case _ if is_dataclass(value):
            _feed(digest, {each.name: getattr(value, each.name) for each in fields(value)})
        case _:
            raise TypeError(f"a {type(value).__name__} has no fingerprint")
