"""Rows of a species table (one value a row, with unit, source and mark) and the woods made of them."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from baulk.models.errors import OutOfRange
from baulk.models.strength import PROPERTIES, Pair, Strength

Row = dict[str, str]
COLUMNS: Final = ("species", "quantity", "value", "unit", "source", "mark")
MARKS: Final = frozenset({"read", "read (secondary)", "computed", "memory", "common practice"})
OWN_MARKS: Final = MARKS | {"measured"}
TEXT: Final = frozenset({"latin", "synonym", "group", "softwood", "dries_as_oak", "like"})
_YES_OR_NO: Final = frozenset({"softwood", "dries_as_oak"})
# names of a wood rather than values of it, so that there may be several; a group is a name for several woods
NAMES: Final = frozenset({"synonym", "group"})
# the strength quantities are written <property>_green and <property>_12, but the radial and tangential moduli
# at 12 % have been e_radial and e_tangential from the start
_AT_12: Final = {"e_radial": "e_radial", "e_tangential": "e_tangential"}
STRENGTHS: Final = tuple(
    quantity for name in PROPERTIES for quantity in (f"{name}_green", _AT_12.get(name, f"{name}_12"))
)
UNITS: Final = {
    "basic_density": "kg/m3",
    "fsp": "%",
    "shrinkage_onset": "%",
    "shrinkage_radial": "%",
    "shrinkage_tangential": "%",
    "shrinkage_volumetric": "%",
    "green_heartwood_mc": "%",
    "green_sapwood_mc": "%",
    "sapwood_width": "mm",
    "intersection": "%",
    "d_ref": "m2/s",
    "g_rt": "MPa",
    "nu_rt": "-",
    "resistance_intercept": "%",
    "resistance_slope": "%",
    "resistance_sd": "%",
} | dict.fromkeys(STRENGTHS, "MPa")
# what no wood exceeds, so that a slip of the unit is seen: (above, up to)
_BOUNDS: Final = {
    "basic_density": (80.0, 1300.0),
    "fsp": (12.0, 40.0),
    "shrinkage_onset": (12.0, 40.0),
    "shrinkage_radial": (0.0, 20.0),
    "shrinkage_tangential": (0.0, 25.0),
    "shrinkage_volumetric": (0.0, 35.0),
    "green_heartwood_mc": (15.0, 400.0),
    "green_sapwood_mc": (15.0, 400.0),
    "sapwood_width": (1.0, 400.0),
    "intersection": (12.0, 40.0),
    "d_ref": (1e-13, 1e-8),
    "nu_rt": (0.0, 1.0),
    "resistance_intercept": (10.0, 40.0),
    "resistance_slope": (-40.0, -5.0),
    "resistance_sd": (0.0, 10.0),
}
_RESISTANCE: Final = ("resistance_intercept", "resistance_slope", "resistance_sd")
_NOT_NEEDED: Final = frozenset(
    {"green_sapwood_mc", "sapwood_width", "shrinkage_volumetric", "intersection", *_RESISTANCE}
)
_ANY_INTERSECTION_PCT: Final = 25.0  # Wood Handbook Table 5-13, any other species


@dataclass(frozen=True, slots=True, kw_only=True)
class Species:
    """Properties of one wood that the models need.

    Parameters
    ----------
    name, latin : str
        Trade name as in the table, and botanical name.
    basic_density_kg_m3 : float
        Oven-dry mass by green volume. [kg/m3]
    fsp_pct : float
        Fibre saturation point. [%]
    shrinkage_onset_pct : float
        Moisture content at which the straight line of shrinkage begins. [%]
    shrinkage_radial_pct, shrinkage_tangential_pct : float
        Shrinkage from green to oven-dry. [% of the green dimension]
    green_heartwood_mc_pct : float
        Usual moisture content of heartwood when felled. [%]
    green_sapwood_mc_pct : float or None
        The same for sapwood, where a figure is known. [%]
    softwood : bool
        Whether it is a conifer.
    dries_as_oak : bool
        Whether a hardwood gives off its water as slowly as oak of its density: ring-porous woods, and those
        that are known for it. One whose table does not say counts so.
    d_ref_m2_s : float
        Transverse diffusion coefficient at 20 degC and 20 % moisture content, a prior good to a factor
        of two. [m2/s]
    elastic : tuple of float
        E radial, E tangential, G radial-tangential, and Poisson's ratio nu_RT (strain in T from stress in R),
        at 12 %. [MPa, MPa, MPa, -]
    shrinkage_volumetric_pct : float or None
        Shrinkage of the volume from green to oven-dry, where a figure is known. [% of the green volume]
    strength : Strength or None
        Stiffness and strength, green and at 12 %.
    resistance : tuple of float or None
        Intercept, slope and doubt of the resistance curve of `baulk.models.meter.resistance`. [%, %, %]
    sapwood_width_mm : float or None
        Usual width of the sapwood along the radius, where the wood has its own. [mm]
    """

    name: str
    latin: str
    basic_density_kg_m3: float
    fsp_pct: float
    shrinkage_onset_pct: float
    shrinkage_radial_pct: float
    shrinkage_tangential_pct: float
    green_heartwood_mc_pct: float
    green_sapwood_mc_pct: float | None
    softwood: bool
    d_ref_m2_s: float
    elastic: tuple[float, float, float, float]
    shrinkage_volumetric_pct: float | None = None
    strength: Strength | None = None
    dries_as_oak: bool = True
    resistance: tuple[float, float, float] | None = None
    sapwood_width_mm: float | None = None


def read(text: str, where: str) -> list[Row]:
    """Read the text of a table; every row is whole or the line is named.

    Parameters
    ----------
    text : str
        A CSV with the columns species, quantity, value, unit, source and mark.
    where : str
        Name of the file, for the sentence of a refusal.

    Returns
    -------
    list of dict
        The rows in order.

    Raises
    ------
    OutOfRange
        If columns are missing or a line has too few or too many.
    """
    reader = csv.DictReader(io.StringIO(text.removeprefix("\ufeff")), skipinitialspace=True)
    if tuple(reader.fieldnames or ()) != COLUMNS:
        raise OutOfRange(
            "the species table", f"({where} line 1) must begin with the columns {','.join(COLUMNS)}"
        )
    rows: list[Row] = []
    for row in reader:
        if None in row or None in row.values():
            raise broken(
                where,
                reader.line_num,
                f"needs {len(COLUMNS)} values; a comma inside one needs quotation marks",
            )
        rows.append({column: value.strip() for column, value in row.items()})
    return rows


def grouped(rows: Iterable[Row], where: str, *, marks: frozenset[str] = MARKS) -> dict[str, dict[str, str]]:
    """Check each row and gather the values of each wood, without its further names.

    Parameters
    ----------
    rows : iterable of dict
        From `read`.
    where : str
        Name of the file.
    marks : frozenset of str, optional
        Marks that a row may bear.

    Returns
    -------
    dict
        For each wood its quantities and their text.

    Raises
    ------
    OutOfRange
        If a row is not understood, impossible or given twice.
    """
    found: dict[str, dict[str, str]] = {}
    for number, row in enumerate(rows, start=2):
        _check(row, where, number, marks)
        values = found.setdefault(row["species"], {})
        if row["quantity"] not in NAMES:
            if row["quantity"] in values:
                raise broken(where, number, f"gives {row['quantity']} of {row['species']} twice")
            values[row["quantity"]] = row["value"]
    return found


def wood(name: str, values: Mapping[str, str]) -> Species:
    """Make a wood of its values.

    Parameters
    ----------
    name : str
        Trade name.
    values : mapping
        Quantity to its text, from `grouped`.

    Returns
    -------
    Species
        The wood.

    Raises
    ------
    OutOfRange
        If a needed value is missing, or two contradict each other.
    """
    needed = {"latin", "softwood", *UNITS} - _NOT_NEEDED - (set(STRENGTHS) - set(_AT_12))
    if missing := sorted(needed - values.keys()):
        raise OutOfRange("the species table", f"lacks {', '.join(missing)} of {name}; add the rows")
    v = {quantity: float(value) for quantity, value in values.items() if quantity not in TEXT}
    if v["shrinkage_radial"] > v["shrinkage_tangential"]:
        raise OutOfRange(
            "the species table",
            f"lets {name} shrink more radially ({v['shrinkage_radial']:g} %) than tangentially"
            f" ({v['shrinkage_tangential']:g} %); were the two mixed up?",
        )
    return Species(
        name=name,
        latin=values["latin"],
        basic_density_kg_m3=v["basic_density"],
        fsp_pct=v["fsp"],
        shrinkage_onset_pct=v["shrinkage_onset"],
        shrinkage_radial_pct=v["shrinkage_radial"],
        shrinkage_tangential_pct=v["shrinkage_tangential"],
        green_heartwood_mc_pct=v["green_heartwood_mc"],
        green_sapwood_mc_pct=v.get("green_sapwood_mc"),
        softwood=values["softwood"] == "yes",
        d_ref_m2_s=v["d_ref"],
        elastic=(v["e_radial"], v["e_tangential"], v["g_rt"], v["nu_rt"]),
        shrinkage_volumetric_pct=v.get("shrinkage_volumetric"),
        strength=_strength(name, v),
        dries_as_oak=values["softwood"] != "yes" and values.get("dries_as_oak", "yes") == "yes",
        resistance=_resistance(name, v),
        sapwood_width_mm=v.get("sapwood_width"),
    )


def broken(where: str, number: int, why: str) -> OutOfRange:
    """Make the error that names the line of a table.

    Parameters
    ----------
    where : str
        Name of the file.
    number : int
        Line in it, the heading being line 1.
    why : str
        The rest of the sentence.

    Returns
    -------
    OutOfRange
        To be raised.
    """
    return OutOfRange("the species table", f"({where} line {number}) {why}")


def _strength(name: str, v: Mapping[str, float]) -> Strength | None:
    if _whole(name, v, tuple(each for each in STRENGTHS if each not in _AT_12)) is None:
        return None
    pairs = {
        each: Pair(green=v[f"{each}_green"], dry=v[_AT_12.get(each, f"{each}_12")]) for each in PROPERTIES
    }
    return Strength(intersection_pct=v.get("intersection", _ANY_INTERSECTION_PCT), **pairs)


def _resistance(name: str, v: Mapping[str, float]) -> tuple[float, float, float] | None:
    found = _whole(name, v, _RESISTANCE)
    return None if found is None else (found[0], found[1], found[2])


def _whole(name: str, v: Mapping[str, float], wanted: tuple[str, ...]) -> tuple[float, ...] | None:
    """Give the values of a group that goes together: all of them or none."""
    missing = [each for each in wanted if each not in v]
    if len(missing) == len(wanted):
        return None
    if missing:
        raise OutOfRange(
            "the species table",
            f"lacks {', '.join(missing)} of {name}, which go with what it gives; add the rows",
        )
    return tuple(v[each] for each in wanted)


def _check(row: Row, where: str, number: int, marks: frozenset[str]) -> None:
    quantity = row["quantity"]
    if not row["species"]:
        raise broken(where, number, "needs the name of the wood first")
    if quantity not in UNITS and quantity not in TEXT:
        raise broken(where, number, f"has the unknown quantity {quantity!r}")
    if quantity in UNITS and row["unit"] != UNITS[quantity]:
        raise broken(where, number, f"gives {quantity} in {row['unit']!r}, not {UNITS[quantity]!r}")
    if row["mark"] not in marks or not row["source"]:
        raise broken(where, number, f"needs a source and one of the marks {', '.join(sorted(marks))}")
    if quantity in _YES_OR_NO and row["value"] not in {"yes", "no"}:
        raise broken(where, number, f"answers {quantity} with yes or no, not {row['value']!r}")
    if quantity in TEXT and not row["value"]:
        raise broken(where, number, f"leaves {quantity} empty")
    if quantity in UNITS:
        _check_number(row, where, number)


def _check_number(row: Row, where: str, number: int) -> None:
    quantity, text = row["quantity"], row["value"]
    try:
        value = float(text)
    except ValueError as err:
        raise broken(where, number, f"gives {quantity} as {text!r}, which is not a number") from err
    low, high = _BOUNDS.get(quantity, (0.0, 1e5))
    if not (math.isfinite(value) and low < value <= high):
        raise broken(where, number, f"gives {quantity} as {text}; it lies above {low:g} and up to {high:g}")
