"""The air that a place may expect, and the air a timber has lain in where nobody measured it.

In this order: the place's own record, month by month and hour by hour; where a month has fewer than fourteen
days of it, the settings' typical year or twelve monthly values; where there is neither, the nearest
month or the mean of what there is. Of an own record the newest five years count.
All hours and months are those of UTC, for only a repeating pattern is wanted.

No year is like another. How far the mean of a month lies from its usual one is taken from the own record
where it has a month twice or more, held to the usual spread as long as it has few (two or three years say
little about their own spread: drawing again from them would promise too much); else the usual spread alone.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from baulk.ingest.config import Config
from baulk.ingest.errors import ConfigError
from baulk.models import air_scenarios
from baulk.models.air import AirSeries
from baulk.models.constants import DAY_S, Floats
from baulk.models.errors import OutOfRange
from baulk.models.reason import Reason, Values
from baulk.models.sorption import emc_pct
from baulk.models.sorption import rh_pct as rh_for_emc_pct

STEP_S: Final = 6 * 3600.0
DAYS_FOR_A_MONTH: Final = 14
GAP_S: Final = 3 * DAY_S  # a longer gap in the record is filled from the season
OWN_YEARS: Final = 5
USUAL_COUNTS_FOR: Final = 4  # years that the usual spread counts for beside the own ones; our own judgement


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Season:
    """Mean air of each month and hour.

    Parameters
    ----------
    temp_c, rh_pct : ndarray, shape (12, 24)
        January and midnight first; from hourly records the humidity is the one that gives the mean of the
        hours' equilibrium moisture contents, which lies above that of the mean humidity. [degC, %]
    own_months : int
        How many months come from the place's own record.
    known : bool
        Whether any month is more than the mean of a short record.
    spread : Spread
        How far the mean of a month may lie from the one told here. [degC, %]
    months : tuple of int
        Those months, 0 for January.
    filled : {"settings", "nearest", "mean"}
        What stands in for the others: the settings' climate, the nearest of those months, or the mean of a
        short record.
    """

    temp_c: Floats
    rh_pct: Floats
    own_months: int
    known: bool
    spread: air_scenarios.Spread = field(default_factory=air_scenarios.usual_spread)
    months: tuple[int, ...] = ()
    filled: Literal["settings", "nearest", "mean"] = "settings"

    def between(self, first_s: float, last_s: float) -> AirSeries:
        """Six-hourly air from one moment to another.

        Parameters
        ----------
        first_s, last_s : float
            POSIX seconds, the first not after the last. [s]

        Returns
        -------
        AirSeries
            At least one value. [degC, %]
        """
        at_s = np.arange(first_s, max(last_s, first_s) + 1, STEP_S)
        month, hour = _month(at_s), _hour(at_s)
        return AirSeries(posix_s=at_s, temp_c=self.temp_c[month, hour], rh_pct=self.rh_pct[month, hour])

    def years(self, first_s: float, last_s: float, count: int = air_scenarios.YEARS) -> tuple[AirSeries, ...]:
        """Six-hourly air of several possible futures, as different as years are.

        Parameters
        ----------
        first_s, last_s : float
            POSIX seconds, the first not after the last. [s]
        count : int
            How many.

        Returns
        -------
        tuple of AirSeries
            Their mean is that of `between`. [degC, %]
        """
        temp, rh, temp_sd, rh_sd = (
            np.asarray(each, dtype=np.float64).tobytes()
            for each in (self.temp_c, self.rh_pct, self.spread.temp_c, self.spread.rh_pct)
        )
        return _years(temp, rh, temp_sd, rh_sd, first_s, last_s, count)


# The timbers of a round ask for the same three sets of years of their place. By value, since in a worker each
# timber brings a season of its own; so many sets are about 3 MB
@lru_cache(maxsize=6)
def _years(  # noqa: PLR0913, PLR0917 - a season by value
    temp_c: bytes,
    rh_pct: bytes,
    temp_sd_c: bytes,
    rh_sd_pct: bytes,
    first_s: float,
    last_s: float,
    count: int,
) -> tuple[AirSeries, ...]:
    temp, rh = (np.frombuffer(each).reshape(12, 24) for each in (temp_c, rh_pct))
    mean = Season(temp_c=temp, rh_pct=rh, own_months=0, known=False).between(first_s, last_s)
    spread = air_scenarios.Spread(temp_c=np.frombuffer(temp_sd_c), rh_pct=np.frombuffer(rh_sd_pct))
    return air_scenarios.several(mean, spread, count=count)


def season(
    own: AirSeries | None, config: Config, place: str = "the timber's place", *, unpaired: bool = False
) -> Season:
    """Gather what the place and the settings know of the year.

    Parameters
    ----------
    own : AirSeries or None
        The place's own record.
    config : Config
        Settings with or without a climate.
    place : str
        Whose air it is, for what a person is told.
    unpaired : bool
        Whether it has readings, but no temperature with a humidity near it in time, which is said.

    Returns
    -------
    Season
        Twelve months of 24 hours.

    Raises
    ------
    OutOfRange
        If there is neither a record nor a climate in the settings.
    """
    temp, rh = _configured(config)
    filled: Literal["settings", "nearest", "mean"] = "settings"
    record = _recent(own) if own is not None else None
    mine = _own(record) if record is not None else {}
    if temp is None or rh is None:
        if own is None:
            if unpaired:
                raise OutOfRange(
                    f"the air of {place}",
                    "has no temperature with a humidity within half an hour of it; measure both together, or "
                    "type both on the page Shop air",
                )
            raise OutOfRange(
                f"the air of {place}",
                "is not known at all; type it on the page Shop air, hang a sensor there, or give the "
                "settings a [climate] with twelve months",
            )
        temp, rh = _rest(own, mine)
        filled = "nearest" if mine else "mean"
    temp, rh = temp.copy(), rh.copy()
    for month, (warm, damp) in mine.items():
        temp[month], rh[month] = warm, damp
    return Season(
        temp_c=temp,
        rh_pct=np.clip(rh, 0, 100),
        own_months=len(mine),
        known=len(mine) >= 6 or config.climate.temp_c is not None or config.climate.typical_year is not None,
        spread=_spread(record, mine),
        months=tuple(sorted(mine)),
        filled=filled,
    )


def past(own: AirSeries | None, year: Season, *, since_s: float, now_s: float) -> AirSeries:
    """Air of a place from a moment to now: its record, with the season before it and in its long gaps.

    Parameters
    ----------
    own : AirSeries or None
        The record.
    year : Season
        What stands in.
    since_s, now_s : float
        From and to. [s]

    Returns
    -------
    AirSeries
        Without a gap longer than three days. [degC, %]
    """
    parts = [year.between(since_s, now_s)]
    if own is not None:
        inside = (own.posix_s >= since_s) & (own.posix_s <= now_s)
        at_s = own.posix_s[inside]
        if at_s.size:
            marks = np.concatenate([[since_s - 1], at_s, [now_s + 1]])
            wide = np.flatnonzero(np.diff(marks) > GAP_S)
            filled = np.zeros(parts[0].posix_s.size, dtype=bool)
            for i in wide:
                filled |= (parts[0].posix_s > marks[i] + STEP_S * (i > 0)) & (parts[0].posix_s < marks[i + 1])
            every_s, first = np.unique(
                np.append(at_s, parts[0].posix_s[filled]), return_index=True
            )  # where both have a moment, the record's
            return AirSeries(
                posix_s=every_s,
                temp_c=np.append(own.temp_c[inside], parts[0].temp_c[filled])[first],
                rh_pct=np.append(own.rh_pct[inside], parts[0].rh_pct[filled])[first],
            )
    return parts[0]


def gap_reasons(own: AirSeries | None, place: str, *, since_s: float, now_s: float) -> list[Reason]:
    """Tell how much of the air since a moment nobody measured.

    Parameters
    ----------
    own : AirSeries or None
        The record of the place.
    place : str
        Its name.
    since_s, now_s : float
        From and to, POSIX seconds. [s]

    Returns
    -------
    list of Reason
        One, or none where no gap is longer than three days.
    """
    at_s = np.zeros(0) if own is None else own.posix_s[(own.posix_s >= since_s) & (own.posix_s <= now_s)]
    lengths = np.diff(np.concatenate([[since_s], at_s, [now_s]]))
    long_days = lengths[lengths > GAP_S] / DAY_S
    if not long_days.size:
        return []
    values: Values = {
        "place": place,
        "gaps": int(long_days.size),
        "days": float(long_days.sum()),
        "longest_days": float(long_days.max()),
    }
    return [Reason(code="climate.gaps", values=values)]


def _recent(own: AirSeries) -> AirSeries:
    new = slice(int(np.searchsorted(own.posix_s, own.posix_s[-1] - 366 * OWN_YEARS * DAY_S)), None)
    return AirSeries(posix_s=own.posix_s[new], temp_c=own.temp_c[new], rh_pct=own.rh_pct[new])


def _own(record: AirSeries) -> dict[int, tuple[Floats, Floats]]:
    """Hourly means of the months that the record covers."""
    month, day = _month(record.posix_s), record.posix_s // DAY_S
    return {
        number: _by_hour(record, month == number)
        for number in np.unique(month).tolist()
        if np.unique(day[month == number]).size >= DAYS_FOR_A_MONTH
    }


def _month(at_s: Floats) -> NDArray[np.int64]:
    """Month of the year, 0 to 11, UTC."""
    return np.asarray(_months(at_s) % 12)


def _months(at_s: Floats) -> NDArray[np.int64]:
    """Months since 1970, UTC."""
    return np.floor(at_s).astype(np.int64).astype("datetime64[s]").astype("datetime64[M]").astype(np.int64)


def _hour(at_s: Floats) -> NDArray[np.int64]:
    """Hour of the day, UTC."""
    return np.asarray((at_s % DAY_S // 3600).astype(np.int64))


def _spread(record: AirSeries | None, mine: dict[int, tuple[Floats, Floats]]) -> air_scenarios.Spread:
    """How far each month may lie from what is known of it.

    A month that was measured once is one draw itself, so the next one may lie further from it than from a
    mean of many years: by the root of 1 + 1 / years.
    """
    usual = air_scenarios.usual_spread()
    found = np.stack([usual.temp_c, usual.rh_pct], axis=1)
    if record is None:
        return usual
    every, number = np.unique(_months(record.posix_s), return_inverse=True)
    first = np.unique(record.posix_s // DAY_S, return_index=True)[1]
    whole = np.bincount(number[first], minlength=every.size) >= DAYS_FOR_A_MONTH
    count = np.bincount(number)
    means = np.stack([np.bincount(number, each) / count for each in (record.temp_c, record.rh_pct)], axis=1)
    for month in mine:
        same = means[whole & (every % 12 == month)]
        years = max(len(same), 1)
        own = same.var(axis=0, ddof=1) if years > 1 else np.zeros(2)
        variance = (USUAL_COUNTS_FOR * found[month] ** 2 + (years - 1) * own) / (USUAL_COUNTS_FOR + years - 1)
        found[month] = np.sqrt(variance * (1 + 1 / years))
    return air_scenarios.Spread(temp_c=found[:, 0], rh_pct=found[:, 1])


def _by_hour(record: AirSeries, some: NDArray[np.bool_] | slice = slice(None)) -> tuple[Floats, Floats]:
    """Mean of each hour of the day, between those that were measured a straight line."""
    temp_c, rh_pct = record.temp_c[some], record.rh_pct[some]
    hour = _hour(record.posix_s[some])
    count = np.bincount(hour, minlength=24)
    known = np.flatnonzero(count)
    temp, emc = (
        np.interp(np.arange(24), known, (np.bincount(hour, each, 24)[known] / count[known]))
        for each in (temp_c, _emc(temp_c, rh_pct))
    )
    return temp, _rh_of(temp, emc)


def _emc(temp_c: ArrayLike, rh_pct: ArrayLike) -> Floats:
    """Equilibrium moisture content; frost below the equation's range counts as its lowest temperature."""
    return emc_pct(np.clip(temp_c, air_scenarios.LOWEST_C, None), np.clip(rh_pct, 0, 100))


def _rh_of(temp_c: Floats, mean_emc_pct: Floats) -> Floats:
    """Humidity that gives a mean equilibrium moisture content."""
    temp = np.clip(temp_c, air_scenarios.LOWEST_C, None)
    return rh_for_emc_pct(temp, np.minimum(mean_emc_pct, emc_pct(temp, 100.0)))


def _rest(own: AirSeries, mine: dict[int, tuple[Floats, Floats]]) -> tuple[Floats, Floats]:
    """Fill every month with the mean hour of the record, or with the nearest month that is known."""
    if not mine:
        warm, damp = _by_hour(own)
        return np.tile(warm, (12, 1)), np.tile(damp, (12, 1))
    known = sorted(mine)
    temp, rh = np.empty((12, 24)), np.empty((12, 24))
    for month in range(12):
        near = min(known, key=lambda k: min(abs(k - month), 12 - abs(k - month)))
        temp[month], rh[month] = mine[near]
    return temp, rh


def _configured(config: Config) -> tuple[Floats | None, Floats | None]:
    climate = config.climate
    if climate.typical_year is not None:
        return _typical_year(config.beside(climate.typical_year))
    if climate.temp_c is None or climate.rh_pct is None:
        return None, None
    return (
        np.repeat(np.array(climate.temp_c)[:, None], 24, axis=1),
        np.repeat(np.array(climate.rh_pct)[:, None], 24, axis=1),
    )


def _typical_year(path: Path) -> tuple[Floats, Floats]:
    """Read a CSV with the columns temp_c and rh_pct, one row an hour from the first of January."""
    import pandas as pd  # noqa: PLC0415 - a third of the memory of what forecasts, for one kind of setting

    try:
        table = pd.read_csv(path)
    except (OSError, ValueError) as err:
        raise ConfigError(f"the typical year {path} can't be read: {err}") from err
    if not {"temp_c", "rh_pct"} <= set(table.columns) or not 8760 <= len(table) <= 8784:
        raise ConfigError(
            f"the typical year {path} needs the columns temp_c and rh_pct and "
            f"8760 hourly rows, not {len(table)}"
        )
    when = pd.Timestamp("2001-01-01") + pd.to_timedelta(np.arange(8760), unit="h")
    hours = table.iloc[:8760].assign(emc=lambda year: _emc(year["temp_c"], year["rh_pct"]))
    mean = hours.groupby([when.month, when.hour])[["temp_c", "emc"]].mean()
    temp, emc = (mean[name].to_numpy(float).reshape(12, 24) for name in ("temp_c", "emc"))
    return temp, _rh_of(temp, emc)
