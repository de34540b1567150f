"""What is asked of an InfluxDB 2 server in Flux: which points, in stretches of time that stay short."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from baulk.ingest.store.influx_client import Influx, flux
from baulk.ingest.store.influx_lines import MEASUREMENT, TAGS, moment, series_of, tags, us
from baulk.ingest.store.moments import DAY_US, to_us
from baulk.models.reading import Series

FIRST: Final = datetime(1900, 1, 1, tzinfo=UTC)
LAST: Final = datetime(2200, 1, 1, tzinfo=UTC)  # a device's clock may run ahead, and `now` leaves those out
FIRST_US: Final = to_us(FIRST)
LAST_US: Final = to_us(LAST)
PIVOT: Final = (
    '|> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")'
    ' |> drop(columns: ["_start", "_stop", "_measurement"])'
)
NAMED: Final = 20  # timbers and places that a question names; with more it asks for all of them
_MOST: Final = 32  # stretches of one batch
_GAP_US: Final = 3_600_000_000

Key = tuple[Series, int]  # of a reading: series and device time in microseconds


def is_(wanted: Mapping[str, str]) -> str:
    """Write that a row has these tags."""
    return " and ".join(f"r.{tag} == {flux(value)}" for tag, value in wanted.items())


def columns(*names: str) -> str:
    """Write a list of columns."""
    return "[" + ", ".join(flux(name) for name in names) + "]"


KEEP: Final = f"|> keep(columns: {columns('_time', '_value', *TAGS, 'kept')})"


def points(bucket: str, since_us: int, until_us: int, wanted: str, then: str = "") -> str:
    """Write a question for the points of a bucket from one moment to another, both included."""
    return (
        f"from(bucket: {flux(bucket)}) |> range(start: {moment(since_us)}, stop: {moment(until_us, 1)})"
        f" |> filter(fn: (r) => r._measurement == {flux(MEASUREMENT)} and {wanted}) {then}"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """A point that the server has.

    Parameters
    ----------
    key : tuple of (Series, int)
        Which reading.
    value : float
        Its value, in the unit of its quantity.
    kept : str
        Under which tag `kept` it lies.
    bucket : str
        In which bucket.
    """

    key: Key
    value: float
    kept: str
    bucket: str


def stored(influx: Influx, buckets: Iterable[str], keys: Sequence[Key]) -> Iterator[Stored]:
    """Give the points that lie under these keys, of more than one bucket or `kept` each of them.

    Only what was asked for is ever held, however much the server answers; and it is asked by stretches
    of time, so that one clock that says 2001 does not have it read 25 years of a whole yard.
    """
    wanted = set(keys)
    for since, until, names in _stretches(keys):
        for bucket in buckets:
            text = points(bucket, since, until, f'r._field == "value" and ({names})', KEEP)
            for taken, value, kept, *series in influx.ask_columns(
                text, bucket, ("_time", "_value", "kept", *TAGS)
            ):
                key = series_of(*series), us(taken)
                if key in wanted:
                    yield Stored(key=key, value=float(value), kept=kept, bucket=bucket)


def _stretches(keys: Sequence[Key]) -> Iterator[tuple[int, int, str]]:
    """Give spans of time and whom to ask for in each.

    A gap of an hour parts them; where that makes too many, a longer one. All timbers are asked for at
    once only within a day, else a few at a time.
    """
    for part in _parted(keys):
        owners = sorted({(one.owner.value, one.name) for one, _ in part})
        since, until = part[0][1], part[-1][1]
        if len(owners) > NAMED and until - since <= DAY_US:
            yield (
                since,
                until,
                " or ".join(f"({is_({'owner': each})})" for each in sorted({o for o, _ in owners})),
            )
            continue
        for start in range(0, len(owners), NAMED):
            some = owners[start : start + NAMED]
            yield (
                since,
                until,
                " or ".join(f"({is_({'owner': owner, 'named': name})})" for owner, name in some),
            )


def _parted(keys: Sequence[Key]) -> list[list[Key]]:
    ordered, gap = sorted(keys, key=lambda key: key[1]), _GAP_US
    while True:
        parts: list[list[Key]] = []
        for key in ordered:
            if parts and key[1] - parts[-1][-1][1] <= gap:
                parts[-1].append(key)
            else:
                parts.append([key])
        if len(parts) <= _MOST:
            return parts
        gap *= 6


def times(influx: Influx, bucket: str, series: Series, since_us: int, until_us: int) -> list[int]:
    """Give the times at which a bucket has points of a series."""
    text = points(bucket, since_us, until_us, f'r._field == "value" and {is_(tags(series))}', KEEP)
    return sorted({us(taken) for taken, _ in influx.ask_columns(text, bucket, ("_time", "kept"))})
