"""Stiffness and strength, mostly across the grain, and how they change as wood dries."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Final

from baulk.models.errors import OutOfRange

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import ArrayLike, NDArray

_PRINTED_AT_PCT: Final = 12.0
_DRIEST_PCT: Final = 4.0  # below it the straight line of the logarithms is not followed (common knowledge)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """A property green and at 12 % moisture content.

    Parameters
    ----------
    green, dry : float
        Value in green wood and at 12 %. [MPa]
    """

    green: float
    dry: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Strength:
    """Stiffness and strength of small clear pieces; a beam has much less.

    Parameters
    ----------
    intersection_pct : float
        Moisture content below which drying begins to change the wood (Mp of Table 5-13). [%]
    moe : Pair
        Modulus of elasticity along the grain, from bending. [MPa]
    e_radial, e_tangential : Pair
        Modulus of elasticity across the grain. [MPa]
    compression_parallel, compression_across : Pair
        Crushing along the grain; stress at the proportional limit across it. [MPa]
    shear : Pair
        Shear along the grain. [MPa]
    tension_across : Pair
        Tension across the grain, what a check must overcome. [MPa]
    """

    intersection_pct: float
    moe: Pair
    e_radial: Pair
    e_tangential: Pair
    compression_parallel: Pair
    compression_across: Pair
    shear: Pair
    tension_across: Pair


PROPERTIES: Final = tuple(each.name for each in fields(Strength) if each.name != "intersection_pct")


def at_mc(
    at_12: ArrayLike, green: ArrayLike, mc_pct: ArrayLike, intersection_pct: ArrayLike = 25.0
) -> NDArray[np.float64]:
    """Adjust a property to a moisture content.

    Parameters
    ----------
    at_12, green : array_like, shape (...,)
        The property at 12 % and green, above 0, in one unit. [MPa]
    mc_pct : array_like, shape (...,)
        Moisture content, at least 4; at and above the intersection the green value stands. [%]
    intersection_pct : array_like, shape (...,)
        Mp, above 12; 25 where Table 5-13 has no figure. [%]

    Returns
    -------
    ndarray, shape (...,)
        The property at that moisture content, at about 21 degC; a gap (NaN) stays a gap. [MPa]

    Raises
    ------
    OutOfRange
        If a number lies outside the range above.

    References
    ----------
    Wood Handbook, FPL-GTR-282 (2021), eq. 5-3 and Table 5-13 p. 5-34. The handbook does not recommend it for
    tension across the grain, work to maximum load and impact: there it is only an estimate.

    Examples
    --------
    >>> round(float(at_mc(103000, 66000, 8, 24)))
    119473
    """
    import numpy as np  # noqa: PLC0415 - the table of woods is read without it

    dry, wet = np.asarray(at_12, dtype=float), np.asarray(green, dtype=float)
    mc, meet = np.asarray(mc_pct, dtype=float), np.asarray(intersection_pct, dtype=float)
    if np.any(dry <= 0) or np.any(wet <= 0):
        raise OutOfRange("a strength", "must be above 0, both green and at 12 %")
    if np.any(mc < _DRIEST_PCT):
        raise OutOfRange(
            "the moisture content",
            f"must be at least {_DRIEST_PCT:g} % for a strength, not {np.nanmin(mc):g} %",
        )
    if np.any(meet <= _PRINTED_AT_PCT):
        raise OutOfRange("the intersection", f"must lie above 12 %, not at {np.nanmin(meet):g} %")
    power = (_PRINTED_AT_PCT - np.minimum(mc, meet)) / (meet - _PRINTED_AT_PCT)
    adjusted: NDArray[np.float64] = dry * (dry / wet) ** power
    return adjusted


def of(strength: Strength, name: str, mc_pct: ArrayLike) -> NDArray[np.float64]:
    """Give one property of a wood at a moisture content.

    Parameters
    ----------
    strength : Strength
        From `Species.strength`.
    name : str
        A field of `Strength`, such as "tension_across".
    mc_pct : array_like, shape (...,)
        Moisture content, at least 4. [%]

    Returns
    -------
    ndarray, shape (...,)
        The property. [MPa]

    Raises
    ------
    OutOfRange
        If there is no such property, or the wood is too dry for the law.

    References
    ----------
    Wood Handbook, FPL-GTR-282 (2021), eq. 5-3.
    """
    if name not in PROPERTIES:
        raise OutOfRange("the property", f"is one of {', '.join(PROPERTIES)}, not {name!r}")
    pair: Pair = getattr(strength, name)
    return at_mc(pair.dry, pair.green, mc_pct, strength.intersection_pct)
