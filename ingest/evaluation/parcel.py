"""Inputs as few bytes, to be handed to another process or machine, and back.

What is long in them is columns of numbers that a device gave with one or two decimals, at even steps of time.
As whole numbers of their last decimal, each less the one before, they take a tenth of the room; a column for
which that is not exact goes as it is.
"""

from __future__ import annotations

import io
import pickle
import zlib
from typing import Any, Final

import numpy as np

from baulk.ingest.evaluation.inputs import Inputs
from baulk.models.constants import Floats

_LONG: Final = 64  # of a column for which it is worth while
_SCALES: Final = (1.0, 10.0, 100.0, 1000.0)
_MOST: Final = 2.0**31
_QUICK: Final = 1  # of zlib; its best would take five times the time for a tenth


class _Packer(pickle.Pickler):
    def reducer_override(self, given: object) -> Any:  # noqa: ANN401 - as pickle has it
        if type(given) is np.ndarray and given.dtype == np.float64 and given.shape >= (_LONG,):
            return _as_steps(given)
        return NotImplemented


def packed(inputs: Inputs) -> bytes:
    """Return inputs as bytes; a worker of another version is to be refused before it opens them."""
    out = io.BytesIO()
    _Packer(out, protocol=pickle.HIGHEST_PROTOCOL).dump(inputs)
    return zlib.compress(out.getvalue(), _QUICK)


def opened(parcel: bytes) -> Inputs:
    """Return the inputs that `packed` was given, number for number."""
    inputs = pickle.loads(zlib.decompress(parcel))  # noqa: S301 - from the process that asks
    assert isinstance(inputs, Inputs)  # noqa: S101 - as packed
    return inputs


def _as_steps(given: Floats) -> Any:  # noqa: ANN401 - as pickle has it
    if given.ndim == 1:
        for scale in _SCALES:
            whole = np.rint(given * scale)
            steps = np.diff(whole)
            if np.all(np.abs(steps) < _MOST) and np.array_equal(whole / scale, given):
                least = np.min_scalar_type(int(max(-steps.min() - 1, steps.max(), 0)) * 2)
                small = steps.astype(np.dtype(f"i{least.itemsize}"))
                return _from_steps, (float(whole[0]), scale, small.dtype.str, small.tobytes())
    return NotImplemented


def _from_steps(first: float, scale: float, kind: str, steps: bytes) -> Floats:
    whole = np.cumsum(np.append(first, np.frombuffer(steps, kind)))
    return np.asarray(whole / scale)
