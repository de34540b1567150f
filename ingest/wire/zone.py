"""Times by the clock on the wall: one rule for files, messages and commands.

In a zone with summer time an hour in spring does not exist and one in autumn comes twice. Of two moments
the one that lies in the future is none. Where that leaves two, or none, it is said and never guessed: an
hour's error would be stored for good.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import Final
from zoneinfo import ZoneInfo

from baulk.ingest.errors import ExchangeError, NoSuchHour

_DATE: Final = len("2026-11-25")
_OFFSET: Final = re.compile(r"([+-])(\d{2}):?(\d{2})")


def zone_of(name: str) -> tzinfo:
    """Give a time zone by its name or its offset."""
    if name.upper() in {"UTC", "Z"}:
        return UTC
    if found := _OFFSET.fullmatch(name.strip()):
        minutes = int(found[2]) * 60 + int(found[3])
        if minutes <= 14 * 60:
            return timezone(timedelta(minutes=-minutes if found[1] == "-" else minutes))
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError) as err:
        raise ExchangeError(
            f"{name!r} is not a time zone; examples are Europe/Lisbon, UTC and +01:00"
        ) from err


def placed(
    naive: datetime, zone: tzinfo | None, latest_utc: datetime, *, said: str | None = None
) -> datetime:
    """Put a time on the clock of a zone.

    Parameters
    ----------
    naive : datetime
        Without a zone.
    zone : tzinfo or None
        The zone; None is this machine's.
    latest_utc : datetime
        What is later can't be meant, where there is another choice.
    said : str, optional
        The time as it was written, for the sentence.

    Returns
    -------
    datetime
        In UTC.

    Raises
    ------
    NoSuchHour
        If the clock skips that hour, or has it twice and both can be meant.
    """
    both = [_on(naive.replace(fold=fold), zone) for fold in (0, 1)]
    there = [one for one in dict.fromkeys(both) if one.astimezone(zone).replace(tzinfo=None) == naive]
    if len(there) == 2:
        there = [one for one in there if one <= latest_utc] or there[:1]
    if len(there) == 1:
        return there[0]
    twice = bool(there)
    what = (
        "comes twice there, when the clocks go back"
        if twice
        else "is not on that clock, which goes forward over it"
    )
    winter = timezone(naive.replace(tzinfo=UTC) - both[1 if twice else 0])
    offset = naive.replace(tzinfo=winter).isoformat()[-6:]
    shown = repr(said or f"{naive:%Y-%m-%d %H:%M}")
    raise NoSuchHour(
        f"the time {shown} in {zone or 'the zone of this machine'} {what}; write its offset behind it, or, "
        f"if the device keeps no summer time, name its fixed offset as the zone, such as {offset}"
    )


def written(text: str, zone: tzinfo | None, latest_utc: datetime) -> datetime:
    """Read a moment as a person writes it: a date, where its day begins, or a date and a time.

    Raises
    ------
    ValueError
        If it is none; `NoSuchHour` as `placed`.
    """
    at = datetime.fromisoformat(text.strip())
    if at.tzinfo is not None:
        return at.astimezone(UTC)
    if len(text.strip()) <= _DATE:
        return _on(at, zone)
    return placed(at, zone, latest_utc, said=text.strip())


def _on(naive: datetime, zone: tzinfo | None) -> datetime:
    return (naive if zone is None else naive.replace(tzinfo=zone)).astimezone(UTC)
