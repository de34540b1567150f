"""Inputs as few bytes, to be handed to another process or machine, and back.

What is long in them is columns of numbers, which go as steps (`baulk.models.steps`). The air of a place is
the longest of them and the same for every timber there: it is packed once, and laid beside the rest. So are
the years of a timber's readings, which are packed already.
"""

from __future__ import annotations

import io
import pickle
import zlib
from collections.abc import Iterable
from functools import lru_cache
from typing import Any, Final
from weakref import WeakKeyDictionary

import numpy as np

from baulk.ingest.evaluation.inputs import Inputs
from baulk.models import steps
from baulk.models.air import AirSeries
from baulk.models.known_readings import Year

_LONG: Final = 64  # of a column for which it is worth while
_QUICK: Final = 1  # of zlib; its best would take five times the time for a tenth


_AIRS: Final[WeakKeyDictionary[AirSeries, bytes]] = WeakKeyDictionary()  # packed, while someone holds them


class _Packer(pickle.Pickler):
    """Pickles columns as steps; what lies beside is left to the caller, who finds it in `beside`."""

    def __init__(self, out: io.BytesIO) -> None:
        super().__init__(out, protocol=pickle.HIGHEST_PROTOCOL)
        self.beside: dict[AirSeries | Year, int] = {}

    def reducer_override(self, given: object) -> Any:  # noqa: ANN401 - as pickle has it
        if type(given) is np.ndarray and given.ndim == 1 and given.size >= _LONG:
            if given.dtype == np.float64 and (found := steps.steps(given)) is not None:
                return steps.from_steps, found
            if given.dtype == np.int64:
                return steps.from_small, steps.small(given)
        return NotImplemented

    def persistent_id(self, given: object) -> int | None:
        if not isinstance(given, AirSeries | Year):
            return None
        return self.beside.setdefault(given, len(self.beside))


class _Opener(pickle.Unpickler):
    def __init__(self, body: bytes, beside: list[bytes | Year]) -> None:
        super().__init__(io.BytesIO(body))
        self._beside = [each if isinstance(each, Year) else _air_opened(each) for each in beside]

    def persistent_load(self, number: int) -> AirSeries | Year:
        return self._beside[number]


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
    body, beside = _pickled(inputs)
    pressed = zlib.compress(body, _QUICK if far else 0)
    laid = [each if isinstance(each, Year) else _air_packed(each) for each in beside]
    return pickle.dumps((pressed, laid), pickle.HIGHEST_PROTOCOL)


def opened(parcel: bytes) -> Inputs:
    """Return the inputs that `packed` was given, number for number."""
    body, beside = pickle.loads(parcel)  # noqa: S301 - from the process that asks
    inputs = _Opener(zlib.decompress(body), beside).load()
    assert isinstance(inputs, Inputs)  # noqa: S101 - as packed
    return inputs


def _pickled(given: object) -> tuple[bytes, Iterable[AirSeries | Year]]:
    out = io.BytesIO()
    packer = _Packer(out)
    packer.dump(given)
    return out.getvalue(), packer.beside


def _air_packed(air: AirSeries) -> bytes:
    found = _AIRS.get(air)
    if found is None:
        body, _ = _pickled((air.posix_s, air.temp_c, air.rh_pct))
        found = _AIRS[air] = zlib.compress(body)
    return found


# The timbers of a place bring the same record: one of ten years, laid out for each of them anew, made a
# worker grow by 200 MB (`layout` and `sorption` know a series by which it is)
@lru_cache(maxsize=4)
def _air_opened(found: bytes) -> AirSeries:
    posix_s, temp_c, rh_pct = pickle.loads(zlib.decompress(found))  # noqa: S301 - as `opened`
    return AirSeries(posix_s=posix_s, temp_c=temp_c, rh_pct=rh_pct)
