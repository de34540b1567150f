"""Free shrinkage of wood that nothing holds back."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from baulk.models.errors import OutOfRange
from baulk.models.single_values import PIECES_VARY

__all__ = [
    "PIECES_VARY",
    "change_by_coefficient_mm",
    "change_by_total_mm",
    "coefficient_per_pct",
    "dimension_change_mm",
    "free_pct",
]


def free_pct(mc_pct: ArrayLike, total_pct: ArrayLike, onset_pct: ArrayLike) -> NDArray[np.float64]:
    """Shrinkage from green at a moisture content, as a share of the green dimension.

    Parameters
    ----------
    mc_pct : array_like, shape (...,)
        Moisture content, at least 0. [% of oven-dry mass]
    total_pct : array_like, shape (...,)
        Shrinkage from green to oven-dry in the same direction. [% of the green dimension]
    onset_pct : array_like, shape (...,)
        Moisture content at which shrinkage begins, above 0. [%]

    Returns
    -------
    ndarray, shape (...,)
        Shrinkage: 0 at and above the onset, `total_pct` at 0 %, straight between. [%]

    Raises
    ------
    OutOfRange
        If a moisture content is below 0 or the onset is not above 0.

    References
    ----------
    Wood Handbook, FPL-GTR-282 (2021), eq. 4-9; the straight line from 30 % (22 % for four
    woods) is the law behind its Table 13-5. Wood begins to shrink a little above
    the onset in truth; the line is the usual idealisation.

    Examples
    --------
    >>> round(float(free_pct(12, 10.5, 30)), 2)
    6.3
    """
    mc, onset = np.asarray(mc_pct, dtype=float), np.asarray(onset_pct, dtype=float)
    if np.any(mc < 0):
        raise OutOfRange("the moisture content", f"must be at least 0 %, not {np.nanmin(mc):g} %")
    if np.any(onset <= 0):
        raise OutOfRange("the onset of shrinkage", f"must be above 0 %, not {np.nanmin(onset):g} %")
    shrunk: NDArray[np.float64] = np.asarray(total_pct, dtype=float) * np.maximum(0.0, 1 - mc / onset)
    return shrunk


def dimension_change_mm(
    size_mm: ArrayLike, from_pct: ArrayLike, to_pct: ArrayLike, total_pct: ArrayLike, onset_pct: ArrayLike
) -> NDArray[np.float64]:
    """Change of a dimension between two moisture contents, negative when it shrinks.

    Parameters
    ----------
    size_mm : array_like, shape (...,)
        Dimension as it is at `from_pct`. [mm]
    from_pct, to_pct : array_like, shape (...,)
        Moisture contents before and after. [%]
    total_pct, onset_pct : array_like, shape (...,)
        As in `free_pct`. [%]

    Returns
    -------
    ndarray, shape (...,)
        Change. [mm]

    Raises
    ------
    OutOfRange
        As from `free_pct`.

    References
    ----------
    Wood Handbook, FPL-GTR-282 (2021), chapter 13 eq. 13-2, with the coefficient taken on the dimension at
    `from_pct` instead of the one at 10 % that Table 13-5 uses.

    Examples
    --------
    >>> round(float(dimension_change_mm(150, 30, 12, 10.5, 30)), 2)
    -9.45
    """
    before = 1 - free_pct(from_pct, total_pct, onset_pct) / 100
    after = 1 - free_pct(to_pct, total_pct, onset_pct) / 100
    change: NDArray[np.float64] = np.asarray(size_mm, dtype=float) * (after / before - 1)
    return change


def coefficient_per_pct(total_pct: ArrayLike, onset_pct: ArrayLike) -> NDArray[np.float64]:
    """Dimensional change coefficient on the dimension at 10 % moisture content.

    Parameters
    ----------
    total_pct, onset_pct : array_like, shape (...,)
        As in `free_pct`. [%]

    Returns
    -------
    ndarray, shape (...,)
        Relative change of the dimension at 10 % per percent of moisture content. [1/%]

    Raises
    ------
    OutOfRange
        If the onset is not above 0.

    References
    ----------
    Wood Handbook, FPL-GTR-282 (2021), chapter 13, Table 13-5; the law behind it recomputed from Table 4-3.

    Examples
    --------
    >>> round(float(coefficient_per_pct(7.8, 30)), 5)
    0.00274
    """
    share = np.asarray(total_pct, dtype=float) / 100
    coefficient: NDArray[np.float64] = (
        share / np.asarray(onset_pct, dtype=float) / (1 - free_pct(10.0, total_pct, onset_pct) / 100)
    )
    return coefficient


def change_by_coefficient_mm(
    size_mm: ArrayLike, from_pct: ArrayLike, to_pct: ArrayLike, coefficient_per_pct: ArrayLike
) -> NDArray[np.float64]:
    """Change of a dimension by the printed coefficient, as the trade reckons it.

    Parameters
    ----------
    size_mm : array_like, shape (...,)
        Dimension as it is at `from_pct`. [mm]
    from_pct, to_pct : array_like, shape (...,)
        Moisture contents before and after, 6 to 14; elsewhere use `dimension_change_mm`. [%]
    coefficient_per_pct : array_like, shape (...,)
        From Table 13-5 or `coefficient_per_pct`, radial or tangential. [1/%]

    Returns
    -------
    ndarray, shape (...,)
        Change, negative when it shrinks; a gap (NaN) stays a gap. [mm]

    Raises
    ------
    OutOfRange
        If a moisture content lies outside the range that the equation is printed for.

    References
    ----------
    Wood Handbook, FPL-GTR-282 (2021), eq. 13-2; worked example in a flooring note citing the edition of 1987.

    Examples
    --------
    >>> round(float(change_by_coefficient_mm(5, 6, 9, 0.00129)), 3)
    0.019
    """
    start, end = np.asarray(from_pct, dtype=float), np.asarray(to_pct, dtype=float)
    for mc in (start, end):
        if np.any((mc < 6) | (mc > 14)):
            raise OutOfRange("the moisture content", "must lie between 6 and 14 % for a printed coefficient")
    change: NDArray[np.float64] = (
        np.asarray(size_mm, dtype=float) * np.asarray(coefficient_per_pct, dtype=float) * (end - start)
    )
    return change


def change_by_total_mm(
    size_mm: ArrayLike, from_pct: ArrayLike, to_pct: ArrayLike, total_pct: ArrayLike, onset_pct: ArrayLike
) -> NDArray[np.float64]:
    """Change of a dimension below the onset by the handbook's equation for wide changes of moisture.

    The same law as `dimension_change_mm`, written as printed, so that a hand calculation can be followed.

    Parameters
    ----------
    size_mm : array_like, shape (...,)
        Dimension as it is at `from_pct`. [mm]
    from_pct, to_pct : array_like, shape (...,)
        Moisture contents before and after, 0 to the onset. [%]
    total_pct, onset_pct : array_like, shape (...,)
        As in `free_pct`, the total above 0. [%]

    Returns
    -------
    ndarray, shape (...,)
        Change, negative when it shrinks; a gap (NaN) stays a gap. [mm]

    Raises
    ------
    OutOfRange
        If a moisture content lies outside the range above or a total is not above 0.

    References
    ----------
    Wood Handbook, FPL-GTR-282 (2021), eq. 13-3, with the onset in the place of its 30 %; form from memory,
    and equal to the law of `free_pct`.

    Examples
    --------
    >>> round(float(change_by_total_mm(150, 30, 12, 10.5, 30)), 2)
    -9.45
    """
    start, end = np.asarray(from_pct, dtype=float), np.asarray(to_pct, dtype=float)
    total, onset = np.asarray(total_pct, dtype=float), np.asarray(onset_pct, dtype=float)
    if np.any(total <= 0) or np.any(onset <= 0):
        raise OutOfRange("the shrinkage and its onset", "must be above 0 %")
    for mc in (start, end):
        if np.any((mc < 0) | (mc > onset)):
            raise OutOfRange("the moisture content", "must lie between 0 % and the onset of shrinkage")
    change: NDArray[np.float64] = (
        np.asarray(size_mm, dtype=float) * (end - start) / (onset * 100 / total - onset + start)
    )
    return change
