"""Every number that was not read in a published source, in one list with the place where it is used."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from importlib import resources
from typing import Final

from baulk.models import schedules, species
from baulk.models.species_table import UNITS

SEEN: Final = frozenset({"read", "read (secondary)", "computed", "measured"})
# words with which the row of a use class says that not all of it was read
_UNREAD_WORDS: Final = ("no source", "remembered", "from memory", "recalled")
# of the priors of a fit; the rest are logarithms, factors and shares
_PRIOR_UNITS: Final = {
    **dict.fromkeys(("meter_bias", "emc_offset", "gap_offset", "saturation", "misfit", "misfit_core"), "%"),
    "scale_drift": "% of weight in a year",
    "slope": "1/%",
    "activation": "J/mol",
    "dried_mm": "mm",
}
_IN_CONSTANTS: Final = frozenset(
    {"start", "heartwood_mm", "ahead", "ahead_core"}
)  # priors whose numbers constants.csv holds
_USE_CLASS_VALUES: Final = {
    "service_low_pct": "%",
    "service_high_pct": "%",
    "tolerance_mm_per_150": "mm per 150 mm",
    "max_mc_at_squaring_pct": "%",
    "dry_season_mm_per_150": "mm per 150 mm",
    "damp_season_mm_per_150": "mm per 150 mm",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """One number of the models and where it comes from.

    Parameters
    ----------
    table : str
        File in `baulk/models/data`, or name in the code, that holds or lists it.
    name : str
        What it belongs to: a wood, a use class, or the module that uses it.
    quantity : str
        Which of its quantities.
    value, unit : str
        The number as written, and its unit.
    source : str
        Where it was read, or that it was not.
    mark : str
        "read", "read (secondary)", "computed" or "measured" for what was seen; "memory" or "common practice"
        for what was not.
    """

    table: str
    name: str
    quantity: str
    value: str
    unit: str
    source: str
    mark: str


def every() -> tuple[Value, ...]:
    """List all values of the tables, and the constants in the code that were not read.

    Returns
    -------
    tuple of Value
        In the order of the tables: species, use classes, schedules, priors of the fit, constants.
    """
    woods = (
        Value(
            table=species.FILE,
            name=row["species"],
            quantity=row["quantity"],
            value=row["value"],
            unit=row["unit"],
            source=row["source"],
            mark=row["mark"],
        )
        for row in species.rows()
        if row["quantity"] in UNITS  # names and kinds are words, not numbers
    )
    return (*woods, *_use_classes(), *_schedules(), *_priors(), *_constants())


def not_read() -> tuple[Value, ...]:
    """List the values that nobody looked up: from memory, or custom without a source.

    Returns
    -------
    tuple of Value
        Those of `every` whose mark is none of the seen ones.
    """
    return tuple(each for each in every() if each.mark not in SEEN)


def _use_classes() -> list[Value]:
    return [
        Value(
            table="use_classes.csv",
            name=row["name"],
            quantity=quantity,
            value=row[quantity],
            unit=unit,
            source=row["source"],
            mark=_unread(row["source"]) or row["mark"],
        )
        for row in _read("use_classes.csv")
        for quantity, unit in _USE_CLASS_VALUES.items()
        if row.get(quantity)
    ]


def _schedules() -> list[Value]:
    return [
        Value(
            table=schedules.FILE,
            name=f"{step.species} {step.thickness_mm:g} mm",
            quantity=f"driest air above {step.above_mc_pct:g} % mean moisture content",
            value=f"{step.emc_pct:g}",
            unit="% EMC",
            source=step.cited,
            mark=step.mark,
        )
        for step in schedules.steps()
    ]


def _priors() -> list[Value]:
    from baulk.models.calibrate import parameters  # noqa: PLC0415 - it brings the solvers with it, the other tables don't

    return [
        Value(
            table="calibrate.parameters.PARAMETERS",
            name=each.name,
            quantity="standard deviation of its prior",
            value=f"{each.sd:.4g}",
            unit=_PRIOR_UNITS.get(each.name, "-"),
            source=each.source,
            mark=_unread(each.source) or "read (secondary)",
        )
        for each in parameters.PARAMETERS
        if each.name not in _IN_CONSTANTS
    ]


def _constants() -> list[Value]:
    return [
        Value(
            table="constants.csv",
            name=row["constant"],
            quantity=row["what"],
            value=row["value"],
            unit=row["unit"],
            source=row["source"],
            mark=row["mark"],
        )
        for row in _read("constants.csv")
    ]


def _unread(source: str) -> str | None:
    """Give the mark of a row of which at least one value was not read: the whole row then counts as such."""
    return "common practice" if any(word in source for word in _UNREAD_WORDS) else None


def _read(name: str) -> list[dict[str, str]]:
    text = (resources.files("baulk.models.data") / name).read_text(encoding="utf-8")
    return list(csv.DictReader(io.StringIO(text)))
