"""The species table: every property of a wood, each value with its source and mark."""

from __future__ import annotations

import functools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib import resources
from typing import TYPE_CHECKING, Final

from baulk.models.errors import NotFound, OutOfRange
from baulk.models.species_table import MARKS, OWN_MARKS, Row, Species, broken, grouped, read, wood

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "FILE",
    "MARKS",
    "Own",
    "Species",
    "get",
    "names",
    "read_own",
    "rows",
    "synonyms",
    "table",
    "use_own",
]

FILE: Final = "species.csv"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Own:
    """Woods that a shop adds to the table, or corrects in it.

    Parameters
    ----------
    rows : tuple of dict
        Rows of the shop's table, as given.
    woods : mapping
        The woods made of them by name; values that they leave out are those of the wood named under "like",
        or of the table's own wood of that name.
    names : mapping
        Further names, in small letters, to the name of the wood.
    """

    rows: tuple[Row, ...] = ()
    woods: Mapping[str, Species]
    names: Mapping[str, str]


_NONE: Final = Own(woods={}, names={})
_in_use: list[Own] = [_NONE]


def get(name: str) -> Species:
    """Look a wood up by its name or a synonym, in any case; the shop's own woods first.

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
    key = _key(name)
    own = _in_use[0]
    if key in own.names:
        return own.woods[own.names[key]]
    known = _by_name()
    if key not in known:
        raise NotFound("species", name, {*known, *own.names})
    found = known[key]
    return own.woods.get(found.name, found)


def names() -> tuple[str, ...]:
    """Every wood's own name: the table's in its order, then those the shop added.

    Returns
    -------
    tuple of str
        Names that `get` knows, without the synonyms.
    """
    return tuple(dict.fromkeys([*_all(), *_in_use[0].woods]))


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
    return tuple(r["value"] for r in rows() if r["species"] == own and r["quantity"] == "synonym")


def table() -> pd.DataFrame:
    """Give the whole table, one row a value, the shop's own rows last.

    Returns
    -------
    pandas.DataFrame
        Columns species, quantity, value (text), unit, source and mark; the mark is "read" (seen in the
        source), "read (secondary)" (seen in a quotation or transcription), "computed", "memory" (not
        seen) or, in the shop's own rows, "measured".
    """
    import pandas as pd  # noqa: PLC0415 (slow to load, and only this function needs it)

    return pd.DataFrame(list(rows()))


def rows() -> tuple[Row, ...]:
    """Give the rows of `table` without pandas.

    Returns
    -------
    tuple of dict
        One a value, by the names of the columns; the shop's own rows last.
    """
    return (*_rows(), *_in_use[0].rows)


def read_own(text: str, where: str = FILE) -> Own:
    """Read a shop's own woods; nothing is kept, see `use_own`.

    A row whose species stands in the table corrects that one value. A new wood gives every value, or names
    under the quantity "like" the wood whose values stand in for those left out.

    Parameters
    ----------
    text : str
        A CSV in the form of the table, with the further mark "measured".
    where : str, optional
        Name of the file, for the sentence of a refusal.

    Returns
    -------
    Own
        The woods.

    Raises
    ------
    OutOfRange
        If a line is not understood or impossible, or a value is missing.
    NotFound
        If a wood is "like" one that the table lacks.
    """
    given_rows = read(text, where)
    given = grouped(given_rows, where, marks=OWN_MARKS)
    by_key = {_key(name): name for name in _all()}
    woods: dict[str, Species] = {}
    for name, values in given.items():
        known = by_key.get(_key(name))
        base = _by_name().get(_key(values.get("like", known or "")))
        if "like" in values and base is None:
            raise NotFound("species", values["like"], _by_name())
        woods[known or name] = wood(known or name, _values(base) | values)
    return Own(rows=tuple(given_rows), woods=woods, names=_own_names(given_rows, woods, by_key, where))


def use_own(own: Own | None) -> None:
    """Let `get`, `names` and `table` know a shop's own woods, in place of any used before.

    One process serves one shop, so this is set once, where the shop is opened.

    Parameters
    ----------
    own : Own or None
        From `read_own`; None leaves the table alone.
    """
    _in_use[0] = own or _NONE


def _values(base: Species | None) -> dict[str, str]:
    if base is None:
        return {}
    return {
        r["quantity"]: r["value"] for r in _rows() if r["species"] == base.name and r["quantity"] != "synonym"
    }


def _own_names(
    given: Iterable[Row], woods: Mapping[str, Species], by_key: Mapping[str, str], where: str
) -> dict[str, str]:
    found = {_key(name): name for name in woods}
    if len(found) < len(woods):
        raise OutOfRange("the species table", f"({where}) names a wood twice, in large and small letters")
    for number, row in enumerate(given, start=2):
        if row["quantity"] == "synonym":
            key, name = _key(row["value"]), by_key.get(_key(row["species"]), row["species"])
            other = found.get(key) or (_by_name()[key].name if key in _by_name() else name)
            if other != name:
                raise broken(where, number, f"names {row['value']}, which already means {other}")
            found[key] = name
    return found


def _key(name: str) -> str:
    return " ".join(name.lower().split())


@functools.cache
def _rows() -> list[Row]:
    text = (resources.files("baulk.models.data") / FILE).read_text(encoding="utf-8")
    return read(text, FILE)


@functools.cache
def _all() -> dict[str, Species]:
    return {name: wood(name, values) for name, values in grouped(_rows(), FILE).items()}


@functools.cache
def _by_name() -> dict[str, Species]:
    woods = _all()
    known = {name.lower(): found for name, found in woods.items()}
    for number, row in enumerate(_rows(), start=2):
        if row["quantity"] == "synonym":
            key = row["value"].lower()
            if key in known:
                raise broken(FILE, number, f"names {row['value']} a second time")
            known[key] = woods[row["species"]]
    return _botanical(woods.values()) | known


def _botanical(woods: Iterable[Species]) -> dict[str, Species]:
    """Botanical names, whole and with the genus as a letter; those that mean two woods are left out."""
    found: dict[str, list[Species]] = {}
    for each in woods:
        for latin in each.latin.lower().split(" and "):
            genus, _, kind = latin.partition(" ")
            if not kind or kind.startswith("sp"):
                continue
            for key in (latin, f"{genus[0]}. {kind}"):
                found.setdefault(key, []).append(each)
    return {key: means[0] for key, means in found.items() if len(means) == 1}
