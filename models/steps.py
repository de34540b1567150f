"""Columns of numbers, delta-encoded into few bytes, and back exactly.

What a device gives has one or two decimals and comes at even steps of time. As whole numbers of their last
decimal, each less the one before, such a column takes a tenth of the room and is read the
sooner; one for which that is not exact goes as it is.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from baulk.models.constants import Floats, Ints

_SCALES: Final = (1.0, 10.0, 100.0, 1000.0)
_MOST: Final = 2.0**31
_SOME: Final = 64  # numbers at the begin that tell a scale which is not fine enough

Steps = tuple[float, float, str, bytes]
Small = tuple[str, bytes]


def steps(given: Floats) -> Steps | None:
    """Return a column as its first number and steps.

    Parameters
    ----------
    given : ndarray, shape (n,)
        At least one number.

    Returns
    -------
    tuple of (float, float, str, bytes) or None
        For `from_steps`: the first, what all were multiplied by, the kind of the steps, and these. None where
        the column could not be made again exactly.
    """
    for scale in _SCALES:
        if not np.array_equal(np.rint(given[:_SOME] * scale) / scale, given[:_SOME]):
            continue
        whole = np.rint(given * scale)
        found = np.diff(whole)
        if np.all(np.abs(found) < _MOST) and np.array_equal(whole / scale, given):
            low, high = (int(each(initial=0.0)) for each in (found.min, found.max))
            least = np.min_scalar_type(max(-low - 1, high, 0) * 2)
            small = found.astype(np.dtype(f"<i{least.itemsize}"))
            return float(whole[0]), scale, small.dtype.str, small.tobytes()
    return None


def from_steps(first: float, scale: float, kind: str, those: bytes) -> Floats:
    """Return the column of which `steps` gave these."""
    found = np.frombuffer(those, kind)
    whole = np.empty(found.size + 1)
    whole[0] = first
    whole[1:] = found
    return np.asarray(np.cumsum(whole) / scale)


def small(given: Ints) -> Small:
    """Return whole numbers in the fewest bytes that hold each; at least one number."""
    least = np.promote_types(np.min_scalar_type(given.min()), np.min_scalar_type(given.max()))
    return least.newbyteorder("<").str, given.astype(least).tobytes()


def from_small(kind: str, numbers: bytes) -> Ints:
    """Return the column of which `small` gave these."""
    return np.frombuffer(numbers, kind).astype(np.int64)
