"""Sensors held against those beside them, day by day: which of them has moved against the others.

A sensor that was always off by as much does not drift, and what moves all of them together is the weather. So
the last fortnight of a difference is held against the six weeks before.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

import numpy as np

from baulk.models.constants import DAY_S, Floats

RECENT_DAYS: Final = 14  # held against what was before; our own judgement, no source
BEFORE_DAYS: Final = 42  # that they are held against; our own judgement, no source
FEWEST_DAYS: Final = 10  # with readings in either; our own judgement, no source
FEWEST: Final = 3  # of two nobody can say which has moved
SPREADS: Final = 3.0  # that it has moved by at the least, of its days; our own judgement, no source

IsMuch = Callable[[float], bool]


def daily(posix_s: Floats, values: Floats, now_s: float) -> Floats:
    """Return each day's median, the oldest day first.

    Parameters
    ----------
    posix_s, values : ndarray, shape (n,)
        Times, in seconds since 1970, and what was read then. [s], [any unit]
    now_s : float
        Now, in seconds since 1970. [s]

    Returns
    -------
    ndarray, shape (BEFORE_DAYS + RECENT_DAYS,)
        In the unit of the values, nan for a day without readings.
    """
    ago = np.floor((now_s - posix_s) / DAY_S).astype(int)
    days = [values[ago == day] for day in range(RECENT_DAYS + BEFORE_DAYS - 1, -1, -1)]
    return np.array([np.median(each) if each.size else np.nan for each in days])


def departed(days: Mapping[str, Floats], is_much: IsMuch) -> dict[str, float]:
    """Return the sensors that have moved against all others, while the others have stayed together.

    Parameters
    ----------
    days : mapping of str to ndarray
        What `daily` gives of each sensor; of two nobody can say which has moved.
    is_much : callable
        Whether a move is worth telling.

    Returns
    -------
    dict of str to float
        By sensor how far it has moved, in the unit of the days.
    """
    names = sorted(days)
    if len(names) < FEWEST:
        return {}
    rows = np.array([days[name] for name in names])
    found = {}
    for index, name in enumerate(names):
        others = np.delete(rows, index, axis=0)
        moved = _moved(rows[index] - _middle(others))
        apart = [_moved(each - _middle(np.delete(others, k, axis=0))) for k, each in enumerate(others)]
        if moved is None or not _is_clear(moved, is_much):
            continue
        if any(one is None or abs(one[0]) > abs(moved[0]) / 2 for one in apart):
            continue  # the others have not stayed together
        found[name] = moved[0]
    return found


def apart(one: Floats, other: Floats, is_much: IsMuch) -> float | None:
    """Return how far one of two has moved against the other; None where that is little or can't be told.

    Parameters
    ----------
    one, other : ndarray
        What `daily` gives of each.
    is_much : callable
        Whether a move is worth telling.
    """
    moved = _moved(one - other)
    return moved[0] if moved is not None and _is_clear(moved, is_much) else None


def _middle(rows: Floats) -> Floats:
    """Return the median of the sensors of each day, nan where not one was read."""
    known = np.isfinite(rows).any(axis=0)
    return np.where(known, np.nanmedian(np.where(known, rows, 0.0), axis=0), np.nan)


def _moved(between: Floats) -> tuple[float, float] | None:
    """Return by how much a difference has moved, and the spread of its days; None where too few are known."""
    before, lately = (part[np.isfinite(part)] for part in (between[:BEFORE_DAYS], between[BEFORE_DAYS:]))
    if min(before.size, lately.size) < FEWEST_DAYS:
        return None
    middle = float(np.median(before))
    spread = 1.4826 * float(np.median(np.abs(before - middle)))
    return float(np.median(lately)) - middle, spread


def _is_clear(moved: tuple[float, float], is_much: IsMuch) -> bool:
    by, spread = moved
    return is_much(by) and abs(by) >= SPREADS * spread
