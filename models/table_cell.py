"""A number in a cell of a table that a shop may have written itself: read, or refused in a sentence."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from baulk.models.errors import OutOfRange


def number(
    row: Mapping[str, str], column: str, low: float, high: float, refuse: Callable[[str], OutOfRange]
) -> float:
    """Return the number in a cell.

    Parameters
    ----------
    row : mapping of str to str
        The cells of a row by column.
    column : str
        Which cell; its name carries the unit.
    low, high : float
        Between which it must lie, in that unit.
    refuse : callable
        Gives the error of this row, from what is wrong with it.

    Raises
    ------
    OutOfRange
        If it is no number, or lies outside.
    """
    try:
        value = float(row[column])
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise refuse(f"gives {column} as {row[column]!r}; it is a number from {low:g} to {high:g}")
    return value
