"""Rows of a file as readings: a data logger's columns, or our own long form with one reading a row."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from baulk.ingest import checks
from baulk.ingest.correction_notes import Correction
from baulk.ingest.exchange.csv_file import Row
from baulk.ingest.store.moments import from_us, to_us
from baulk.ingest.wire import timestamps
from baulk.ingest.wire import units as wire_units
from baulk.ingest.wire.timestamps import TimeForm
from baulk.models.quantity import Owner, Scale
from baulk.models.reading import Reading, Series

SOURCE: Final = "import"
NUMBER: Final = re.compile(r"[+-]?(?:\d{1,40}(?:\.\d{0,40})?|\.\d{1,40})(?:[eE][+-]?\d{1,4})?")

Tag = Callable[[str], str]  # a tag as the register writes it; an unknown one is refused


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Readings of one series, and where each stood.

    Parameters
    ----------
    series : Series
        Which.
    lines : ndarray of int, shape (n,)
        Lines of the file.
    taken_us : ndarray of int64, shape (n,)
        Microseconds since 1970.
    values : ndarray, shape (n,)
        In the unit of the quantity.
    flags : mapping
        By index, where a row has any.
    """

    series: Series
    lines: NDArray[np.int64]
    taken_us: NDArray[np.int64]
    values: NDArray[np.float64]
    flags: Mapping[int, tuple[str, ...]] = field(default_factory=dict)

    def without(self, away: Mapping[tuple[Series, datetime], frozenset[float]]) -> Block:
        """Give the block without readings of these series, times and values."""
        keep = np.ones(len(self.values), dtype=bool)
        for (series, at), values in away.items():
            if series == self.series:
                keep &= (self.taken_us != to_us(at)) | ~np.isin(self.values, list(values))
        return self.only(keep)

    def only(self, keep: NDArray[np.bool_]) -> Block:
        """Give the block with those of its readings alone that are to be kept."""
        if keep.all():
            return self
        index = np.flatnonzero(keep).tolist()
        flags = {k: self.flags[n] for k, n in enumerate(index) if n in self.flags}
        return replace(
            self,
            lines=self.lines[keep],
            taken_us=self.taken_us[keep],
            values=self.values[keep],
            flags=flags,
        )

    def reading(self, n: int, arrived_utc: datetime) -> Reading:
        """Give one of them."""
        return Reading(
            series=self.series,
            value=float(self.values[n]),
            taken_utc=from_us(int(self.taken_us[n])),
            arrived_utc=arrived_utc,
            source=SOURCE,
            flags=self.flags.get(n, ()),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A row, or one column of it, that can't be brought in.

    Parameters
    ----------
    line : int
        Its line in the file.
    reason : str
        One sentence.
    column : str
        Heading of the cell, where it is only one.
    cells : tuple of str
        The whole row, to be mended.
    """

    line: int
    reason: str
    column: str = ""
    cells: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Parsed:
    """What some thousand rows say.

    Parameters
    ----------
    blocks : tuple of Block
        What can be true.
    refused : tuple of Refused
        What can't, in the order of lines.
    rows, blank : int
        Rows gone through, and cells in which nothing stood.
    corrected : tuple of tuple of Correction
        Readings that come with what they were before somebody put them right, or took them back.
    """

    blocks: tuple[Block, ...]
    refused: tuple[Refused, ...]
    rows: int
    blank: int
    corrected: tuple[tuple[Correction, ...], ...] = ()


class Form(Protocol):
    """A way to write readings into rows."""

    def parse(self, rows: Sequence[Row], now_utc: datetime) -> Parsed:
        """Read some rows."""


class Taken:
    """Rows that have a time; the others are refused."""

    def __init__(self, rows: Sequence[Row], at: int, form: TimeForm, now_utc: datetime, heading: str) -> None:
        self.refused = [Refused(line=r.line, reason=r.reason, cells=r.cells) for r in rows if r.reason]
        whole = [row for row in rows if not row.reason]
        taken_us, reasons = timestamps.read([row.cells[at] for row in whole], form, now_utc)
        for n, why in reasons.items():
            self.refused.append(Refused(line=whole[n].line, reason=why, column=heading, cells=whole[n].cells))
        fine = np.flatnonzero(taken_us != timestamps.NONE_US)
        self.rows = [whole[n] for n in fine]
        self.taken_us = taken_us[fine]


def owned(series: Series, tag: Tag) -> Series:
    """Give a series the tag as the register writes it."""
    if series.owner is Owner.AIR:
        return series
    known = tag(series.name)
    if known == series.name:
        return series
    return replace(series, name=known)


def numbers(texts: Sequence[str], scale: Scale, *, comma: bool) -> tuple[NDArray[np.float64], dict[int, str]]:
    """Read numbers and put them in our unit; where there is none, say why not, by index."""
    values, reasons = np.full(len(texts), np.nan), {}
    for n, text in enumerate(texts):
        plain = text.replace(",", ".") if comma and "." not in text else text
        if NUMBER.fullmatch(plain) and np.isfinite(value := float(plain)):
            values[n] = wire_units.convert(value, scale)
        else:
            shown = repr(text if len(text) <= 40 else text[:40] + "...")
            hint = "; write it with a decimal point and no thousands mark" if "," in text else ""
            reasons[n] = f"the value {shown} is not a number{hint}"
    return values, reasons


Can = Callable[
    [Series, NDArray[np.float64]], Iterable[tuple[int, str]]
]  # what can't be of its timber, and why


def impossible(series: Series, values: NDArray[np.float64], can: Can) -> Iterator[tuple[int, str]]:
    """Name what can't be true, of its quantity or its timber, in the words that a message would get."""
    yield from can(series, values)
    low, high = checks.POSSIBLE[series.quantity]
    epoch = from_us(0)
    for n in np.flatnonzero((values < low) | (values > high)):  # a gap (NaN) has its reason already
        one = Reading(series=series, value=float(values[n]), taken_utc=epoch, arrived_utc=epoch)
        yield int(n), checks.impossible(one) or ""
