"""Thinning at an InfluxDB 2 server: all series of some days in one question and one deletion."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import nullcontext
from dataclasses import dataclass
from typing import Final

from baulk.ingest.store.influx_client import AT_ONCE, Influx
from baulk.ingest.store.influx_lines import (
    AS_TAKEN,
    FIELDS,
    MEASUREMENT,
    TAGS,
    line,
    moment,
    reading,
    series_of,
    tags,
    us,
)
from baulk.ingest.store.influx_questions import FIRST_US, PIVOT, Key, points
from baulk.ingest.store.moments import DAY_US
from baulk.ingest.store.rows import EVERY_US, SENSOR, thinned
from baulk.ingest.store.turns import Turn
from baulk.models.quantity import Quantity

_AT_ONE_TIME: Final = 50_000  # readings of a slice: some 40 MB
_COLUMNS: Final = ("_time", "kept", *FIELDS, *TAGS)
Rows = dict[int, dict[str, tuple[str, ...]]]  # of a series: time -> kept -> row


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where readings lie.

    Parameters
    ----------
    influx : Influx
        The server.
    bucket, kept_bucket : str
        Where sensors' readings go, and where what stays for good; may be the same.
    turn : callable
        Gives a writer its turn alone.
    """

    influx: Influx
    bucket: str
    kept_bucket: str
    turn: Turn

    def of(self, kept: str) -> str:
        """Give the bucket of a tag `kept`."""
        return self.bucket if kept == AS_TAKEN else self.kept_bucket

    def rows(
        self,
        kinds: tuple[str, ...],
        span: tuple[int, int],
        names: tuple[str, ...],
        then: str,
        *,
        field: str = "",
    ) -> Iterator[tuple[str, ...]]:
        """Give the points of these tags `kept` in a span of time, weights never."""
        for bucket in dict.fromkeys((self.bucket, self.kept_bucket)):
            ours = [kind for kind in kinds if self.of(kind) == bucket]
            if not ours:
                continue
            wanted = " or ".join(f'r.kept == "{kind}"' for kind in ours)
            text = points(
                bucket,
                *span,
                f'r.quantity != "{Quantity.WEIGHT.value}" and ({wanted}){field}',
                then,
            )
            yield from self.influx.ask_columns(text, bucket, names)


def thin(place: Place, before_us: int, every_us: int, went: Callable[[list[Key]], None] | None) -> int:
    """Write what stays under a tag of its own, then delete the rest, slice by slice of whole days.

    Broken off in between, nothing is lost: the next time finds both and goes on. A slice is looked at and
    deleted in one turn, so that no reading that arrives in that moment goes with it. After it `went` is told
    what went; without `went` nothing goes, and what would is counted.
    """
    (to,) = (name for name, length in EVERY_US.items() if length == every_us)
    finer = (AS_TAKEN, *(name for name, length in EVERY_US.items() if length < every_us))
    gone = 0
    for since, until in _slices(place, finer, before_us):
        with nullcontext() if went is None else place.turn():
            keys = _thin_slice(place, finer, to, (since, until), preview=went is None)
        if went is not None and keys:
            went(keys)
        gone += len(keys)
    return gone


def _slices(place: Place, finer: tuple[str, ...], before_us: int) -> Iterator[tuple[int, int]]:
    """Give stretches of whole days that hold something to thin, each with not too much in it."""
    days: dict[int, int] = {}
    counted = '|> aggregateWindow(every: 1d, fn: count, createEmpty: false, timeSrc: "_start")'
    then = f'{counted} |> group(columns: ["_time"]) |> sum() |> group()'
    for text, number in place.rows(
        finer, (FIRST_US, before_us - 1), ("_time", "_value"), then, field=' and r._field == "value"'
    ):
        days[us(text)] = days.get(us(text), 0) + int(float(number))
    start: int | None = None
    end = held = 0
    for day, count in sorted(days.items()):
        if start is not None and held + count > _AT_ONE_TIME:
            yield start, end
            start, held = None, 0
        start = day if start is None else start
        end, held = min(day + DAY_US, before_us) - 1, held + count
    if start is not None:
        yield start, end


def _thin_slice(
    place: Place, finer: tuple[str, ...], to: str, span: tuple[int, int], *, preview: bool
) -> list[Key]:
    found: dict[tuple[str, ...], Rows] = {}
    for row in place.rows((*finer, to), span, _COLUMNS, PIVOT):
        if row[4] == SENSOR:
            found.setdefault(row[6:], {}).setdefault(us(row[0]), {})[row[1]] = row
    lines: list[str] = []
    over: list[tuple[tuple[str, ...], int]] = []
    gone: list[Key] = []
    for series, rows in found.items():
        at = {taken: each.get(to) or next(iter(each.values())) for taken, each in sorted(rows.items())}
        plan = thinned([(taken, float(row[2]), row[5]) for taken, row in at.items()], EVERY_US[to])
        gone += [(series_of(*series), taken) for taken in plan.gone]
        left = frozenset(plan.gone)
        for taken, row in at.items():
            if taken in left:
                over += [(series, taken)] if to in rows[taken] else []
            elif row[1] != to or plan.kept.get(taken, row[5]) != row[5]:
                lines.append(line(reading(_named(row, plan.kept.get(taken, row[5]))), to))
    if not preview:
        _put(place, finer, to, span, lines=lines, over=over)
    return gone


def _named(row: tuple[str, ...], flags: str) -> Mapping[str, str]:
    return {**dict(zip(_COLUMNS, row, strict=True)), "flags": flags}


def _put(  # noqa: PLR0913 - one slice
    place: Place,
    finer: tuple[str, ...],
    to: str,
    span: tuple[int, int],
    *,
    lines: list[str],
    over: list[tuple[tuple[str, ...], int]],
) -> None:
    """Write first; then delete what others stand for by now, and last what marks the slice as not done."""
    for start in range(0, len(lines), AT_ONCE):
        place.influx.write(place.kept_bucket, lines[start : start + AT_ONCE])
    for series, taken in over:
        having = {"_measurement": MEASUREMENT, **tags(series_of(*series)), "kept": to}
        place.influx.delete(place.kept_bucket, moment(taken), moment(taken, 1), having)
    for kept in finer:
        having = {"_measurement": MEASUREMENT, "kept": kept}
        place.influx.delete(place.of(kept), moment(span[0]), moment(span[1], 999), having)
