"""Where a finished piece will live: service moisture, tolerated movement, whether it may stay wet."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib import resources

from baulk.models.errors import NotFound


@dataclass(frozen=True, slots=True, kw_only=True)
class UseClass:
    """One row of the use class table.

    Parameters
    ----------
    name, title : str
        Key and the words a person reads.
    service_low_pct, service_high_pct : float
        Range of moisture content in service. [% of oven-dry mass]
    tolerance_mm_per_150 : float
        Movement after squaring that the use tolerates, for each 150 mm of the piece's larger side. [mm]
    may_stay_wet : bool
        Whether the piece may be squared green.
    max_mc_at_squaring_pct : float or None
        Largest mean moisture content the use allows when the piece is squared. [%]
    note, source, mark : str
        What the trade asks, where that is written, and how far to trust it.
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


@cache
def _table() -> dict[str, UseClass]:
    text = resources.files("baulk.models.data").joinpath("use_classes.csv").read_text(encoding="utf-8")
    return {
        row["name"]: UseClass(
            name=row["name"],
            title=row["title"],
            service_low_pct=float(row["service_low_pct"]),
            service_high_pct=float(row["service_high_pct"]),
            tolerance_mm_per_150=float(row["tolerance_mm_per_150"]),
            may_stay_wet=row["may_stay_wet"] == "yes",
            max_mc_at_squaring_pct=float(row["max_mc_at_squaring_pct"])
            if row["max_mc_at_squaring_pct"]
            else None,
            note=row["note"],
            source=row["source"],
            mark=row["mark"],
        )
        for row in csv.DictReader(text.splitlines())
    }


def names() -> tuple[str, ...]:
    """Names of every use class, in the order of the table.

    Returns
    -------
    tuple of str
        Keys that `get` takes.
    """
    return tuple(_table())


def get(name: str) -> UseClass:
    """Find a use class.

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
    NotFound
        If the table has no such row; the nearest keys are offered.
    """
    key = name.strip().lower().replace(" ", "-")
    if key not in _table():
        raise NotFound("use class", name, names())
    return _table()[key]
