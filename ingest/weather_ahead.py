"""Weather ahead that the shop was given: read from a file, kept issue by issue, the newest wins.

A CSV with the columns `time,temp_c,rh_pct` (or `temp_f`), or JSON `{"issued": ..., "hours": [{"time": ...,
"temp_c": ..., "rh_pct": ...}]}`; times by ISO 8601 with their zone. The same JSON comes as a message on
``baulk/v1/SHOP/weather/ahead``, where it must say when it was issued. No service is called.
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
from baulk.ingest.store import Store
from baulk.ingest.wire import message
from baulk.ingest.wire.message import RawMessage
from baulk.models.air import AirSeries
from baulk.models.constants import DAY_S
from baulk.models.errors import OutOfRange

KEPT: Final = "weather-ahead/"  # of the notes, with the moment of issue
KEEP: Final = timedelta(days=400)  # for looking back
WHOLE: Final = timedelta(days=3)  # of those before, one a day is enough to look back on; our own judgement
COLDEST_C, WARMEST_C = -60.0, 60.0  # that air outdoors has been; as [climate] takes it
LONGEST_S: Final = (
    16 * DAY_S
)  # further ahead weather tells nothing that the season does not; our own judgement
APART_S: Final = 12 * 3600.0  # a wider gap would hide a day; our own judgement
MOST_ROWS: Final = 2000
_SHOWN: Final = 40  # letters of what can't be read


class Passed(OutOfRange):
    """Weather that was still ahead when it was told, and is no longer."""


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
        If it can't be read, or can't be weather; with the row. `Passed` if there is nothing else wrong than
        that it is old.
    """
    if content.lstrip("\ufeff \r\n\t").startswith("{"):
        try:
            body = json.loads(content.lstrip("\ufeff"))
        except (ValueError, RecursionError) as err:
            raise OutOfRange("the weather", f"is no JSON: {str(err)[:120]}") from err
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
    air = _air(rows, now_utc)
    if issued_utc < now_utc - timedelta(seconds=LONGEST_S):
        raise Passed("the weather", f"was issued at {issued_utc:%Y-%m-%d %H:%M} UTC; give a newer issue")
    return Issue(issued_utc=issued_utc, air=air)


def read_message(raw: RawMessage) -> Issue | None:
    """Read a message of weather ahead.

    Parameters
    ----------
    raw : RawMessage
        JSON as `read` takes it, with `issued`: the broker hands a retained one out again at each connection,
        and it must not pass for news.

    Returns
    -------
    Issue or None
        Checked; None for a retained one that has passed by now, which nobody sent anew.

    Raises
    ------
    WireError, OutOfRange
        As `read`, and if it is no text or does not say when it was issued.
    """
    content = message.text(raw.payload)
    if not content.lstrip().startswith("{") or '"issued"' not in content:
        raise OutOfRange("the weather", 'needs JSON with "issued" and "hours", so that an old one is known')
    try:
        return read(content, raw.now_utc)
    except Passed:
        if raw.retained:
            return None
        raise


def keep(shop: Shop, issue: Issue) -> None:
    """Keep an issue beside those before it: three days whole, then one a day, and none beyond 400 days.

    Parameters
    ----------
    shop : Shop
        The open shop.
    issue : Issue
        The weather.
    """
    body = {name: getattr(issue.air, name).tolist() for name in ("posix_s", "temp_c", "rh_pct")}
    shop.store.note(KEPT + issue.issued_utc.astimezone(UTC).isoformat(), json.dumps(body).encode())
    told = sorted(datetime.fromisoformat(key.removeprefix(KEPT)) for key in shop.store.notes(KEPT))
    last, stays = told[-1], {each.date(): each for each in told}  # the last of each day
    gone = [
        each for each in told if each < last - KEEP or (each < last - WHOLE and stays[each.date()] != each)
    ]
    if gone:
        shop.store.forget(*(KEPT + each.isoformat() for each in gone))


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


def told(store: Store, since_utc: datetime, now_utc: datetime) -> AirSeries | None:
    """Give the air outside that has been, as each issue told it for its first day; None if none did.

    Parameters
    ----------
    store : Store
        The shop's store.
    since_utc, now_utc : datetime
        From when, and until when.
    """
    found = sorted(
        (datetime.fromisoformat(key.removeprefix(KEPT)), body) for key, body in store.notes(KEPT).items()
    )
    rows: list[tuple[float, float, float]] = []
    ends = [*(issued for issued, _ in found[1:]), now_utc]
    for (issued, body), until in zip(found, ends, strict=False):
        first = max(issued, since_utc).timestamp()
        last = min(until, issued + timedelta(days=1), now_utc).timestamp()
        parts = json.loads(body)
        whole = zip(parts["posix_s"], parts["temp_c"], parts["rh_pct"], strict=True)
        rows += [row for row in whole if first <= row[0] < last]
    if not rows:
        return None
    posix_s, temp_c, rh_pct = np.array(rows, dtype=float).T
    return AirSeries(posix_s=posix_s, temp_c=temp_c, rh_pct=rh_pct)


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
        raise Passed("the weather", "lies all in the past; give a newer issue")
    if at_s[-1] - now_utc.timestamp() > LONGEST_S:
        raise OutOfRange(
            "the weather", "reaches more than 16 days ahead, where the season is as good; cut it off"
        )
    return AirSeries(posix_s=np.array(at_s), temp_c=np.array(temps), rh_pct=np.array(rhs))


def _moment(text: object, where: str) -> datetime:
    shown = repr(str(text)[:_SHOWN])
    try:
        found = datetime.fromisoformat(str(text))
        moved = found.astimezone(UTC)
    except (ValueError, OverflowError) as err:
        raise OutOfRange(where, f"has no time like 2026-11-27T06:00+00:00, but {shown}") from err
    if found.tzinfo is None:
        raise OutOfRange(where, f"has a time without a zone, {shown}; write +00:00 or Z behind it")
    return moved


def _number(value: object, where: str) -> float:
    try:
        found = float(str(value))
    except ValueError:
        found = np.nan
    if not np.isfinite(found):
        raise OutOfRange(where, f"has no number, but {str(value)[:_SHOWN]!r}")
    return found


def json_schema() -> dict[str, Any]:
    """Return the JSON schema of such a message."""
    moment, number = {"type": "string", "format": "date-time"}, {"type": "number"}
    hour = {
        "type": "object",
        "properties": {
            "time": moment,
            "temp_c": {**number, "minimum": COLDEST_C, "maximum": WARMEST_C},
            "temp_f": {**number, "minimum": COLDEST_C * 1.8 + 32, "maximum": WARMEST_C * 1.8 + 32},
            "rh_pct": {**number, "minimum": 0, "maximum": 100},
        },
        "required": ["time", "rh_pct"],
        "anyOf": [{"required": ["temp_c"]}, {"required": ["temp_f"]}],
    }
    return {
        "description": "The coming days' air outside, to baulk/v1/SHOP/weather/ahead, retained. [degC, %].",
        "type": "object",
        "properties": {
            "issued": {**moment, "description": "The newest that still reaches ahead counts."},
            "hours": {
                "description": "In order, at most 12 hours apart, none more than 16 days ahead.",
                "type": "array",
                "minItems": 2,
                "maxItems": MOST_ROWS,
                "items": hour,
            },
        },
        "required": ["issued", "hours"],
    }
