"""Inputs as few bytes, to be handed to another process or machine, and back.

What is long in them is columns of numbers, which go as steps (`baulk.ingest.store.steps`). The air of a place
is the longest of them and the same for every timber there: it is packed once, and laid beside the rest.
"""

from __future__ import annotations

import io
import pickle
import zlib
from collections.abc import Iterable
from typing import Any, Final
from weakref import WeakKeyDictionary

import numpy as np

from baulk.ingest.evaluation.inputs import Inputs
from baulk.ingest.store import steps
from baulk.models.air import AirSeries

_LONG: Final = 64  # of a column for which it is worth while
_QUICK: Final = 1  # of zlib; its best would take five times the time for a tenth


_AIRS: Final[WeakKeyDictionary[AirSeries, bytes]] = WeakKeyDictionary()  # packed, while someone holds them


class _Packer(pickle.Pickler):
    """Pickles columns as steps; records of air are left to the caller, who finds them in `airs`."""

    def __init__(self, out: io.BytesIO) -> None:
        super().__init__(out, protocol=pickle.HIGHEST_PROTOCOL)
        self.airs: dict[AirSeries, int] = {}

    def reducer_override(self, given: object) -> Any:  # noqa: ANN401 - as pickle has it
        if type(given) is np.ndarray and given.ndim == 1 and given.size >= _LONG:
            if given.dtype == np.float64 and (found := steps.steps(given)) is not None:
                return steps.from_steps, found
            if given.dtype == np.int64:
                return steps.from_small, steps.small(given)
        return NotImplemented

    def persistent_id(self, given: object) -> int | None:
        if type(given) is not AirSeries:
            return None
        return self.airs.setdefault(given, len(self.airs))


class _Opener(pickle.Unpickler):
    def __init__(self, body: bytes, airs: list[bytes]) -> None:
        super().__init__(io.BytesIO(body))
        self._airs = [_air_opened(each) for each in airs]

    def persistent_load(self, number: int) -> AirSeries:
        return self._airs[number]


def packed(inputs: Inputs, *, far: bool = True) -> bytes:
    """Return inputs as bytes; a worker of another version is to be refused before it opens them.

    Parameters
    ----------
    inputs : Inputs
        Of one timber.
    far : bool
        Whether they go to another machine; a worker process gets them faster uncompressed.

    Returns
    -------
    bytes
        For `opened`.
    """
    body, airs = _pickled(inputs)
    pressed = zlib.compress(body, _QUICK if far else 0)
    return pickle.dumps((pressed, [_air_packed(each) for each in airs]), pickle.HIGHEST_PROTOCOL)


def opened(parcel: bytes) -> Inputs:
    """Return the inputs that `packed` was given, number for number."""
    body, airs = pickle.loads(parcel)  # noqa: S301 - from the process that asks
    inputs = _Opener(zlib.decompress(body), airs).load()
    assert isinstance(inputs, Inputs)  # noqa: S101 - as packed
    return inputs


def _pickled(given: object) -> tuple[bytes, Iterable[AirSeries]]:
    out = io.BytesIO()
    packer = _Packer(out)
    packer.dump(given)
    return out.getvalue(), packer.airs


def _air_packed(air: AirSeries) -> bytes:
    found = _AIRS.get(air)
    if found is None:
        body, _ = _pickled((air.posix_s, air.temp_c, air.rh_pct))
        found = _AIRS[air] = zlib.compress(body)
    return found


def _air_opened(found: bytes) -> AirSeries:
    posix_s, temp_c, rh_pct = pickle.loads(zlib.decompress(found))  # noqa: S301 - as `opened`
    return AirSeries(posix_s=posix_s, temp_c=temp_c, rh_pct=rh_pct)
