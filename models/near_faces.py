"""What finer layers under the middle of each face say beyond the cells of a field."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.constants import Floats
from baulk.models.section import Face

_PLACE: Final = {face: i for i, face in enumerate(Face)}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NearFaces:
    """What is to be added to values read off a field's cells, by depth below the middle of each face.

    Parameters
    ----------
    depths_mm : ndarray, shape (k,)
        Depths below a face, from 0 to the deepest, at which nothing is added. [mm]
    added_pct : ndarray, shape (4, k) or (4, k, m)
        Moisture content, in the order of `Face`. [%]
    """

    depths_mm: Floats
    added_pct: Floats

    @property
    def deepest_mm(self) -> float:
        """Return the depth from which on nothing is added, [mm]."""
        return float(self.depths_mm[-1])

    def some(self, which: slice | NDArray[np.intp]) -> NearFaces:
        """Return that of some of the members."""
        return replace(self, added_pct=self.added_pct[..., which])

    def at(self, face: Face, depths_mm: Floats) -> Floats:
        """Compute what is to be added at depths below a face.

        Parameters
        ----------
        face : Face
            The face.
        depths_mm : ndarray, shape (n,)
            Depths. [mm]

        Returns
        -------
        ndarray, shape (n,) or (m, n)
            By a natural cubic spline through the depths known. [%]
        """
        weights = _weights(self.depths_mm.tobytes(), np.asarray(depths_mm, dtype=np.float64).tobytes())
        return np.asarray(np.moveaxis(self.added_pct[_PLACE[face]], 0, -1) @ weights.T)


@lru_cache(maxsize=256)
def _weights(known: bytes, wanted: bytes) -> Floats:
    from scipy.interpolate import CubicSpline  # noqa: PLC0415 - who only stores readings reads no field

    depths, at = np.frombuffer(known), np.frombuffer(wanted)
    spline = CubicSpline(depths, np.eye(depths.size), bc_type="natural")
    found = np.asarray(spline(np.clip(at, 0.0, depths[-1])))
    found[at >= depths[-1]] = 0.0
    found.flags.writeable = False
    return found
