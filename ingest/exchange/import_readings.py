"""Bringing readings in from a file: first a look at what would happen, then the same file again, for good.

They go through the checks of a message. What can't be true is refused with its line; a value at a time that
is taken by another one is named, and kept in quarantine by the store. The same reading twice is stored once,
so that a file may be brought in again after a stop or with more rows in it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.ingest import checks, correction_notes, corrections, known_places, plausibility
from baulk.ingest.correction_notes import Correction
from baulk.ingest.exchange.csv_file import Sheet, Source, folded, open_sheet
from baulk.ingest.exchange.long_rows import LongForm, is_long
from baulk.ingest.exchange.reading_rows import Block, Can, Form, Parsed, Refused
from baulk.ingest.exchange.rejected_rows import RejectedFile
from baulk.ingest.exchange.wide_rows import WideForm
from baulk.ingest.shop import Shop
from baulk.ingest.store import Store
from baulk.ingest.store.moments import from_us
from baulk.ingest.wire.logger_columns import Logger
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.quantity import UNITS, Owner
from baulk.models.reading import Series
from baulk.models.text import events as event_text
from baulk.models.text import series as series_text
from baulk.models.units import default_length_unit

SHOWN: Final = 100  # sentences that a report keeps; counts are of all
_BATCH: Final = 5_000  # readings in a transaction: short enough for others to write in between
Told = Callable[[int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesCount:
    """What a file holds of one series.

    Parameters
    ----------
    series : str
        Which, as text.
    unit : str
        As stored.
    new, known, clash : int
        Readings that are new, that are stored already, and whose time is taken by another value.
    first_utc, last_utc : datetime
        From when to when.
    low, high : float
        Least and greatest value, as stored.
    """

    series: str
    unit: str
    new: int
    known: int
    clash: int
    first_utc: datetime
    last_utc: datetime
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingReport:
    """What would happen to the readings of a file, or did.

    Parameters
    ----------
    file : str
        Its name.
    rows, blank : int
        Rows of the file, and cells in which nothing stood.
    series : tuple of SeriesCount
        By series.
    refused : int
        Rows or cells that can't be brought in.
    refused_rows : tuple of Refused
        The first of them.
    clashes : tuple of str
        The first readings whose time is taken by another value, in words.
    corrected : int
        Readings that come with corrections which are not on record, those taken back too.
    unlikely : int
        Readings that can hardly be meant and are stored all the same.
    unlikely_rows : tuple of str
        The first of them, in words.
    notes : tuple of str
        What a person should know of how the file was read.
    stored : int or None
        How many were stored; None if nothing was to be.
    """

    file: str
    rows: int
    blank: int
    series: tuple[SeriesCount, ...]
    refused: int
    refused_rows: tuple[Refused, ...]
    clashes: tuple[str, ...]
    notes: tuple[str, ...]
    corrected: int = 0
    unlikely: int = 0
    unlikely_rows: tuple[str, ...] = ()
    stored: int | None = None

    @property
    def new(self) -> int:
        """How many are new."""
        return sum(each.new for each in self.series) + self.corrected


@dataclass(frozen=True, slots=True, kw_only=True)
class Bringing:
    """A file of readings that is understood as far as its headings.

    Parameters
    ----------
    sheet : Sheet
        The file.
    form : Form
        How its rows are read.
    """

    sheet: Sheet
    form: Form

    def look(
        self, shop: Shop, now_utc: datetime, *, rejected: Path | None = None, told: Told = lambda _: None
    ) -> ReadingReport:
        """Say what would happen; nothing is stored. The refused rows may go to a file."""
        tallies: dict[Series, _Tally] = {}
        rows = blank = refused = 0
        first: list[Refused] = []
        clashes: list[str] = []
        unlikely, odd, back, away = 0, list[str](), 0, correction_notes.taken_away(shop.store)
        right = gone = 0
        places = known_places.names(shop)
        with RejectedFile(rejected, self.sheet) as out:
            for part in self._parts(now_utc, told):
                rows, blank, refused = rows + part.rows, blank + part.blank, refused + len(part.refused)
                first += part.refused[: SHOWN - len(first)]
                out.add(part.refused)
                news = [chain for chain in part.corrected if self._is_news(shop, chain, away)]
                right += sum(chain[-1].now is not None for chain in news)
                gone += sum(chain[-1].now is None for chain in news)
                for found in part.blocks:
                    block = found.without(away)
                    back += len(found.taken_us) - len(block.taken_us)
                    if not len(block.taken_us):
                        continue
                    words = tallies.setdefault(block.series, _Tally()).count(block, shop)
                    clashes += words[: SHOWN - len(clashes)]
                    if block.series.owner is Owner.AIR and block.series.name not in places:
                        odd.append(f"line {block.lines[0]}: {NotFound('place', block.series.name, places)}")
                        places |= {block.series.name}
                        unlikely += 1
                    named = series_text.named(str(block.series), shop.config.shop.units)
                    for n, why in plausibility.odd_rows(shop, block.series, block.taken_us, block.values):
                        unlikely += 1
                        if len(odd) < SHOWN:
                            odd.append(f"line {block.lines[n]}: {named}: {why}")
        return ReadingReport(
            file=self.sheet.name,
            rows=rows,
            blank=blank,
            series=tuple(
                each.sum(series) for series, each in sorted(tallies.items(), key=lambda p: str(p[0]))
            ),
            refused=refused,
            refused_rows=tuple(first),
            clashes=tuple(clashes),
            notes=(
                *self.sheet.notes,
                *([_taken_back(back)] if back else ()),
                *([_corrected(right, gone)] if right + gone else ()),
            ),
            corrected=right + gone,
            unlikely=unlikely,
            unlikely_rows=tuple(odd),
        )

    def store(self, shop: Shop, now_utc: datetime, *, told: Told = lambda _: None) -> int:
        """Store what can be stored, some thousand readings at a time; return how many were new."""
        new, away = 0, correction_notes.taken_away(shop.store)
        for part in self._parts(now_utc, told):
            readings = [
                block.reading(n, now_utc) for block in part.blocks for n in range(len(block.taken_us))
            ]
            readings = correction_notes.left(readings, away)
            for start in range(0, len(readings), _BATCH):
                batch = readings[start : start + _BATCH]
                new += shop.store.append(checks.flag(batch, shop.store))
            for chain in part.corrected:
                if self._is_news(shop, chain, away):
                    new += _brought(shop, chain)
        return new

    @staticmethod
    def _is_news(
        shop: Shop, chain: Sequence[Correction], away: Mapping[correction_notes.Key, frozenset[float]]
    ) -> bool:
        """Whether corrections are not on record, and none of this shop's own took away what they left."""
        last = chain[-1].now
        return (last is None or bool(correction_notes.left([last], away))) and correction_notes.is_news(
            shop.store, chain
        )

    def bring(
        self, shop: Shop, now_utc: datetime, report: ReadingReport, *, told: Told = lambda _: None
    ) -> ReadingReport:
        """Store, and put into the report how many were stored."""
        return replace(report, stored=self.store(shop, now_utc, told=told))

    def _parts(self, now_utc: datetime, told: Told) -> Iterable[Parsed]:
        for rows in self.sheet.chunks(told):
            yield self.form.parse(rows, now_utc)


def of_logger(source: Source, logger: Logger, shop: Shop, *, name: str | None = None) -> Bringing:
    """Open the file of a data logger; its own words may stand above the headings."""
    time = folded(logger.time)
    sheet = open_sheet(source, lambda names: time in names, name=name, looked_for=repr(logger.time))
    if logger.zone is None and shop.config.shop.zone is not None:
        logger = logger.model_copy(update={"zone": shop.config.shop.zone})
    attached = shop.register.attachments()
    form = WideForm(sheet, logger, _tag(shop), _can(shop), attached, zone=shop.config.zone)
    return Bringing(sheet=sheet, form=form)


def of_long(
    source: Source, shop: Shop, *, zone: str | None = None, time_format: str = "iso", name: str | None = None
) -> Bringing:
    """Open a file with one reading a row."""
    sheet = open_sheet(
        source, is_long, name=name, looked_for="taken, value, unit and series, or tag with quantity"
    )
    form = LongForm(
        sheet,
        _tag(shop),
        _can(shop),
        bare=default_length_unit(shop.config.shop.units),
        zone=zone or shop.config.shop.zone,
        time_format=time_format,
    )
    return Bringing(sheet=sheet, form=form)


def _brought(shop: Shop, chain: Sequence[Correction]) -> int:
    """Store a reading with its corrections; where another value stands, it is kept in quarantine like any."""
    try:
        return corrections.bring(shop, chain)
    except OutOfRange:
        last = chain[-1].now
        return 0 if last is None else shop.store.append(checks.flag((last,), shop.store))


def _corrected(right: int, gone: int) -> str:
    told = [f"corrected readings {right}"] if right else []
    told += [f"readings that were taken back {gone}"] if gone else []
    return f"with what they were, who, when and why: {', '.join(told)}"


def _taken_back(count: int) -> str:
    return f"left out, for somebody took them back or corrected them: {count}"


def _can(shop: Shop) -> Can:
    return partial(plausibility.impossible_rows, shop)


def _tag(shop: Shop) -> Callable[[str], str]:
    known = {tag.lower(): tag for tag in shop.register.tags()}

    def tag(name: str) -> str:
        return known.get(name.lower()) or shop.register.get(name).tag

    return tag


@dataclass(slots=True)
class _Tally:
    """Counts of one series; remembers its times, for a file may hold one twice."""

    new: int = 0
    known: int = 0
    clash: int = 0
    low: float = np.inf
    high: float = -np.inf
    first_us: int = 2**62
    last_us: int = -(2**62)
    times: list[NDArray[np.int64]] = field(default_factory=list)
    values: list[NDArray[np.float64]] = field(default_factory=list)

    def count(self, block: Block, shop: Shop) -> list[str]:
        """Count a block, and word the readings whose time is taken by another value."""
        taken, values = block.taken_us, block.values
        least, most = int(taken.min()), int(taken.max())
        have_us, have = self._before(block.series, least, most, shop.store)
        unique, first = np.unique(taken, return_index=True)
        at = np.searchsorted(have_us, unique)
        there = np.zeros(len(unique), dtype=bool)
        inside = at < len(have_us)
        there[inside] = have_us[at[inside]] == unique[inside]
        held = values[first].copy()  # what is stored at each time, in the end
        held[there] = have[at[there]]
        stays = held[np.searchsorted(unique, taken)]
        fresh = np.zeros(len(taken), dtype=bool)
        fresh[first[~there]] = True
        clash = stays != values
        self.new += int(fresh.sum())
        self.clash += int(clash.sum())
        self.known += int((~fresh & ~clash).sum())
        self.low, self.high = min(self.low, float(values.min())), max(self.high, float(values.max()))
        self.times.append(unique[~there])
        self.values.append(held[~there])
        self.first_us, self.last_us = min(self.first_us, least), max(self.last_us, most)
        system, kind = shop.config.shop.units, block.series.quantity
        named, told = series_text.named(str(block.series), system), []
        for n in np.flatnonzero(clash)[:SHOWN]:
            both = float(stays[n]), float(values[n])
            kept, here = event_text.two_quantities(kind, both, UNITS[kind], system, shop.config.temperature)
            told.append(
                f"line {block.lines[n]}: {named} at "
                f"{from_us(int(taken[n])).astimezone(shop.config.zone):%Y-%m-%d %H:%M:%S} is stored as "
                f"{kept} already, here it is {here}"
            )
        return told

    def _before(
        self, series: Series, least: int, most: int, store: Store
    ) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Give what is stored, or stands higher up in the file, between two times; by time."""
        table = store.read(series, from_us(least), from_us(most))
        times = np.round(table["posix_s"].to_numpy(dtype=np.float64) * 1e6).astype(np.int64)
        values = table["value"].to_numpy(dtype=np.float64)
        if self.last_us < least or not self.times:  # as nearly always: files are in order
            return times, values
        times, values = np.concatenate([times, *self.times]), np.concatenate([values, *self.values])
        order = np.argsort(times, kind="stable")
        return times[order], values[order]

    def sum(self, series: Series) -> SeriesCount:
        """Give the counts."""
        return SeriesCount(
            series=str(series),
            unit=UNITS[series.quantity],
            new=self.new,
            known=self.known,
            clash=self.clash,
            first_utc=from_us(self.first_us),
            last_utc=from_us(self.last_us),
            low=self.low,
            high=self.high,
        )
