"""The compiled part of `ensemble`: each member's departure from the model in one pass over its cells.

As numpy has them, these formulas read and write the field of every member seven times. Nothing here may
change the order in which a value is worked out: a fit answers a rounding with other steps.
"""

from __future__ import annotations

from numba import njit

from baulk.models.constants import Floats


@njit(cache=True, nogil=True, error_model="numpy")
def in_record(  # noqa: PLR0913, PLR0917 - compiled: flat arrays
    mc: Floats, wettest: Floats, emc: Floats, size: Floats, least: float, to: Floats
) -> None:
    """Work out ``M + max((W - M) (M - EMC), 0) s``, `least` or more: beyond both ends as at them.

    Parameters
    ----------
    mc : ndarray, shape (m, n)
        Moisture M of each member's cells. [%]
    wettest : ndarray, shape (m, n)
        Moisture W from which they began. [%]
    emc : ndarray, shape (m,)
        EMC of its air. [%]
    size : ndarray, shape (m, n)
        Size s of the departure. [1/%]
    least : float
        Driest that a cell may be. [%]
    to : ndarray, shape (m, n)
        Receives it; what is no number stays none. [%]
    """
    members, cells = mc.shape
    for k in range(members):
        dry = emc[k]
        for i in range(cells):
            now = mc[k, i]
            left = (wettest[k, i] - now) * (now - dry)
            found = max(left, 0.0) * size[k, i] + now
            to[k, i] = max(found, least)


@njit(cache=True, nogil=True, error_model="numpy")
def ahead(  # noqa: PLR0913, PLR0917 - compiled: flat arrays
    mc: Floats, emc: Floats, grown: Floats, least_above: float, least: float, to: Floats
) -> None:
    """Work out ``M + max(M - EMC, least_above) (g - 1)``, `least` or more where M is.

    Parameters
    ----------
    mc : ndarray, shape (m, n)
        Moisture M of each member's cells. [%]
    emc : ndarray, shape (m,)
        EMC of its air. [%]
    grown : ndarray, shape (m, n)
        Factor g on what lies above it. [-]
    least_above : float
        The least that the factor is taken on. [%]
    least : float
        Driest that a cell may be which was not drier. [%]
    to : ndarray, shape (m, n)
        Receives it; what is no number stays none. [%]
    """
    members, cells = mc.shape
    for k in range(members):
        dry = emc[k]
        for i in range(cells):
            now = mc[k, i]
            above = now - dry
            found = now + (max(above, least_above)) * (grown[k, i] - 1.0)
            driest = min(least, now)
            to[k, i] = max(found, driest)
