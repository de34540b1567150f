"""The species table: every property of a wood, each value with its source and mark."""

from __future__ import annotations

import csv
import functools
import io
from dataclasses import dataclass
from importlib import resources
from typing import TYPE_CHECKING, Final

from baulk.models.errors import NotFound, OutOfRange

if TYPE_CHECKING:
    import pandas as pd

_TEXT: Final = frozenset({"latin", "synonym", "softwood"})
_UNITS: Final = {
    "basic_density": "kg/m3",
    "fsp": "%",
    "shrinkage_onset": "%",
    "shrinkage_radial": "%",
    "shrinkage_tangential": "%",
    "green_heartwood_mc": "%",
    "green_sapwood_mc": "%",
    "d_ref": "m2/s",
    "e_radial": "MPa",
    "e_tangential": "MPa",
    "g_rt": "MPa",
    "nu_rt": "-",
}
MARKS: Final = frozenset({"read", "read (secondary)", "computed", "memory"})


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
    d_ref_m2_s : float
        Transverse diffusion coefficient at 20 degC and 20 % moisture content, a prior good to a factor
        of two. [m2/s]
    elastic : tuple of float
        E radial, E tangential, G radial-tangential, and Poisson's ratio nu_RT (strain in T from stress in R),
        at 12 %. [MPa, MPa, MPa, -]
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


def get(name: str) -> Species:
    """Look a wood up by its name or a synonym, in any case.

    Parameters
    ----------
    name : str
        For instance "white oak" or "hackmatack".

    Returns
    -------
    Species
        Its properties.

    Raises
    ------
    NotFound
        If the table has no such name; the nearest are offered.
    """
    key = " ".join(name.lower().split())
    known = _by_name()
    if key not in known:
        raise NotFound("species", name, known)
    return known[key]


def names() -> tuple[str, ...]:
    """Every wood's own name, in the order of the table.

    Returns
    -------
    tuple of str
        Names that `get` knows, without the synonyms.
    """
    return tuple(_all())


def synonyms(name: str) -> tuple[str, ...]:
    """Other names of a wood.

    Parameters
    ----------
    name : str
        Any name that `get` knows.

    Returns
    -------
    tuple of str
        The synonyms in the table.
    """
    own = get(name).name
    return tuple(r["value"] for r in _rows() if r["species"] == own and r["quantity"] == "synonym")


def table() -> pd.DataFrame:
    """Give the whole table, one row a value.

    Returns
    -------
    pandas.DataFrame
        Columns species, quantity, value (text), unit, source and mark; the mark is "read" (seen in the
        source), "read (secondary)" (seen in a quotation or transcription), "computed" or "memory" (not
        seen).
    """
    import pandas as pd  # noqa: PLC0415 (slow to load, and only this function needs it)

    return pd.DataFrame(_rows())


@functools.cache
def _rows() -> list[dict[str, str]]:
    text = (resources.files("baulk.models.data") / "species.csv").read_text(encoding="utf-8")
    return list(csv.DictReader(io.StringIO(text)))


@functools.cache
def _all() -> dict[str, Species]:
    grouped: dict[str, dict[str, str]] = {}
    for number, row in enumerate(_rows(), start=2):
        _check(row, number)
        if row["quantity"] != "synonym":
            values = grouped.setdefault(row["species"], {})
            if row["quantity"] in values:
                raise _broken(number, f"gives {row['quantity']} of {row['species']} twice")
            values[row["quantity"]] = row["value"]
    return {name: _species(name, values) for name, values in grouped.items()}


@functools.cache
def _by_name() -> dict[str, Species]:
    woods = _all()
    known = {name.lower(): wood for name, wood in woods.items()}
    for number, row in enumerate(_rows(), start=2):
        if row["quantity"] == "synonym":
            key = row["value"].lower()
            if key in known:
                raise _broken(number, f"names {row['value']} a second time")
            known[key] = woods[row["species"]]
    return known


def _species(name: str, values: dict[str, str]) -> Species:
    needed = {"latin", "softwood", *_UNITS} - {"green_sapwood_mc"}
    if missing := sorted(needed - values.keys()):
        raise OutOfRange("the species table", f"lacks {', '.join(missing)} of {name}; add the rows")
    v = {quantity: float(value) for quantity, value in values.items() if quantity not in _TEXT}
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
    )


def _check(row: dict[str, str], number: int) -> None:
    quantity = row["quantity"]
    if quantity not in _UNITS and quantity not in _TEXT:
        raise _broken(number, f"has the unknown quantity {quantity!r}")
    if quantity in _UNITS and row["unit"] != _UNITS[quantity]:
        raise _broken(number, f"gives {quantity} in {row['unit']!r}, not {_UNITS[quantity]!r}")
    if row["mark"] not in MARKS or not row["source"]:
        raise _broken(number, f"needs a source and one of the marks {', '.join(sorted(MARKS))}")


def _broken(number: int, why: str) -> OutOfRange:
    return OutOfRange("the species table", f"(species.csv line {number}) {why}")
