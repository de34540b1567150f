"""The species table: every property of a wood, each value with its source and mark.

The functions of this module ask the built-in table. A shop that adds woods or corrects them has a
`SpeciesTable` of its own, from `read_own`.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from importlib import resources
from typing import TYPE_CHECKING, Final

from baulk.models.errors import NotFound, NoWood, OutOfRange, SeveralFound
from baulk.models.species_table import MARKS, NAMES, OWN_MARKS, Row, Species, broken, grouped, read, wood

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "BUILT_IN",
    "FILE",
    "MARKS",
    "Species",
    "SpeciesTable",
    "get",
    "names",
    "read_own",
    "rows",
    "synonyms",
    "table",
]

FILE: Final = "species.csv"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpeciesTable:
    """The built-in woods, and those that a shop adds to them or corrects.

    Only what is the shop's own is held, so that a table is small to hash and to send to another process.

    Parameters
    ----------
    own_rows : tuple of dict
        Rows of the shop's table, as given.
    own_woods : mapping
        The woods made of them by name; values that they leave out are those of the wood named under "like",
        or of the built-in wood of that name.
    own_names : mapping
        Names and synonyms in the shop's rows, in small letters, to the name of the wood.
    """

    own_rows: tuple[Row, ...] = ()
    own_woods: Mapping[str, Species] = field(default_factory=dict)
    own_names: Mapping[str, str] = field(default_factory=dict)

    def get(self, name: str) -> Species:
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
        SeveralFound
            If the name means several woods, such as "oak"; they are offered.
        NotFound
            If the table has no such name; the nearest are offered.
        """
        key = _key(name)
        if key in self.own_names:
            return self.own_woods[self.own_names[key]]
        known = _by_name()
        if key not in known:
            raise _unknown(name, self)
        found = known[key]
        return self.own_woods.get(found.name, found)

    def group(self, name: str) -> tuple[str, ...]:
        """Woods that a name such as "oak" stands for, in the order of the table; none for a wood's own name.

        Parameters
        ----------
        name : str
            In any case.

        Returns
        -------
        tuple of str
            Names of the woods, those that a boat is built of first.
        """
        key = _key(name)
        given = (r for r in self.rows() if r["quantity"] == "group" and _key(r["value"]) == key)
        return tuple(dict.fromkeys(r["species"] for r in given))

    def names(self) -> tuple[str, ...]:
        """Every wood's own name, without the synonyms: the built-in ones, then those the shop added."""
        return tuple(dict.fromkeys([*_all(), *self.own_woods]))

    def synonyms(self, name: str) -> tuple[str, ...]:
        """Other names of a wood; `name` is any that `get` knows."""
        own = self.get(name).name
        return tuple(r["value"] for r in self.rows() if r["species"] == own and r["quantity"] == "synonym")

    def rows(self) -> tuple[Row, ...]:
        """Every row, one a value, by the names of the columns; the shop's own last."""
        return (*_rows(), *self.own_rows)

    def table(self) -> pd.DataFrame:
        """Every row as a frame.

        Returns
        -------
        pandas.DataFrame
            Columns species, quantity, value (text), unit, source and mark; the mark is "read" (seen in the
            source), "read (secondary)" (seen in a quotation or transcription), "computed", "memory" (not
            seen), "common practice" (taken where nothing is printed for the wood) or, in the shop's own rows,
            "measured".
        """
        import pandas as pd  # noqa: PLC0415 (slow to load, and only this function needs it)

        return pd.DataFrame(list(self.rows()))


BUILT_IN: Final = SpeciesTable()


def get(name: str) -> Species:
    """Look a built-in wood up by its name or a synonym, in any case; see `SpeciesTable.get`."""
    return BUILT_IN.get(name)


def names() -> tuple[str, ...]:
    """Every built-in wood's own name; see `SpeciesTable.names`."""
    return BUILT_IN.names()


def synonyms(name: str) -> tuple[str, ...]:
    """Other names of a built-in wood; see `SpeciesTable.synonyms`."""
    return BUILT_IN.synonyms(name)


def table() -> pd.DataFrame:
    """Return the built-in table as a frame; see `SpeciesTable.table`."""
    return BUILT_IN.table()


def rows() -> tuple[Row, ...]:
    """Return the rows of the built-in table; see `SpeciesTable.rows`."""
    return BUILT_IN.rows()


def read_own(text: str, where: str = FILE) -> SpeciesTable:
    """Read a shop's own woods beside the built-in ones.

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
    SpeciesTable
        The built-in woods and the shop's own.

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
            raise _unknown(values["like"], BUILT_IN)
        woods[known or name] = wood(known or name, _values(base) | values)
    return SpeciesTable(
        own_rows=tuple(given_rows),
        own_woods=woods,
        own_names=_own_names(given_rows, woods, by_key, where),
    )


def _unknown(name: str, asked: SpeciesTable) -> NotFound:
    """Return that a name means several woods, or none: trade names stand before botanical ones then."""
    if several := asked.group(name):
        return SeveralFound("woods", name, several)
    others = [r["value"] for r in asked.rows() if r["quantity"] in NAMES and "," not in r["value"]]
    return NoWood(name, dict.fromkeys([*asked.names(), *others]), _botanical(_all().values()))


def _values(base: Species | None) -> dict[str, str]:
    if base is None:
        return {}
    return {
        r["quantity"]: r["value"] for r in _rows() if r["species"] == base.name and r["quantity"] not in NAMES
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
    for number, row in enumerate(_rows(), start=2):
        if row["quantity"] == "group" and row["value"].lower() in known:
            raise broken(FILE, number, f"calls several woods {row['value']}, which already means one")
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
