"""The chance that a timber may be squared on each date ahead, as told by its verdict and shifted by a plan.

A plan follows a few members in one usual year, which tells two airs apart well and a date poorly; the verdict
follows all of them in years as different as years are. So a plan's own difference is laid upon the verdict's
chance: if nothing is done, the plan's date is the verdict's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from baulk.models.constants import Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chances:
    """Chance of `square` by date.

    Parameters
    ----------
    posix_s : ndarray, shape (n,)
        Dates, rising. [s]
    ready : ndarray, shape (n,)
        Chance that it stands every condition of its use. [-]
    with_room : ndarray, shape (n,)
        Chance that it does and comes out of its timber too. [-]
    needed : float
        Of `ready`, for `square`. [-]
    needed_with_room : float
        Of `with_room`, for `square`. [-]
    """

    posix_s: Floats
    ready: Floats
    with_room: Floats
    needed: float
    needed_with_room: float

    def square(self) -> datetime | None:
        """Return the first date on which both chances are high enough; None where there is none."""
        sure = (self.ready >= self.needed) & (self.with_room >= self.needed_with_room)
        at = np.flatnonzero(sure)
        return None if at.size == 0 else datetime.fromtimestamp(float(self.posix_s[at[0]]), UTC)

    def shifted(self, at_s: Floats, made: NDArray[np.bool_], nothing: NDArray[np.bool_]) -> Chances:
        """Return the chances with a plan's own difference laid upon them.

        Of the plan's members that are ready if nothing is done, some stay so with something done; of the
        others, some become so. The verdict's chance is split in the same way.

        Parameters
        ----------
        at_s : ndarray, shape (k,)
            Dates of the plan. [s]
        made, nothing : ndarray of bool, shape (k, m)
            Which of the plan's members are ready with something done, and if nothing is done.

        Returns
        -------
        Chances
            On the dates of both. Beyond the verdict's last date its chance goes on as the plan's does.

        References
        ----------
        Law of total probability.
        """
        dates = np.union1d(self.posix_s, at_s)
        last = float(self.posix_s[-1])
        beyond = dates > last
        then = np.broadcast_to(
            nothing[max(0, int(np.searchsorted(at_s, last, side="right")) - 1)], made.shape
        )
        later = [np.interp(dates, at_s, each) for each in _split(then, nothing)]
        parts = [np.interp(dates, at_s, each) for each in _split(nothing, made)]

        def laid(told: Floats) -> Floats:
            on = np.interp(dates, self.posix_s, told)
            on = np.where(beyond, later[0] * on + later[1] * (1 - on), on)
            return np.asarray(parts[0] * on + parts[1] * (1 - on))

        return replace(self, posix_s=dates, ready=laid(self.ready), with_room=laid(self.with_room))


def _split(before: NDArray[np.bool_], after: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Share of the members ready before that are so after, and of those not ready; (k,) each.

    Where there are none, nothing is known of a change, and none is supposed.
    """
    count = before.sum(axis=1)
    stays = np.where(count > 0, (before & after).sum(axis=1) / np.maximum(count, 1), 1.0)
    rest = before.shape[1] - count
    comes = np.where(rest > 0, (~before & after).sum(axis=1) / np.maximum(rest, 1), 0.0)
    return stays, comes
