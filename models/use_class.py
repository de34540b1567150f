"""Where a finished piece will live: service moisture, tolerated movement, whether it may stay wet.

The table is common practice as far as it is not printed anywhere, so a shop may correct it or add to it: rows
of the same form in a `use_classes.csv` of its own take the place of the built-in ones of the same name. The
functions of this module ask the built-in table; a shop has a `UseClassTable` of its own, from `read_own`.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache, partial
from importlib import resources
from typing import Final

from baulk.models.errors import NoUseClass, OutOfRange
from baulk.models.table_cell import number

FILE: Final = "use_classes.csv"
COLUMNS: Final = (
    "name",
    "title",
    "service_low_pct",
    "service_high_pct",
    "tolerance_mm_per_150",
    "may_stay_wet",
    "max_mc_at_squaring_pct",
    "note",
    "source",
    "mark",
)
SEASONS: Final = ("dry_season_mm_per_150", "damp_season_mm_per_150")  # a table may end without them
MARKS: Final = frozenset({"read", "read (secondary)", "memory", "common practice"})


@dataclass(frozen=True, slots=True, kw_only=True)
class UseClass:
    """One row of the use class table.

    Parameters
    ----------
    name, title : str
        Key and the words a person reads.
    service_low_pct, service_high_pct : float
        Range of moisture content in service: its driest and its wettest season. [% of oven-dry mass]
    tolerance_mm_per_150 : float
        Movement after squaring that the use tolerates, for each 150 mm of the piece's larger side. [mm]
    may_stay_wet : bool
        Whether the piece may be squared green.
    max_mc_at_squaring_pct : float or None
        Largest mean moisture content the use allows when the piece is squared. [%]
    note, source, mark : str
        What the trade asks, where that is written, and how far to trust it. A length in the note is written
        ``{101.6 mm}`` and shown in the reader's units.
    dry_season_mm_per_150, damp_season_mm_per_150 : float or None
        Shrinkage from squaring to the driest season at which the use fails (joints and seams open), and
        swelling to its dampest one (parts bind or buckle), for each 150 mm as the tolerance; None where that
        season does not break it. [mm]
    """

    name: str
    title: str
    service_low_pct: float
    service_high_pct: float
    tolerance_mm_per_150: float
    may_stay_wet: bool
    max_mc_at_squaring_pct: float | None
    note: str
    source: str
    mark: str
    dry_season_mm_per_150: float | None = None
    damp_season_mm_per_150: float | None = None

    @property
    def service_mc_pct(self) -> float:
        """Middle of the service range, [%]."""
        return (self.service_low_pct + self.service_high_pct) / 2

    def tolerance_mm(self, width_mm: float, depth_mm: float) -> float:
        """Movement tolerated on a piece of this size.

        Parameters
        ----------
        width_mm, depth_mm : float
            Finished size; the larger side counts. [mm]

        Returns
        -------
        float
            Tolerated movement. [mm]
        """
        return self.tolerance_mm_per_150 * max(width_mm, depth_mm) / 150

    def season_limits_mm(self, width_mm: float, depth_mm: float) -> tuple[float | None, float | None]:
        """Shrinkage to the driest season, and swelling to the dampest, at which the use fails.

        Parameters
        ----------
        width_mm, depth_mm : float
            Finished size; the larger side counts. [mm]

        Returns
        -------
        (float or None, float or None)
            None where that season does not break it. [mm]
        """
        larger = max(width_mm, depth_mm)
        dry, damp = (
            None if each is None else each * larger / 150
            for each in (self.dry_season_mm_per_150, self.damp_season_mm_per_150)
        )
        return dry, damp


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UseClassTable:
    """The built-in use classes, and those that a shop adds to them or corrects.

    Parameters
    ----------
    own : mapping
        The shop's own rows by name.
    """

    own: Mapping[str, UseClass] = field(default_factory=dict)

    def names(self) -> tuple[str, ...]:
        """Names of every use class: the built-in ones in their order, then those the shop added."""
        return tuple(dict.fromkeys([*_table(), *self.own]))

    def get(self, name: str) -> UseClass:
        """Find a use class; the shop's own rows come before the built-in ones.

        Parameters
        ----------
        name : str
            Its key, in any case, with spaces or dashes.

        Returns
        -------
        UseClass
            The row.

        Raises
        ------
        NoUseClass
            If there is no such row; all keys are named.
        """
        key = name.strip().lower().replace(" ", "-")
        found = self.own.get(key) or _table().get(key)
        if found is None:
            raise NoUseClass(name, self.names())
        return found

    def every(self) -> tuple[UseClass, ...]:
        """Every use class, in the order of `names`."""
        return tuple(self.get(name) for name in self.names())


BUILT_IN: Final = UseClassTable()


def names() -> tuple[str, ...]:
    """Names of the built-in use classes; see `UseClassTable.names`."""
    return BUILT_IN.names()


def get(name: str) -> UseClass:
    """Find a built-in use class; see `UseClassTable.get`."""
    return BUILT_IN.get(name)


def read_own(text: str, where: str = FILE) -> UseClassTable:
    """Read a shop's own use classes beside the built-in ones.

    Parameters
    ----------
    text : str
        A CSV with the columns of `COLUMNS`, and those of `SEASONS` behind them or not.
    where : str, optional
        Name of the file, for the sentence of a refusal.

    Returns
    -------
    UseClassTable
        The built-in use classes and the shop's own.

    Raises
    ------
    OutOfRange
        If a column is missing or a line is not understood or impossible; the line is named.
    """
    return UseClassTable(own=_read(text, where))


def _read(text: str, where: str) -> dict[str, UseClass]:
    reader = csv.DictReader(io.StringIO(text.removeprefix("\ufeff")), skipinitialspace=True)
    columns = tuple(reader.fieldnames or ())
    if columns not in {COLUMNS, COLUMNS + SEASONS}:
        raise OutOfRange(
            "the use class table", f"({where} line 1) must begin with the columns {','.join(COLUMNS)}"
        )
    found: dict[str, UseClass] = {}
    for row in reader:
        at = f"({where} line {reader.line_num})"
        if None in row or any(row[column] is None for column in COLUMNS):
            raise OutOfRange(
                "the use class table",
                f"{at} needs {len(COLUMNS)} values; a comma inside one needs quotation marks",
            )
        use = _row({column: (value or "").strip() for column, value in row.items()}, at)
        if use.name in found:
            raise OutOfRange("the use class table", f"{at} names {use.name} a second time")
        found[use.name] = use
    return found


@cache
def _table() -> dict[str, UseClass]:
    return _read((resources.files("baulk.models.data") / FILE).read_text(encoding="utf-8"), FILE)


def _row(row: Mapping[str, str], at: str) -> UseClass:
    def refuse(why: str) -> OutOfRange:
        return OutOfRange("the use class table", f"{at} {why}")

    if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", row["name"]):
        raise refuse(f"has the name {row['name']!r}; use small letters, digits and dashes")
    if empty := [column for column in ("title", "note", "source") if not row[column]]:
        raise refuse(
            f"leaves {empty[0]} empty; say at least 'common practice, no source'"
            if empty[0] == "source"
            else f"leaves {empty[0]} empty"
        )
    if row["may_stay_wet"] not in {"yes", "no"}:
        raise refuse(f"answers may_stay_wet with yes or no, not {row['may_stay_wet']!r}")
    if row["mark"] not in MARKS:
        raise refuse(f"needs one of the marks {', '.join(sorted(MARKS))}, not {row['mark']!r}")
    cell = partial(number, row, refuse=refuse)
    low, high = (cell(f"service_{end}_pct", 2, 60) for end in ("low", "high"))
    if low >= high:
        raise refuse(f"gives a service range from {low:g} to {high:g} %; the lower end comes first")
    return UseClass(
        name=row["name"],
        title=row["title"],
        service_low_pct=low,
        service_high_pct=high,
        tolerance_mm_per_150=cell("tolerance_mm_per_150", 0.05, 50),
        may_stay_wet=row["may_stay_wet"] == "yes",
        max_mc_at_squaring_pct=cell("max_mc_at_squaring_pct", 4, 100)
        if row["max_mc_at_squaring_pct"]
        else None,
        note=row["note"],
        source=row["source"],
        mark=row["mark"],
        **{column: cell(column, 0.05, 50) if row.get(column) else None for column in SEASONS},
    )
