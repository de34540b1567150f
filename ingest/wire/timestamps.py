"""Times in a file: ISO 8601, a pattern, or seconds since 1970; without an offset in a zone that is declared.

An hour that a zone's clock skips or has twice is placed by the rule of `zone.placed`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from baulk.ingest.errors import ExchangeError, NoSuchHour
from baulk.ingest.wire import message
from baulk.ingest.wire.zone import placed, zone_of

if TYPE_CHECKING:
    import pandas as pd

NONE_US: Final = np.iinfo(np.int64).min
UNIX: Final = {"unix_s": 1_000_000, "unix_ms": 1_000}
_FROM, _UNTIL = (datetime(year, 1, 1, tzinfo=UTC).replace(tzinfo=None) for year in (1990, 2200))
# by the clock on the wall; others are refused whatever the zone
_ZONED: Final = re.compile(r"\d[T ]\d{2}[\d:.,]*[ ]?(?:Z|[+-]\d{2}(?::?\d{2})?)$", re.IGNORECASE)
_DIGITS: Final = re.compile(r"[+-]?\d{1,16}(?:\.\d{0,9})?")


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeForm:
    """How the times of a file are written.

    Parameters
    ----------
    format : str
        "iso", "unix_s", "unix_ms", or a pattern such as "%d/%m/%Y %H:%M".
    zone : str, optional
        Of times without an offset: Europe/Lisbon, UTC, or a fixed offset such as +01:00.
    """

    format: str = "iso"
    zone: str | None = None

    def __post_init__(self) -> None:
        if self.zone is not None:
            zone_of(self.zone)
        if self.format not in {"iso", *UNIX} and "%" not in self.format:
            raise ExchangeError(
                f"a time format is iso, unix_s, unix_ms or a pattern as %d/%m/%Y %H:%M, not {self.format!r}"
            )
        if "%" in self.format:
            import pandas as pd  # noqa: PLC0415 - every command reads the settings, few read such times

            try:
                pd.to_datetime(["2026-11-25"], format=self.format, errors="coerce")
            except (ValueError, re.error) as err:
                raise ExchangeError(f"the time format {self.format!r} is none: {err}") from err


def read(texts: Sequence[str], form: TimeForm, now_utc: datetime) -> tuple[NDArray[np.int64], dict[int, str]]:
    """Read times.

    Parameters
    ----------
    texts : sequence of str
        As they stand in the file.
    form : TimeForm
        How they are written.
    now_utc : datetime
        What is later, or before the year 2000, is refused.

    Returns
    -------
    taken_us : ndarray, shape (n,)
        Microseconds since 1970; `NONE_US` where there is no time.
    reasons : dict
        Why not, by index.

    Raises
    ------
    ExchangeError
        If a time has no zone and the form gives none.
    """
    import pandas as pd  # noqa: PLC0415

    plain = pd.Series(list(texts), dtype=object).str.strip()
    reasons: dict[int, str] = {}
    unique = plain.drop_duplicates()
    latest = now_utc + timedelta(seconds=message.AHEAD_S)
    found = (
        _unix(unique, UNIX[form.format], reasons)
        if form.format in UNIX
        else _written(unique, form, reasons, latest)
    )
    first, last = round(message.FIRST_POSIX_S * 1e6), round((now_utc.timestamp() + message.AHEAD_S) * 1e6)
    for at in np.flatnonzero((found != NONE_US) & ((found < first) | (found > last))):
        early = found[at] < first
        why = (
            "before the year 2000; was the device's clock set?"
            if early
            else "in the future; look at the date, its format and the time zone"
        )
        reasons[int(at)] = f"the time {_shown(unique.iloc[at])} lies {why}"
        found[at] = NONE_US
    where = pd.Index(unique).get_indexer(pd.Index(plain))
    spread = {int(n): reasons[int(k)] for n, k in enumerate(where) if int(k) in reasons} if reasons else {}
    return found[where], spread


def _unix(texts: pd.Series[str], scale: int, reasons: dict[int, str]) -> NDArray[np.int64]:
    out = np.full(len(texts), NONE_US, dtype=np.int64)
    for n, text in enumerate(texts):
        if _DIGITS.fullmatch(text) and abs(float(text)) * scale < 9e18:
            out[n] = round(float(text) * scale) if "." in text else int(text) * scale
        else:
            reasons[n] = f"the time {_shown(text)} is not a number of seconds since 1970"
    return out


def _written(
    texts: pd.Series[str], form: TimeForm, reasons: dict[int, str], latest: datetime
) -> NDArray[np.int64]:
    import pandas as pd  # noqa: PLC0415

    iso = form.format == "iso"
    zoned = (
        texts.str.contains(_ZONED).to_numpy(dtype=bool) if iso else np.full(len(texts), "%z" in form.format)
    )
    out = np.full(len(texts), NONE_US, dtype=np.int64)
    pattern = "ISO8601" if iso else form.format
    if zoned.any():
        out[zoned] = _micro(pd.to_datetime(texts[zoned], format=pattern, utc=True, errors="coerce"))
    bare = texts[~zoned]
    if len(bare):
        naive = pd.to_datetime(bare, format=pattern, errors="coerce")
        if form.zone is None and naive.notna().any():
            example = bare[naive.notna()].iloc[0]
            raise ExchangeError(
                f"the time {_shown(example)} has no time zone; say which clock it was: "
                "a zone such as Europe/Lisbon, UTC, or an offset such as +01:00"
            )
        if form.zone is not None:
            out[~zoned] = _placed(naive, bare, form.zone, np.flatnonzero(~zoned), reasons, latest)
    like = "2026-11-25 14:30" if iso else form.format
    for n in np.flatnonzero(out == NONE_US):
        text = texts.iloc[n]
        reasons.setdefault(
            int(n), f"the time {_shown(text)} does not look like {like}" if text else "the time is missing"
        )
    return out


def _placed(  # noqa: PLR0913, PLR0917 - of one caller
    naive: pd.Series[pd.Timestamp],
    texts: pd.Series[str],
    name: str,
    where: NDArray[np.int64],
    reasons: dict[int, str],
    latest: datetime,
) -> NDArray[np.int64]:
    """Put times on the clock of a zone; those that are not there, or there twice, are said."""
    zone = zone_of(name)
    whole = naive.dt.as_unit("us")
    times = whole.where(whole.between(_FROM, _UNTIL))
    on_clock = times.dt.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
    lost = np.flatnonzero((on_clock.isna() & times.notna()).to_numpy())
    out = _micro(on_clock.dt.tz_convert(UTC))
    for n in lost:
        try:
            at = placed(times.iloc[n].to_pydatetime(), zone, latest, said=str(texts.iloc[n])[:60])
        except NoSuchHour as err:
            reasons[int(where[n])] = str(err)
        else:
            out[n] = round(at.timestamp() * 1e6)
    return np.where(times.isna(), _micro(whole), out)


def _micro(times: pd.Series[pd.Timestamp]) -> NDArray[np.int64]:
    whole = times.dt.as_unit("us")
    return np.where(times.isna(), NONE_US, whole.astype("int64"))


def _shown(text: object) -> str:
    shown = repr(str(text))
    return shown if len(shown) <= 60 else shown[:57] + "...'"
