"""Readings as rows: tables, the numbers of series, thinning."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np

from baulk.ingest.store.moments import DAY_US, to_us
from baulk.ingest.store.reading_body import body_of, reading_of
from baulk.ingest.store.rejected import Cause, Rejected
from baulk.ingest.store.statements import Row, Sql, Transaction
from baulk.ingest.wire.message import RawMessage
from baulk.models.air import AirSeries
from baulk.models.columns import Columns, Numbers, as_is, plain, telling
from baulk.models.constants import Floats
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series

if TYPE_CHECKING:
    import pandas as pd


Values = tuple[Floats, Floats]  # when they were taken [s], and what was read, by device time
_PAIR_S: Final = 1800  # temperature and humidity at most this far apart make one point of air


def rows_of(numbers: Iterable[int], readings: Iterable[Reading]) -> list[Row]:
    """Give the rows of readings, for `Sql.insert`; those of one message share their moments."""
    rows: list[Row] = []
    taken = arrived = None
    taken_us = arrived_us = 0
    for number, one in zip(numbers, readings, strict=True):
        if (at := one.taken_utc) is not taken:
            taken, taken_us = at, to_us(at)
        if (at := one.arrived_utc) is not arrived:
            arrived, arrived_us = at, to_us(at)
        flags = one.flags
        rows.append(
            (number, taken_us, float(one.value), arrived_us, one.source, ",".join(flags) if flags else "")
        )
    return rows


def flags_of(text: str) -> tuple[str, ...]:
    """Give back the flags of a row."""
    return tuple(text.split(",")) if text else ()


def columns_of_rows(rows: Sequence[tuple[str, int, float, int, str, str]]) -> Columns:
    """Make columns of rows: text of the series, taken, value, arrived, source, flags."""
    series = Numbers[Series](Series.parse)
    flags = Numbers[tuple[str, ...]](lambda text: telling(flags_of(text)))
    sources = Numbers[str](as_is)
    texts, taken_us, value, arrived_us, source, flagged = zip(*rows, strict=True) if rows else [()] * 6
    numbers = (
        [series[each] for each in texts],
        [flags[each] for each in flagged],
        [sources[each] for each in source],
    )
    return plain(
        (series.kinds, flags.kinds, sources.kinds),
        numbers,
        np.array(taken_us, np.float64) / 1e6,
        np.array(arrived_us, np.float64) / 1e6,
        np.array(value, np.float64),
    )


def clash(reading: Reading, stored: float, zone: tzinfo | None) -> Rejected:
    """Make a message of a reading whose time is taken by another value; the shop's clock tells the time.

    The sentence holds the values in the unit that is stored; `events.clash` has them in the reader's.
    """
    asked = f"{reading.series} at {reading.taken_utc.astimezone(zone):%Y-%m-%d %H:%M:%S}"
    payload = json.dumps(body_of(reading)).encode()
    raw = RawMessage(
        topic=str(reading.series), payload=payload, arrived_utc=reading.taken_utc
    )  # the device's time, so that a second delivery makes the same row
    unit = "°C" if reading.unit == "degC" else reading.unit
    reason = f"{asked} is stored as {stored:g} {unit} already and came again as {reading.value:g} {unit}"
    return Rejected(raw=raw, reason=reason, cause=Cause.CLASH)


def clashing(raw: RawMessage) -> Reading | None:
    """Give the reading of a message that `clash` made; None of any other."""
    try:
        return reading_of({"source": SENSOR, "flags": (), **json.loads(raw.payload)}, raw.arrived_utc)
    except (ValueError, KeyError, TypeError, AttributeError, BaulkError):
        return None


def refused(reading: Reading, why: str) -> Rejected:
    """Make a message of a reading that the store's server will not have."""
    return Rejected(raw=clash(reading, reading.value, None).raw, reason=why, cause=Cause.REFUSED)


def table(taken_us: Iterable[int], value: Iterable[float], flags: Iterable[str]) -> pd.DataFrame:
    """Make the table that `Store.read` gives."""
    import pandas as pd  # noqa: PLC0415 - the listener makes no tables

    return pd.DataFrame(
        {
            "posix_s": np.fromiter(taken_us, dtype=np.float64) / 1e6,
            "value": np.fromiter(value, dtype=np.float64),
            "flags": pd.Series(list(flags), dtype=object),
        }
    )


def daily_table(rows: Iterable[tuple[str, int, float, int]]) -> pd.DataFrame:
    """Make the table that `Store.daily_means` gives of series, days since 1970, means and counts."""
    import pandas as pd  # noqa: PLC0415 - the listener makes no tables

    found = pd.DataFrame(list(rows), columns=["series", "posix_s", "mean", "count"])
    found["posix_s"] = found["posix_s"].astype(np.float64) * 86400
    return found.sort_values(["series", "posix_s"], ignore_index=True)


def join_air(place: str, temp: Values, humidity: Values) -> AirSeries:
    """Join each temperature with the humidity taken nearest to it, at most half an hour apart."""
    (at_s, temp_c), (moist_s, rh_pct) = temp, humidity
    after = np.searchsorted(moist_s, at_s, side="right")
    ends = np.concatenate([[-np.inf], moist_s, [np.inf]])
    before_s, after_s = at_s - ends[after], ends[after + 1] - at_s
    near = np.where(before_s <= after_s, after - 1, after)
    paired = np.minimum(before_s, after_s) <= _PAIR_S
    if not paired.any():
        raise OutOfRange(
            f"the air of {place!r}",
            "has no temperature with a humidity near it in time; publish or enter both first",
        )
    return AirSeries(posix_s=at_s[paired], temp_c=temp_c[paired], rh_pct=rh_pct[near[paired]].clip(0, 100))


class SeriesList:
    """Which series have readings.

    Parameters
    ----------
    sql : Sql
        The shop's database.
    """

    def __init__(self, sql: Sql) -> None:
        self._sql = sql
        self._generation = -1
        self._numbers: dict[Series, int] = {}

    def numbers(self, at: Transaction, readings: Sequence[Reading]) -> list[int]:
        """Give the number of each reading's series, which is entered if it is new."""
        every = {id(one.series): one.series for one in readings}  # to hash each reading's would take longer
        known = {number: self.number(at, series) for number, series in every.items()}
        return [known[id(one.series)] for one in readings]

    def _look_again(self) -> None:
        if self._generation != self._sql.generation:
            self._numbers.clear()
            self._generation = self._sql.generation

    def number(self, at: Transaction, series: Series) -> int:
        """Give the number of a series, which is entered if it is new."""
        self._look_again()
        found = self._numbers.get(series)
        if found is None:
            values = {"text": str(series), "owner": series.owner.value, "name": series.name}
            at.run(
                "INSERT INTO series (text, owner, name) VALUES (:text, :owner, :name) ON CONFLICT DO NOTHING",
                values,
            )
            ((found,),) = at.run("SELECT id FROM series WHERE text = :text", {"text": values["text"]})
            self._numbers[series] = found
        return found

    def listed(self, owner: Owner | None, name: str | None) -> list[Series]:
        """Give the series of an owner and a name, or all, by their text."""
        given = {"owner": owner.value if owner else None, "name": name}
        values = {each: value for each, value in given.items() if value is not None}
        only = "".join(f" AND {each} = :{each}" for each in values)  # so that an index is of use
        rows = self._sql.ask(f"SELECT text FROM series WHERE 1 = 1{only}", values)  # noqa: S608 - ours
        return [_parsed(text) for text in sorted(text for (text,) in rows)]


@lru_cache(maxsize=10_000)  # a watch asks for all of them after every reading
def _parsed(text: str) -> Series:
    return Series.parse(text)


SENSOR: Final = "mqtt"  # the source of readings that thinning may take; what a person took or brought stays
MARK: Final = "thinned"
EVERY_US: Final[Mapping[str, int]] = {"hourly": DAY_US // 24, "daily": DAY_US}


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What thinning does to one series.

    Parameters
    ----------
    kept : dict of int to str
        Device times of the readings that now stand for others, with their new flags.
    gone : list of int
        Device times of the readings that go.
    """

    kept: dict[int, str]
    gone: list[int]


def thinned(rows: Iterable[tuple[int, float, str]], every_us: int) -> Plan:
    """Choose among readings of one series (device time, value, flags) the lower median of each stretch."""
    stretches: dict[int, list[tuple[float, int, str]]] = {}
    for taken, value, flags in rows:
        stretches.setdefault(taken // every_us, []).append((value, taken, flags))
    kept: dict[int, str] = {}
    gone: list[int] = []
    for those in stretches.values():
        if len(those) == 1:
            continue
        those.sort()
        middle = (len(those) - 1) // 2
        _, taken, flags = those[middle]
        kept[taken] = flags if MARK in flags.split(",") else f"{flags},{MARK}".strip(",")
        gone += [each for k, (_, each, _) in enumerate(those) if k != middle]
    return Plan(kept=kept, gone=sorted(gone))
