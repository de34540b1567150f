"""When a part or depth of a timber comes down to a moisture content."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from baulk.ingest.evaluation import compute, gather
from baulk.ingest.shop import Shop
from baulk.models import air_scenarios, forecast
from baulk.models.forecast import Part


@dataclass(frozen=True, slots=True, kw_only=True)
class Reaching:
    """When a part or depth of one timber first comes down to a moisture content.

    Parameters
    ----------
    tag : str
        Which timber.
    where : str or float
        mean, shell, core, or a depth below the faces. [mm]
    below_pct : float
        The moisture content. [%]
    held : (float, float) or None
        Air that the shop is to hold from now on; None for the usual air of the season. [degC, %]
    quantiles : sequence of float
        Shares of the chances.
    dates_utc : sequence of datetime or None
        When it is reached in that share of the chances; None where not within the forecast.
    by_utc : datetime or None
        The date asked about.
    probability : float or None
        Chance of having reached it by that date.
    now_pct : sequence of float
        What it is now, at the same shares. [%]
    """

    tag: str
    where: str | float
    below_pct: float
    held: tuple[float, float] | None
    quantiles: Sequence[float]
    dates_utc: Sequence[datetime | None]
    by_utc: datetime | None
    probability: float | None
    now_pct: Sequence[float]


def reaching(  # noqa: PLR0913 - one an option
    opened: Shop,
    tag: str,
    now_utc: datetime,
    *,
    below_pct: float,
    where: Part | float,
    held: tuple[float, float] | None,
    by_utc: datetime | None,
) -> Reaching:
    """Work a timber out as `baulk forecast` does, and ask its ensemble; nothing is kept.

    Parameters
    ----------
    opened : Shop
        The open shop, only read.
    tag : str
        Which timber.
    now_utc : datetime
        Now.
    below_pct, where, held, by_utc
        As in `Reaching`.

    Returns
    -------
    Reaching
        The dates of its 64 members; no interpolation but a straight line within a week.
    """
    inputs = gather.gather(tag, opened, now_utc)
    fitted = compute.fitted_to(inputs)
    air = None if held is None else air_scenarios.held(*held, since_s=inputs.now_s)
    coming = compute.coming(inputs, fitted, air)
    found = forecast.reach(coming, where, below_pct)
    return Reaching(
        tag=inputs.timber.tag,
        where=where,
        below_pct=below_pct,
        held=held,
        quantiles=[float(each) for each in found.quantiles],
        dates_utc=found.dates_utc,
        by_utc=by_utc,
        probability=None if by_utc is None else found.by(by_utc),
        now_pct=[round(float(each), 2) for each in coming.quantiles_pct(where)[:, 0]],
    )
