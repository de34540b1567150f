"""Tables of a shop row by row, in whichever database they lie: to carry them over and to compare them.

Both databases give a row in the same shape: texts, numbers and bytes, a true value as 1, JSON as the text
that was put in. Keys come in the order of their bytes, whatever the language of a server.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final

from baulk.ingest.store.postgres import PostgresSql
from baulk.ingest.store.statements import NONE, Sql, Transaction

READING: Final = "reading"
_READING: Final = (
    "series",
    "taken_us",
    "value",
    "arrived_us",
    "source",
    "flags",
)  # as `Sql.insert` has it
_OWN: Final = frozenset({"form", "alembic_version"})  # of the program that made the tables, not of the shop
_AT_ONCE: Final = 5000  # rows of numbers and short texts that are held at once
_FEW: Final = 25  # rows with bytes, of which one may have two millions
_SQLITE_TABLES: Final = (
    "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite!_%' ESCAPE '!' ORDER BY 1"
)
_SQLITE_COLUMNS: Final = "SELECT name, lower(type), pk FROM pragma_table_info(:name) ORDER BY cid"
_POSTGRES_TABLES: Final = (
    "SELECT tablename FROM pg_tables WHERE schemaname = ANY (current_schemas(false)) ORDER BY 1"
)
_POSTGRES_COLUMNS: Final = """
SELECT a.attname, format_type(a.atttypid, NULL),
       coalesce(array_position(i.indkey::smallint[], a.attnum) + 1, 0)
FROM pg_attribute AS a LEFT JOIN pg_index AS i ON i.indrelid = a.attrelid AND i.indisprimary
WHERE a.attrelid = to_regclass(:name) AND a.attnum > 0 AND NOT a.attisdropped ORDER BY a.attnum
"""

Row = tuple[Any, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table of one database.

    Parameters
    ----------
    name : str
        Its name.
    columns : dict of str to str
        The type of each, as that database calls it; in their order.
    key : tuple of str
        The columns of its primary key.
    """

    name: str
    columns: Mapping[str, str]
    key: tuple[str, ...]

    @property
    def at_once(self) -> int:
        """How many rows may be held at once."""
        return _FEW if {"blob", "bytea"} & set(self.columns.values()) else _AT_ONCE


class Tables:
    """The tables of a shop in one database.

    Parameters
    ----------
    sql : Sql
        The database; the register has been opened in it once.
    """

    def __init__(self, sql: Sql) -> None:
        self.sql = sql
        self._on_server = isinstance(sql, PostgresSql)
        names = [name for (name,) in sql.ask(_POSTGRES_TABLES if self._on_server else _SQLITE_TABLES)]
        self.every = {name: self._table(name) for name in names if name not in _OWN}

    def _table(self, name: str) -> Table:
        found = self.sql.ask(_POSTGRES_COLUMNS if self._on_server else _SQLITE_COLUMNS, {"name": name})
        columns = {column: kind for column, kind, _ in found}
        order = _READING if name == READING else sorted(columns)  # an older form may have another
        key = sorted((place, column) for column, _, place in found if place)
        return Table(
            name=name,
            columns={column: columns[column] for column in order},
            key=tuple(column for _, column in key),
        )

    def count(self, name: str) -> int:
        """Give how many rows a table has."""
        return int(self.sql.ask(f'SELECT count(*) FROM "{name}"')[0][0])  # noqa: S608 - a table of ours

    def page(self, name: str, after: Row | None) -> list[Row]:
        """Give the next rows by key behind that key, or the first ones."""
        table = self.every[name]
        where, values = self._between(table, after, None)
        return self._rows(table, f"{where} ORDER BY {self._ordered(table)} LIMIT {table.at_once}", values)

    def between(self, name: str, after: Row | None, last: Row | None) -> list[Row]:
        """Give the rows behind one key up to another; an end that is not given is open."""
        table = self.every[name]
        where, values = self._between(table, after, last)
        return self._rows(table, f"{where} ORDER BY {self._ordered(table)}", values)

    def key_of(self, name: str, row: Row) -> Row:
        """Give the key of a row."""
        table = self.every[name]
        places = {column: place for place, column in enumerate(table.columns)}
        return tuple(row[places[column]] for column in table.key)

    def replace(self, name: str, after: Row | None, last: Row | None, rows: Sequence[Row]) -> None:
        """Put rows in the place of all behind one key up to another, in one transaction."""
        table = self.every[name]
        where, values = self._between(table, after, last)
        with self.sql.write(counted=False) as (at, _):
            at.run(f'DELETE FROM "{name}" {where}', values)  # noqa: S608 - a table of ours
            if rows and name == READING:
                self.sql.insert(at, [tuple(row) for row in rows], careful=False)
            elif rows:
                at.many(self._insert(table), [dict(zip(table.columns, row, strict=True)) for row in rows])

    @contextmanager
    def held(self) -> Iterator[Transaction]:
        """Keep every other writer out, so that what is compared stays as it is."""
        with self.sql.write(counted=False) as (at, _):
            if self._on_server:
                names = ", ".join(f'"{name}"' for name in self.every)
                at.run(f"LOCK TABLE {names} IN SHARE MODE")
            yield at

    # --- numbers that count up

    def last_numbers(self) -> dict[str, int]:
        """Give the last number of each table that counts its rows, also where that row has gone."""
        if not self._on_server:
            counted = dict(self.sql.ask("SELECT name, seq FROM sqlite_sequence"))
            return {name: max(counted.get(name, 0), self._largest(name)) for name in self._counting()}
        found = {}
        for name, sequence in self._sequences().items():
            ((last, used),) = self.sql.ask(f"SELECT last_value, is_called FROM {sequence}")  # noqa: S608
            found[name] = max(last if used else 0, self._largest(name))
        return found

    def go_on_from(self, numbers: Mapping[str, int]) -> None:
        """Have each table count on from there."""
        with self.sql.write(counted=False) as (at, _):
            if self._on_server:
                for name, sequence in self._sequences().items():
                    last = max(numbers.get(name, 0), self._largest(name))
                    at.run(
                        f"SELECT setval('{sequence}', :last, :used)", {"last": max(last, 1), "used": last > 0}
                    )
            else:
                self._go_on_in_file(at, numbers)

    def _go_on_in_file(self, at: Transaction, numbers: Mapping[str, int]) -> None:
        asked = "SELECT name FROM sqlite_master WHERE type = 'table' AND sql LIKE '%AUTOINCREMENT%'"
        for (name,) in at.run(asked):
            last = max(numbers.get(name, 0), self._largest(name))
            at.run("DELETE FROM sqlite_sequence WHERE name = :name", {"name": name})
            at.run(
                "INSERT INTO sqlite_sequence (name, seq) VALUES (:name, :last)", {"name": name, "last": last}
            )

    def _largest(self, name: str) -> int:
        (column,) = self.every[name].key
        return int(self.sql.ask(f'SELECT coalesce(max("{column}"), 0) FROM "{name}"')[0][0])  # noqa: S608

    def _counting(self) -> list[str]:
        """Give the tables whose key is one whole number."""
        return [
            table.name
            for table in self.every.values()
            if len(table.key) == 1 and table.columns[table.key[0]] == "integer"
        ]

    def _sequences(self) -> dict[str, str]:
        found = {}
        for table in self.every.values():
            if len(table.key) == 1:
                words = {"name": f'"{table.name}"', "key": table.key[0]}
                ((sequence,),) = self.sql.ask("SELECT pg_get_serial_sequence(:name, :key)", words)
                if sequence:
                    found[table.name] = str(sequence)
        return found

    # --- words of the two databases

    def _rows(self, table: Table, rest: str, values: Mapping[str, object] = NONE) -> list[Row]:
        asked = ", ".join(self._read(column, kind) for column, kind in table.columns.items())
        rows = self.sql.ask(f'SELECT {asked} FROM "{table.name}" {rest}', values)  # noqa: S608 - ours
        return [tuple(bytes(v) if isinstance(v, memoryview) else v for v in row) for row in rows]

    def _read(self, column: str, kind: str) -> str:
        as_ = {"json": "::text", "boolean": "::int"}.get(kind, "") if self._on_server else ""
        return f'"{column}"{as_}'

    def _insert(self, table: Table) -> str:
        columns = ", ".join(f'"{column}"' for column in table.columns)
        values = ", ".join(self._written(column, kind) for column, kind in table.columns.items())
        over = " OVERRIDING SYSTEM VALUE" if self._on_server else ""
        return f'INSERT INTO "{table.name}" ({columns}){over} VALUES ({values})'  # noqa: S608 - ours

    def _written(self, column: str, kind: str) -> str:
        if self._on_server and kind == "json":
            return f"CAST(:{column} AS json)"
        if self._on_server and kind == "boolean":
            return f"CAST(CAST(:{column} AS integer) AS boolean)"
        return f":{column}"

    def _ordered(self, table: Table) -> str:
        return ", ".join(self._by_bytes(table, column) for column in table.key)

    def _by_bytes(self, table: Table, column: str) -> str:
        text = self._on_server and table.columns[column] in {"text", "character varying"}
        return f'"{column}" COLLATE "C"' if text else f'"{column}"'

    def _between(self, table: Table, after: Row | None, last: Row | None) -> tuple[str, dict[str, object]]:
        values: dict[str, object] = {}
        parts = []
        for name, sign, key in (("after", ">", after), ("last", "<=", last)):
            if key is not None:
                mine = {f"{name}{place}": each for place, each in enumerate(key)}
                values |= mine
                parts.append(f"({self._ordered(table)}) {sign} ({', '.join(f':{each}' for each in mine)})")
        return ("WHERE " + " AND ".join(parts) if parts else ""), values
