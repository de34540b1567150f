"""The first steps of published kiln schedules: the driest air that a wood stands while it is still wet.

Temperatures and thicknesses stand in the table as they are printed; the equilibrium moisture content of each
air is computed (ASHRAE psychrometrics at 101.325 kPa and Wood Handbook eq. 4-5; a test does it again). A wood
with a published schedule needs rows here and nothing else.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Final

from baulk.models.errors import OutOfRange
from baulk.models.table_cell import number

FILE: Final = "schedules.csv"
MARKS: Final = frozenset({"read", "read (secondary)", "memory"})
INCH_MM: Final = 25.4
_TEXT: Final = ("schedule", "species", "source", "where", "mark")
# what no schedule exceeds, so that a slip of the unit is seen: from, to
_BOUNDS: Final = {
    "thickness_in": (0.5, 12.0),
    "above_mc_pct": (10.0, 100.0),
    "dry_bulb_f": (50.0, 220.0),
    "depression_f": (0.0, 100.0),
    "rh_pct": (5.0, 100.0),
    "emc_pct": (2.0, 30.0),
}
COLUMNS: Final = ("schedule", "species", *_BOUNDS, "source", "where", "mark")
_MAY_BE_EMPTY: Final = frozenset({"rh_pct"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step of a published schedule.

    Parameters
    ----------
    schedule : str
        Its name.
    species : str
        Name in the species table.
    thickness_mm : float
        Boards that it was made for. [mm]
    above_mc_pct : float
        It holds while the wettest board is above this mean moisture content. [%]
    dry_bulb_f, depression_f : float
        The air as printed: dry bulb, and how far the wet bulb lies below it. [degF]
    rh_pct : float or None
        Relative humidity, where it is printed too. [%]
    emc_pct : float
        Equilibrium moisture content of that air. [%]
    source, where, mark : str
        What was printed, at which place in it, and "memory" where nobody has looked it up.
    """

    schedule: str
    species: str
    thickness_mm: float
    above_mc_pct: float
    dry_bulb_f: float
    depression_f: float
    rh_pct: float | None
    emc_pct: float
    source: str
    where: str
    mark: str

    @property
    def cited(self) -> str:
        """Source and place, with a word where it was not looked up."""
        return f"{self.source}, {self.where}{', from memory' if self.mark == 'memory' else ''}"


@cache
def steps() -> tuple[Step, ...]:
    """Every step of the built-in table, in its order."""
    return read((resources.files("baulk.models.data") / FILE).read_text(encoding="utf-8"))


def read(text: str, where: str = FILE) -> tuple[Step, ...]:
    """Read a table of schedules.

    Parameters
    ----------
    text : str
        A CSV with the columns of `COLUMNS`; the steps of one schedule stand together, wettest wood first.
    where : str, optional
        Name of the file, for the sentence of a refusal.

    Returns
    -------
    tuple of Step
        In the order of the table.

    Raises
    ------
    OutOfRange
        If a column is missing or a line is not understood or impossible; the line is named.
    """
    reader = csv.DictReader(io.StringIO(text.removeprefix("\ufeff")), skipinitialspace=True)
    if tuple(reader.fieldnames or ()) != COLUMNS:
        raise OutOfRange("the schedule table", f"({where} line 1) must begin with {','.join(COLUMNS)}")
    found: list[Step] = []
    for row in reader:
        at = f"({where} line {reader.line_num})"
        if None in row or None in row.values():
            raise OutOfRange(
                "the schedule table",
                f"{at} needs {len(COLUMNS)} values; a comma inside one needs quotation marks",
            )
        step = _step({column: value.strip() for column, value in row.items()}, at)
        before = [each for each in found if (each.schedule, each.species) == (step.schedule, step.species)]
        if before and before[-1].above_mc_pct <= step.above_mc_pct:
            raise OutOfRange("the schedule table", f"{at} is not for drier wood than the step before it")
        if before and before[-1].thickness_mm != step.thickness_mm:
            raise OutOfRange("the schedule table", f"{at} is for another thickness than the step before")
        found.append(step)
    return tuple(found)


def _step(row: Mapping[str, str], at: str) -> Step:
    def refuse(why: str) -> OutOfRange:
        return OutOfRange("the schedule table", f"{at} {why}")

    if empty := [column for column in _TEXT if not row[column]]:
        raise refuse(f"leaves {empty[0]} empty")
    if row["mark"] not in MARKS:
        raise refuse(f"needs one of the marks {', '.join(sorted(MARKS))}, not {row['mark']!r}")
    found = {
        column: number(row, column, *bounds, refuse)
        for column, bounds in _BOUNDS.items()
        if row[column] or column not in _MAY_BE_EMPTY
    }
    return Step(
        schedule=row["schedule"],
        species=row["species"],
        thickness_mm=found["thickness_in"] * INCH_MM,
        above_mc_pct=found["above_mc_pct"],
        dry_bulb_f=found["dry_bulb_f"],
        depression_f=found["depression_f"],
        rh_pct=found.get("rh_pct"),
        emc_pct=found["emc_pct"],
        source=row["source"],
        where=row["where"],
        mark=row["mark"],
    )
