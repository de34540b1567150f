"""Readings as columns, and what the fit uses of a sensor: a robust value for each quarter of a day.

A sensor that speaks every minute tells a fit over months no more than the medians of its quarters of a day,
each with how many values it stands for and how far these lay apart. A quarter, not a whole day, because a
meter is corrected for the temperature of the wood, which follows the day. What a person read stays as it was
read, and so do weights, and what came so late that its clock may be wrong.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass, fields
from functools import cached_property
from typing import Any, Final, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from baulk.models.constants import DAY_S, Floats, Ints
from baulk.models.quantity import AT_DEPTH, Quantity
from baulk.models.reading import AT_LEAST, BY_HAND, Reading, Series, from_end_mm, sensor_of

_FEW_KINDS: Final = 1024  # counted rather than sorted; changes the cost alone
PART_S: Final = DAY_S / 4
LATE_S: Final = 30 * DAY_S  # a live message this late is a wrong clock; our own judgement, no source
LIVE: Final = "mqtt"  # source of what a device sent by itself
INDICATIVE: Final = frozenset({"indicative", "capacitance"})  # flags of a reading taken without pins
_IN_PARTS: Final = AT_DEPTH | {Quantity.WOOD_TEMP, Quantity.WIDTH, Quantity.DEPTH}

Mask = NDArray[np.bool_]
Kind = TypeVar("Kind", bound=Hashable)


@dataclass(frozen=True, kw_only=True, eq=False)
class Columns:
    """Readings of a timber or a place, a row each, or a row for those of a quarter of a day.

    Parameters
    ----------
    series : tuple of Series
        Where rows belong.
    flags : tuple of tuple of str
        Flags that rows have, of which a fit takes notice; see `telling`.
    sources : tuple of str
        Whence rows are.
    of, flagged, by : ndarray of int, shape (n,)
        Number of each row's series, flags and source in those tuples.
    taken_s : ndarray, shape (n,)
        When it was taken; of several the median, POSIX seconds. [s]
    arrived_s : ndarray, shape (n,)
        When it reached us; of several as `taken_s`. [s]
    value : ndarray, shape (n,)
        The value, of several the median, in the unit of its quantity.
    low, high : ndarray, shape (n,)
        The least and the greatest of those that it stands for, in the same unit.
    count : ndarray of int, shape (n,)
        How many those are, at least 1.
    """

    series: tuple[Series, ...]
    flags: tuple[tuple[str, ...], ...]
    sources: tuple[str, ...]
    of: Ints
    flagged: Ints
    by: Ints
    taken_s: Floats
    arrived_s: Floats
    value: Floats
    low: Floats
    high: Floats
    count: Ints

    def __len__(self) -> int:
        return self.value.size

    def __getitem__(self, rows: Mask | Ints | slice) -> Columns:
        """Return some of the rows."""
        parts = {name: getattr(self, name)[rows] for name in ROWS}
        return Columns(series=self.series, flags=self.flags, sources=self.sources, **parts)

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Text form of each of `series`."""
        return tuple(str(each) for each in self.series)

    @property
    def by_hand(self) -> Mask:
        """Whether a person took and entered it."""
        return self._chosen(self.by, [each == BY_HAND for each in self.sources])

    @property
    def live(self) -> Mask:
        """Whether a device sent it by itself."""
        return self._chosen(self.by, [each == LIVE for each in self.sources])

    def of_quantity(self, *wanted: Quantity) -> Mask:
        """Whether a row is of one of these quantities."""
        return self._chosen(self.of, [each.quantity in wanted for each in self.series])

    @staticmethod
    def _chosen(numbers: Ints, chosen: Sequence[bool]) -> Mask:
        return np.asarray(np.array([*chosen, False])[numbers])

    def in_parts(self) -> Columns:
        """Return the same with one row for each series, flags, source and quarter of a day, UTC.

        Returns
        -------
        Columns
            What a device or a file gave is gathered, all but weights and what came thirty days late or more;
            the rest stays. In order of time. What is gathered already stays as it is.
        """
        late = self.arrived_s - self.taken_s
        loose = (
            ~self.by_hand & self.of_quantity(*_IN_PARTS) & ~(self.live & (late > LATE_S)) & (self.count == 1)
        )
        if not loose.any():
            return self.in_order()
        some = self[loose]
        part = (some.taken_s // PART_S).astype(np.int64)
        kind = (some.of * len(self.flags) + some.flagged) * len(self.sources) + some.by
        keys = kind * (np.ptp(part) + 1) + part - part.min()
        _, firsts, group, count = np.unique(keys, return_index=True, return_inverse=True, return_counts=True)
        if firsts.size == len(some):  # one reading a quarter of a day
            return self.in_order()
        order = np.lexsort((some.value, group))
        ends = np.cumsum(count) - 1
        ranked = some.value[order]
        taken_s, value = medians(group, np.ones(group.size, np.int64), some.taken_s, some.value)
        gathered = Columns(
            series=self.series, flags=self.flags, sources=self.sources,
            of=some.of[firsts], flagged=some.flagged[firsts], by=some.by[firsts], taken_s=taken_s,
            arrived_s=np.where(count == 1, some.arrived_s[firsts], taken_s), value=value,
            low=ranked[ends - count + 1], high=ranked[ends], count=count,
        )  # fmt: skip
        begin = int(np.argmax(loose))  # mostly near the end, and what lies before need not be copied twice
        return together([self[:begin], self[begin:][~loose[begin:]], gathered])

    def in_order(self) -> Columns:
        """Return the rows in order of time, those of one moment in order of their series' names."""
        step = np.diff(self.taken_s)
        if bool(np.all(step > 0)):
            return self
        rank = np.argsort(np.argsort(np.array(self.names, dtype=np.str_), kind="stable"))[self.of]
        if bool(np.all((step > 0) | ((step == 0) & (np.diff(rank) >= 0)))):
            return self
        return self[np.lexsort((rank, self.taken_s))]


ROWS: Final = tuple(each.name for each in fields(Columns))[3:]
Readings = Columns | Iterable[Reading]


def telling(flags: Iterable[str]) -> tuple[str, ...]:
    """Return those of a reading's flags that the fit takes notice of, in order."""
    given = tuple(flags)
    return tuple(
        each
        for each in given
        if each == AT_LEAST
        or each in INDICATIVE
        or from_end_mm((each,)) is not None
        or sensor_of((each,)) is not None
    )


class Numbers(Generic[Kind]):
    """Numbers for what repeats down a column.

    Parameters
    ----------
    kept : callable
        From what stands in the column to what is kept of it; alike ones share a number.
    """

    def __init__(self, kept: Callable[[Any], Kind]) -> None:
        self._kept = kept
        self._known: dict[object, int] = {}
        self._kinds: dict[Kind, int] = {}

    def __getitem__(self, key: object) -> int:
        """Return the number of what stands in the column."""
        found = self._known.get(key)
        if found is None:
            found = self._known[key] = self._kinds.setdefault(self._kept(key), len(self._kinds))
        return found

    @property
    def kinds(self) -> tuple[Kind, ...]:
        """What is kept, by number."""
        return tuple(self._kinds)


def as_is(one: Any) -> Any:  # noqa: ANN401 - of any type
    """Return what was given."""
    return one


def columns_of(readings: Readings) -> Columns:
    """Return readings as columns, in the order given; columns as they are."""
    if isinstance(readings, Columns):
        return readings
    series, flags, sources = Numbers[Series](as_is), Numbers(telling), Numbers[str](as_is)
    rows = [
        (series[one.series], flags[one.flags], sources[one.source], one.taken_utc.timestamp(),
         one.arrived_utc.timestamp(), one.value)
        for one in readings
    ]  # fmt: skip
    of, flagged, by, taken, arrived, value = zip(*rows, strict=True) if rows else [()] * 6
    return plain(
        (series.kinds, flags.kinds, sources.kinds),
        (of, flagged, by),
        np.array(taken, np.float64),
        np.array(arrived, np.float64),
        np.array(value, np.float64),
    )


def plain(
    kinds: tuple[tuple[Series, ...], tuple[tuple[str, ...], ...], tuple[str, ...]],
    numbers: tuple[Sequence[int], Sequence[int], Sequence[int]],
    taken_s: Floats,
    arrived_s: Floats,
    value: Floats,
) -> Columns:
    """Return columns of which each row is one reading.

    Parameters
    ----------
    kinds : tuple of tuple
        Series, flags and sources that occur.
    numbers : tuple of sequence of int, each of length n
        Each row's number in those.
    taken_s, arrived_s : ndarray, shape (n,)
        When it was taken, and when it came. [s]
    value : ndarray, shape (n,)
        In the unit of its quantity.

    Returns
    -------
    Columns
        The same, each row standing for itself.
    """
    (series, flags, sources), (of, flagged, by) = kinds, (np.array(each, np.int64) for each in numbers)
    return Columns(
        series=series, flags=flags, sources=sources, of=of, flagged=flagged, by=by, taken_s=taken_s,
        arrived_s=arrived_s, value=value, low=value, high=value, count=np.ones(value.size, np.int64),
    )  # fmt: skip


def together(parts: Sequence[Columns]) -> Columns:
    """Return the rows of several as one, in order of time and of their series' names; at least one part."""
    series, flags, sources = Numbers[Series](as_is), Numbers[tuple[str, ...]](as_is), Numbers[str](as_is)
    of = [_renumbered(each.of, series, each.series) for each in parts]
    flagged = [_renumbered(each.flagged, flags, each.flags) for each in parts]
    by = [_renumbered(each.by, sources, each.sources) for each in parts]
    made = Columns(
        series=series.kinds, flags=flags.kinds, sources=sources.kinds, of=np.concatenate(of),
        flagged=np.concatenate(flagged), by=np.concatenate(by),
        **{name: np.concatenate([getattr(each, name) for each in parts]) for name in ROWS[3:]},
    )  # fmt: skip
    return made.in_order()


def _renumbered(column: Ints, numbers: Numbers[Any], kinds: Sequence[object]) -> Ints:
    return np.array([*(numbers[each] for each in kinds), 0], np.int64)[column]


def distinct(*columns: Ints) -> tuple[Ints, Ints]:
    """Return what stands side by side in columns of small numbers, each once, and which of these each row is.

    Parameters
    ----------
    *columns : ndarray of int, shape (n,)
        Numbers from 0 up, such as those of series and flags; at least one column.

    Returns
    -------
    found : ndarray of int, shape (k, number of columns)
        In order of the first column, then of the second, and so on.
    which : ndarray of int, shape (n,)
        Row of `found` that each is.
    """
    key, ends = np.zeros(columns[0].size, np.int64), [int(each.max(initial=0)) + 1 for each in columns]
    for each, end in zip(
        columns, ends, strict=True
    ):  # as one number: to compare rows takes thirty times as long
        key = key * end + each
    if math.prod(ends) > max(key.size, _FEW_KINDS):
        _, firsts, which = np.unique(key, return_index=True, return_inverse=True)
        return np.stack([each[firsts] for each in columns], axis=1), which
    there = np.bincount(key, minlength=1) > 0  # counted, not sorted
    return np.stack(np.unravel_index(np.flatnonzero(there), ends), axis=1), (np.cumsum(there) - 1)[key]


def medians(group: Ints, count: Ints, *values: Floats) -> list[Floats]:
    """Return the median of each group, each value counted as often as it stands for.

    Parameters
    ----------
    group : ndarray of int, shape (n,)
        Of each value, 0 to g - 1, none left out.
    count : ndarray of int, shape (n,)
        How many it stands for, at least 1.
    *values : ndarray, shape (n,)
        Values.

    Returns
    -------
    list of ndarray, shape (g,)
        Of each of the values; of an even number the mean of the middle two.
    """
    found = []
    total = np.bincount(group, weights=count)
    begun = np.cumsum(total) - total
    for each in values:
        order = np.lexsort((each, group))
        upto = np.cumsum(count[order])
        low = each[order[np.searchsorted(upto, begun + total / 2, side="left")]]
        high = each[order[np.searchsorted(upto, begun + total / 2, side="right")]]
        found.append(np.where(low == high, low, (low + high) / 2))
    return found
