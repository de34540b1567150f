"""Weather ahead that the shop was given: read from a file, kept issue by issue, the newest wins.

A CSV with the columns `time,temp_c,rh_pct` (or `temp_f`), or JSON `{"issued": ..., "hours": [{"time": ...,
"temp_c": ..., "rh_pct": ...}]}`; times by ISO 8601 with their zone. No service is called.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import numpy as np

from baulk.ingest.shop import Shop
from baulk.models.air import AirSeries
from baulk.models.constants import DAY_S
from baulk.models.errors import OutOfRange

KEPT: Final = "weather-ahead/"  # of the notes, with the moment of issue
KEEP: Final = timedelta(days=400)  # for looking back
COLDEST_C, WARMEST_C = -60.0, 60.0  # that air outdoors has been; as [climate] takes it
LONGEST_S: Final = (
    16 * DAY_S
)  # further ahead weather tells nothing that the season does not; our own judgement
APART_S: Final = 12 * 3600.0  # a wider gap would hide a day; our own judgement
MOST_ROWS: Final = 2000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Issue:
    """Weather of some days ahead, as it was told at one moment.

    Parameters
    ----------
    issued_utc : datetime
        When it was told.
    air : AirSeries
        Outside. [degC, %]
    """

    issued_utc: datetime
    air: AirSeries


def read(content: str, now_utc: datetime) -> Issue:
    """Read a file of weather ahead.

    Parameters
    ----------
    content : str
        CSV or JSON.
    now_utc : datetime
        Now; the moment of issue where the file names none.

    Returns
    -------
    Issue
        Checked.

    Raises
    ------
    OutOfRange
        If it can't be read, or can't be weather; with the row.
    """
    if content.lstrip("\ufeff \r\n\t").startswith("{"):
        try:
            body = json.loads(content.lstrip("\ufeff"))
        except ValueError as err:
            raise OutOfRange("the weather", f"is no JSON: {err}") from err
        rows, issued = body.get("hours"), body.get("issued")
    else:
        rows, issued = list(csv.DictReader(io.StringIO(content.lstrip("\ufeff")))), None
    if not isinstance(rows, list) or not 2 <= len(rows) <= MOST_ROWS:
        raise OutOfRange("the weather", f"needs 2 to {MOST_ROWS} rows of time, temp_c and rh_pct")
    issued_utc = now_utc if issued is None else _moment(issued, "issued")
    if issued_utc > now_utc + timedelta(hours=1):
        raise OutOfRange(
            "the weather", f"was issued in the future, {issued_utc:%Y-%m-%d %H:%M} UTC; check it"
        )
    return Issue(issued_utc=issued_utc, air=_air(rows, now_utc))


def keep(shop: Shop, issue: Issue) -> None:
    """Keep an issue beside those before it; what is older than 400 days goes.

    Parameters
    ----------
    shop : Shop
        The open shop.
    issue : Issue
        The weather.
    """
    body = {name: getattr(issue.air, name).tolist() for name in ("posix_s", "temp_c", "rh_pct")}
    shop.store.note(KEPT + issue.issued_utc.astimezone(UTC).isoformat(), json.dumps(body).encode())
    for key in shop.store.notes(KEPT):
        if datetime.fromisoformat(key.removeprefix(KEPT)) < issue.issued_utc - KEEP:
            shop.store.forget(key)


def newest(shop: Shop, now_utc: datetime) -> Issue | None:
    """Give the issue that counts at a moment: the last one told by then that still reaches beyond it.

    Parameters
    ----------
    shop : Shop
        The open shop.
    now_utc : datetime
        The moment; an earlier one looks back.
    """
    found = {
        datetime.fromisoformat(key.removeprefix(KEPT)): body for key, body in shop.store.notes(KEPT).items()
    }
    for issued in sorted(found, reverse=True):
        if issued <= now_utc:
            parts = {name: np.array(each, dtype=float) for name, each in json.loads(found[issued]).items()}
            air = AirSeries(**parts)
            return Issue(issued_utc=issued, air=air) if air.posix_s[-1] > now_utc.timestamp() else None
    return None


def _air(rows: Sequence[Mapping[str, Any]], now_utc: datetime) -> AirSeries:
    at_s, temps, rhs = [], [], []
    for number, row in enumerate(rows, start=1):
        where = f"row {number} of the weather"
        if not isinstance(row, Mapping) or row.get("time") is None:
            raise OutOfRange(where, "needs a time")
        at_s.append(_moment(row["time"], where).timestamp())
        if row.get("temp_c") not in {None, ""}:
            temp = _number(row["temp_c"], where)
        elif row.get("temp_f") not in {None, ""}:
            temp = (_number(row["temp_f"], where) - 32) / 1.8
        else:
            raise OutOfRange(where, "needs temp_c or temp_f")
        rh = _number(row.get("rh_pct"), where)
        if not COLDEST_C <= temp <= WARMEST_C:
            raise OutOfRange(where, f"has {temp:.1f} °C; air outdoors lies between -60 and 60")
        if not 0 <= rh <= 100:
            raise OutOfRange(where, f"has {rh:g} % RH; it lies between 0 and 100")
        temps.append(temp)
        rhs.append(rh)
    gaps = np.diff(at_s)
    if np.any(gaps <= 0) or np.any(gaps > APART_S):
        raise OutOfRange("the weather", "needs times that increase, at most 12 hours apart")
    if at_s[-1] <= now_utc.timestamp():
        raise OutOfRange("the weather", "lies all in the past; give a newer issue")
    if at_s[-1] - now_utc.timestamp() > LONGEST_S:
        raise OutOfRange(
            "the weather", "reaches more than 16 days ahead, where the season is as good; cut it off"
        )
    return AirSeries(posix_s=np.array(at_s), temp_c=np.array(temps), rh_pct=np.array(rhs))


def _moment(text: object, where: str) -> datetime:
    try:
        found = datetime.fromisoformat(str(text))
    except ValueError as err:
        raise OutOfRange(where, f"has no time like 2026-11-27T06:00+00:00, but {text!r}") from err
    if found.tzinfo is None:
        raise OutOfRange(where, f"has a time without a zone, {text!r}; write +00:00 or Z behind it")
    return found.astimezone(UTC)


def _number(value: object, where: str) -> float:
    try:
        found = float(str(value))
    except ValueError as err:
        raise OutOfRange(where, f"has no number, but {value!r}") from err
    if not np.isfinite(found):
        raise OutOfRange(where, f"has no number, but {value!r}")
    return found
