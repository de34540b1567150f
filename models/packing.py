"""Arrays with what belongs to them as bytes for a store, in one form for all that is kept, and back."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from hashlib import blake2b
from typing import Any, Final

import numpy as np

from baulk.models.constants import Floats

_SUM: Final = 8  # bytes of the checksum in front
_PLAIN: Final = "plain"  # the member that is no array


def pack(plain: Mapping[str, Any], arrays: Mapping[str, Floats], *, exact: frozenset[str]) -> bytes:
    """Return values and arrays as bytes: a checksum, then NumPy's own compressed archive.

    Parameters
    ----------
    plain : mapping
        What JSON takes.
    arrays : mapping of str to ndarray
        Numbers, by name; any name but "plain".
    exact : frozenset of str
        Arrays to be kept as they are; the others are rounded to a few parts in ten million.

    Returns
    -------
    bytes
        The same for the same values in every process.
    """
    text = json.dumps(plain, separators=(",", ":")).encode()
    kept = {name: np.asarray(each, "<f8" if name in exact else "<f4") for name, each in arrays.items()}
    out = io.BytesIO()
    np.savez_compressed(out, allow_pickle=False, **kept, **{_PLAIN: np.frombuffer(text, np.uint8)})
    body = out.getvalue()
    return _checksum(body) + body


def unpack(kept: bytes) -> tuple[dict[str, Any], dict[str, Floats]]:
    """Read back what `pack` wrote.

    Parameters
    ----------
    kept : bytes
        As written.

    Returns
    -------
    plain : dict
        Values; tuples have become lists.
    arrays : dict of str to ndarray
        Numbers.

    Raises
    ------
    ValueError
        If it is damaged, or another version wrote it in another form.
    """
    body = kept[_SUM:]
    if kept[:_SUM] != _checksum(body):
        raise ValueError("is damaged, or of another version of the program")
    with np.load(io.BytesIO(body), allow_pickle=False) as found:
        plain: dict[str, Any] = json.loads(found[_PLAIN].tobytes())
        return plain, {name: found[name].astype(np.float64) for name in found.files if name != _PLAIN}


def _checksum(body: bytes) -> bytes:
    return blake2b(body, digest_size=_SUM).digest()
