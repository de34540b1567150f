"""What binds: every condition of a use with its own probability and date, and which of them decides."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import ArrayLike

from baulk.models.verdict.readiness import Path
from baulk.models.verdict.rule import What

Three = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """One condition that a squared piece has to stand.

    Parameters
    ----------
    what : str
        "settling" in service, "mean_limit" at squaring, "build", "dry_season" or "damp_season".
    probability : float
        Chance that it stands it, were it squared today. [-]
    date_utc : datetime or None
        First date on which that is sure enough for a yes; None beyond the horizon.
    spread_days : float
        Standard deviation of that date. [d]
    limit_mm : float or None
        Movement allowed; None where it is no matter of movement. [mm]
    largest_mm : (float, float, float) or None
        Movement that counts against the limit, were it squared today: 5, 50 and 95 % quantile. [mm]
    change_mm : (float, float, float) or None
        Change of its size by then, below 0 when it shrinks; the same quantiles. [mm]
    decides : bool
        Whether it is the one that the verdict hangs on.
    """

    what: What
    probability: float
    date_utc: datetime | None
    spread_days: float
    limit_mm: float | None
    largest_mm: Three | None
    change_mm: Three | None
    decides: bool = False


def quantiles(values: ArrayLike) -> Three:
    """Return the 5, 50 and 95 % quantiles."""
    low, middle, high = np.quantile(np.asarray(values), (0.05, 0.5, 0.95))
    return float(low), float(middle), float(high)


def of(found: Path) -> tuple[Stage, ...]:
    """Work out every condition of a piece, and which of them decides.

    Parameters
    ----------
    found : Path
        Movement ahead.

    Returns
    -------
    tuple of Stage
        None for a use that may stay wet. At most one decides: where some are not sure enough today, the one
        that is so last; of two that never are, the one less likely at its best. Where each is sure enough it
        is the least likely, unless they are not so together, today or on any day: then none is.

    References
    ----------
    None: counts over the members.
    """
    if found.rule.use.may_stay_wet:
        return ()
    stood = found.conditions()
    each = [_stage(found, what, stood[what]) for what in stood]
    together = float(found.probability()[0])
    open_ = [one for one in each if one.probability < found.rule.needed]
    if not open_ and together < found.rule.needed:
        return tuple(each)
    if all(one.date_utc for one in each) and found.date(found.rule.needed) is None:
        return tuple(each)  # each on some day, and never all on one
    last = max(
        open_ or each,
        key=lambda one: (
            one.date_utc is None,
            0.0 if one.date_utc is None else one.date_utc.timestamp(),
            -float(stood[one.what].mean(axis=1).max()) if one.date_utc is None else 0.0,
            -one.probability,
        ),
    )
    return tuple(replace(one, decides=one is last) for one in each)


def _stage(found: Path, what: What, stood: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> Stage:
    limit_mm, largest_mm, change_mm = _movement(found, what)
    return Stage(
        what=what,
        probability=float(stood[0].mean()),
        date_utc=found.first(stood, found.rule.needed),
        spread_days=found.spread_days(stood),
        limit_mm=limit_mm,
        largest_mm=largest_mm,
        change_mm=change_mm,
    )


def _movement(found: Path, what: What) -> tuple[float | None, Three | None, Three | None]:
    """Movement of a piece squared today that counts for a condition: limit, quantiles, signed change."""
    rule, section = found.rule, found.shape.section
    if what == "mean_limit":
        return None, None, None
    if what == "settling":
        moved = found.today(rule.service_mc_pct)
        return rule.tolerance_mm, quantiles(moved.largest_mm), quantiles(moved.size_change_mm)
    if what == "build":
        assert found.build is not None  # noqa: S101 - else it is no condition
        return rule.tolerance_mm, quantiles(found.build_mm[0]), quantiles(found.build.size_change_mm)
    dry_mm, damp_mm = rule.use.season_limits_mm(section.width_mm, section.depth_mm)
    if what == "dry_season":
        moved = found.today(rule.use.service_low_pct)
        return dry_mm, quantiles(moved.shrinkage_mm), quantiles(moved.size_change_mm)
    moved = found.today(rule.use.service_high_pct)
    return damp_mm, quantiles(moved.swelling_mm), quantiles(moved.size_change_mm)
