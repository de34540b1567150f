"""Moisture content from weight, and weight from moisture content."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from baulk.models import shrinkage
from baulk.models.errors import OutOfRange
from baulk.models.section import Section


def mc_pct(wet_kg: ArrayLike, dry_kg: ArrayLike) -> NDArray[np.float64]:
    """Moisture content from two weighings of an oven-dried piece.

    Parameters
    ----------
    wet_kg, dry_kg : array_like, shape (...,)
        Mass as cut and mass after oven drying at 103 degC. [kg]

    Returns
    -------
    ndarray, shape (...,)
        Moisture content; a gap (NaN) stays a gap. [% of oven-dry mass]

    Raises
    ------
    OutOfRange
        If a dry mass is not above 0, or a wet mass is below its dry mass.

    References
    ----------
    Wood Handbook, FPL-GTR-282 (2021), eq. 4-1.

    Examples
    --------
    >>> round(float(mc_pct(10, 6.9)))
    45
    """
    wet, dry = _above_0(wet_kg, "the wet weight"), _above_0(dry_kg, "the oven-dry weight")
    if np.any(wet < dry * (1 - 1e-9)):
        raise OutOfRange("the wet weight", "can't be below the oven-dry weight; were they mixed up?")
    return np.maximum(100 * (wet / dry - 1), 0.0)


def wet_kg(dry_kg: ArrayLike, mc_pct: ArrayLike) -> NDArray[np.float64]:
    """Mass at a moisture content.

    Parameters
    ----------
    dry_kg : array_like, shape (...,)
        Oven-dry mass. [kg]
    mc_pct : array_like, shape (...,)
        Moisture content, at least 0. [%]

    Returns
    -------
    ndarray, shape (...,)
        Mass with its water. [kg]

    Raises
    ------
    OutOfRange
        If the oven-dry mass is not above 0, or a moisture content is below 0.
    """
    mass: NDArray[np.float64] = _above_0(dry_kg, "the oven-dry weight") * (1 + _mc(mc_pct) / 100)
    return mass


def mc_from_weight_pct(
    weight_kg: ArrayLike, start_weight_kg: ArrayLike, start_mc_pct: ArrayLike
) -> NDArray[np.float64]:
    """Mean moisture content of a timber from its weight now and at the start.

    Parameters
    ----------
    weight_kg, start_weight_kg : array_like, shape (...,)
        Weight now and weight when the start was known; nothing may have been cut off between. [kg]
    start_mc_pct : array_like, shape (...,)
        Mean moisture content at the start. [%]

    Returns
    -------
    ndarray, shape (...,)
        Mean moisture content now; an error of 1 % in the start (60 instead of 61 %) comes through as
        `weight_kg / start_weight_kg` percent. [%]

    Raises
    ------
    OutOfRange
        If a weight is not above 0, or so low that less than the oven-dry wood would be left.

    Examples
    --------
    >>> round(float(mc_from_weight_pct(8.0, 10.0, 62.0)), 1)
    29.6
    """
    ratio = _above_0(weight_kg, "the weight") / _above_0(start_weight_kg, "the starting weight")
    mc: NDArray[np.float64] = 100 * ((1 + _mc(start_mc_pct) / 100) * ratio - 1)
    if np.any(mc < -1e-9):
        raise OutOfRange(
            "the weight",
            f"is less than the oven-dry wood can weigh ({np.nanmin(mc):.0f} % moisture content);"
            " was something cut off, or was the start wetter?",
        )
    return np.maximum(mc, 0.0)


def green_mass_kg(
    section: Section, length_mm: float, mc_pct: ArrayLike, basic_density: ArrayLike
) -> NDArray[np.float64]:
    """Mass of a timber that has its green size.

    Parameters
    ----------
    section : Section
        Green section. [mm]
    length_mm : float
        Length along the grain, above 0. [mm]
    mc_pct : array_like, shape (...,)
        Moisture content. [%]
    basic_density : array_like, shape (...,)
        Oven-dry mass by green volume. [kg/m3]

    Returns
    -------
    ndarray, shape (...,)
        Mass. [kg]

    Raises
    ------
    OutOfRange
        If length or basic density is not above 0, or a moisture content is below 0.

    References
    ----------
    By the definition of basic density; Wood Handbook, FPL-GTR-282 (2021), chapter 4.

    Examples
    --------
    >>> round(float(green_mass_kg(Section(width_mm=200, depth_mm=200), 3000, 64, 600)), 1)
    118.1
    """
    volume_m3 = section.width_mm * section.depth_mm * float(_above_0(length_mm, "the length")) * 1e-9
    mass: NDArray[np.float64] = (
        volume_m3 * _above_0(basic_density, "the basic density") * (1 + _mc(mc_pct) / 100)
    )
    return mass


def density_kg_m3(
    basic_density: ArrayLike,
    mc_pct: ArrayLike,
    *,
    volumetric_pct: ArrayLike | None = None,
    onset_pct: ArrayLike = 30.0,
) -> NDArray[np.float64]:
    """Density of wood with its water, by the volume that it has at that moisture content.

    Parameters
    ----------
    basic_density : array_like, shape (...,)
        Oven-dry mass by green volume, above 0 and below 1540. [kg/m3]
    mc_pct : array_like, shape (...,)
        Moisture content, at least 0. [%]
    volumetric_pct : array_like, shape (...,), optional
        Shrinkage of the volume from green to oven-dry; without it 26.5 times the basic specific gravity. [%]
    onset_pct : array_like, shape (...,), optional
        Moisture content at which shrinkage begins, above 0. [%]

    Returns
    -------
    ndarray, shape (...,)
        Density; a gap (NaN) stays a gap. [kg/m3]

    Raises
    ------
    OutOfRange
        If a number lies outside the range above.

    References
    ----------
    Wood Handbook, FPL-GTR-282 (2021), eq. 4-9, 4-11 to 4-14.

    Examples
    --------
    >>> round(float(density_kg_m3(550, 12)))
    675
    """
    basic, mc = _above_0(basic_density, "the basic density"), _mc(mc_pct)
    if np.any(basic >= 1540):
        raise OutOfRange("the basic density", "must be below 1540 kg/m3, that of the cell wall itself")
    total = 26.5 * basic / 1000 if volumetric_pct is None else np.asarray(volumetric_pct, dtype=float)
    volume = 1 - shrinkage.free_pct(mc, total, onset_pct) / 100
    density: NDArray[np.float64] = basic / volume * (1 + mc / 100)
    return density


def dry_basis_pct(wet_basis_pct: ArrayLike) -> NDArray[np.float64]:
    """Moisture content of oven-dry mass from that of wet mass (firewood and pulp count so).

    Parameters
    ----------
    wet_basis_pct : array_like, shape (...,)
        Water as a share of the wet mass, 0 to below 100. [%]

    Returns
    -------
    ndarray, shape (...,)
        Water as a share of the oven-dry mass. [%]

    Raises
    ------
    OutOfRange
        If the share lies outside the range above.

    References
    ----------
    u = w / (1 - w), from the two definitions; Wood Handbook, FPL-GTR-282 (2021), eq. 4-1 and 4-2.

    Examples
    --------
    >>> round(float(dry_basis_pct(20)), 1)
    25.0
    """
    wet = np.asarray(wet_basis_pct, dtype=float)
    if np.any((wet < 0) | (wet >= 100)):
        raise OutOfRange(
            "a wet-basis moisture content", "lies from 0 to below 100 %; is it on the dry basis?"
        )
    dry: NDArray[np.float64] = 100 * wet / (100 - wet)
    return dry


def wet_basis_pct(mc_pct: ArrayLike) -> NDArray[np.float64]:
    """Water as a share of the wet mass.

    Parameters
    ----------
    mc_pct : array_like, shape (...,)
        Moisture content of oven-dry mass, at least 0. [%]

    Returns
    -------
    ndarray, shape (...,)
        Water as a share of the wet mass. [%]

    Raises
    ------
    OutOfRange
        If a moisture content is below 0.

    Examples
    --------
    >>> round(float(wet_basis_pct(25)), 1)
    20.0
    """
    mc = _mc(mc_pct)
    wet: NDArray[np.float64] = 100 * mc / (100 + mc)
    return wet


def max_mc_pct(basic_density: ArrayLike) -> NDArray[np.float64]:
    """Moisture content of wood whose every pore is full of water.

    Parameters
    ----------
    basic_density : array_like, shape (...,)
        Oven-dry mass by green volume, above 0 and below 1540. [kg/m3]

    Returns
    -------
    ndarray, shape (...,)
        Moisture content that no green timber can exceed. [%]

    Raises
    ------
    OutOfRange
        If the density lies outside the range above.

    References
    ----------
    Wood Handbook, FPL-GTR-282 (2021), eq. 4-3, with 1.54 as the specific gravity of the cell wall.

    Examples
    --------
    >>> round(float(max_mc_pct(600)))
    102
    """
    basic = _above_0(basic_density, "the basic density") / 1000
    if np.any(basic >= 1.54):
        raise OutOfRange("the basic density", "must be below 1540 kg/m3, that of the cell wall itself")
    most: NDArray[np.float64] = 100 * (1.54 - basic) / (1.54 * basic)
    return most


def _above_0(value: ArrayLike, name: str) -> NDArray[np.float64]:
    array = np.asarray(value, dtype=float)
    if np.any(array <= 0):
        raise OutOfRange(name, f"must be above 0, not {np.nanmin(array):g}")
    return array


def _mc(mc_pct: ArrayLike) -> NDArray[np.float64]:
    mc = np.asarray(mc_pct, dtype=float)
    if np.any(mc < 0):
        raise OutOfRange("the moisture content", f"must be at least 0 %, not {np.nanmin(mc):g} %")
    return mc
