"""What differs between the members of an ensemble of drying runs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.constants import Floats
from baulk.models.diffusion import LIMITS
from baulk.models.errors import OutOfRange

FACTORS: Final = ("d_factor", "surface_factor", "ratio_factor", "shrinkage_factor")
MOST_RADIUS_MM: Final = 1e5
SEASON: Final = 3.0  # a factor of twenty each way
OWN: Final[Mapping[str, tuple[float, float]]] = {
    **{name: LIMITS[name] for name in ("slope_per_pct", "fsp_pct", "raised_above_fsp", "activation_j_mol")},
    "surface_season": (-SEASON, SEASON),
    "heartwood_mm": (0.0, MOST_RADIUS_MM),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Members:
    """What differs between the members of an ensemble; every array has shape (m,).

    What a member has of its own takes the place of that part of the run's diffusion law; None for the law's.

    Parameters
    ----------
    d_factor : ndarray
        Factor on the diffusion coefficient, above 0. [-]
    surface_factor : ndarray
        Factor on the surface conductance of every face, above 0. [-]
    start_mc_pct : ndarray
        Moisture content at the start where `dry` is given none, 0 to 400. [%]
    emc_offset_pct : ndarray
        Added to the EMC of the air. [%]
    ratio_factor : ndarray, optional
        Factor on the law's ratio of radial to tangential D, whose mean stays; above 0. [-]
    slope_per_pct : ndarray, optional
        Growth of ln D per point of moisture content below fibre saturation, 0 to 0.2. [1/%]
    fsp_pct : ndarray, optional
        Fibre saturation point, 10 to 60. [%]
    raised_above_fsp : ndarray, optional
        Factor on D above fibre saturation, 0.01 to 1000. [-]
    activation_j_mol : ndarray, optional
        Activation energy, 0 to 200 000; D is good to a few percent within a third of the
        law's. [J/mol]
    surface_season : ndarray, optional
        Amplitude of ln surface conductance over the year, -3 to 3: the conductance is times
        ``exp(-season cos(2 pi (t - 15 January) / year))``, above 0 for a freer surface in summer. [-]
    heartwood_mm : ndarray, optional
        Radius of the heartwood about the pith, 0 or more; all of it is heartwood without one. [mm]
    shrinkage_factor : ndarray, optional
        Factor on the species' shrinkage, above 0; no part of the drying. [-]

    Raises
    ------
    OutOfRange
        If the arrays differ in length, are not finite or hold what cannot be.
    """

    d_factor: Floats
    surface_factor: Floats
    start_mc_pct: Floats
    emc_offset_pct: Floats
    ratio_factor: Floats | None = None
    slope_per_pct: Floats | None = None
    fsp_pct: Floats | None = None
    raised_above_fsp: Floats | None = None
    activation_j_mol: Floats | None = None
    surface_season: Floats | None = None
    heartwood_mm: Floats | None = None
    shrinkage_factor: Floats | None = None

    def __post_init__(self) -> None:
        parts = self._given()
        if (
            len({part.shape for part in parts.values()}) != 1
            or self.d_factor.ndim != 1
            or self.d_factor.size == 0
        ):
            raise OutOfRange("the members", "need arrays of one length, at least 1")
        if not all(np.all(np.isfinite(part)) for part in parts.values()):
            raise OutOfRange("the members", "must be finite numbers")
        if any(np.any(parts[name] <= 0) for name in FACTORS if name in parts):
            raise OutOfRange("the members' factors", "must be above 0")
        for name, (low, high) in OWN.items():
            part = parts.get(name)
            if part is not None and np.any(wrong := (part < low) | (part > high)):
                raise OutOfRange(
                    f"{name} of the members",
                    f"must lie between {low:g} and {high:g}, not {part[wrong][0]:g}",
                )

    @property
    def size(self) -> int:
        """Number of members."""
        return int(self.d_factor.size)

    def some(self, which: slice | NDArray[np.intp]) -> Members:
        """Return a part of them, which is not looked at again: what holds of all holds of a part."""
        found = object.__new__(Members)
        for each in fields(self):
            part = getattr(self, each.name)
            object.__setattr__(found, each.name, None if part is None else part[which])
        if found.size == 0:
            raise OutOfRange("the members", "need arrays of one length, at least 1")
        return found

    def _given(self) -> dict[str, Floats]:
        parts = {field.name: getattr(self, field.name) for field in fields(self)}
        return {name: part for name, part in parts.items() if part is not None}
