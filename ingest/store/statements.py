"""Statements to a database that holds the books: what one is asked and given, and transactions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import AbstractContextManager
from typing import Any, Final, Protocol

from baulk.ingest.store.gate import Gate

Values = Mapping[str, object]
Key = tuple[int, int]  # number of the series, device time
Row = tuple[int, int, float, int, str, str]  # of the table reading, in the order of its columns
NONE: Final[Values] = {}


class SomeKnown(Exception):
    """Not every row was new; the transaction must be given up and begun again with care."""


class Transaction(Protocol):
    """Statements that stand or fall together."""

    def run(self, sql: str, values: Values = NONE) -> list[Any]:
        """Run one statement; its rows."""

    def many(self, sql: str, rows: Sequence[Values]) -> None:
        """Run one statement for each row of values."""


class Sql(Protocol):
    """A database that is open."""

    generation: int  # changes when numbers of series that are remembered may no longer hold
    grown: int  # by how much this program has raised the revision here
    gate: Gate

    def ask(self, sql: str, values: Values = NONE) -> list[Any]:
        """Give the rows of a question."""

    def write(self, *, counted: bool = True) -> AbstractContextManager[tuple[Transaction, int]]:
        """Begin a transaction; if counted, alone among writers, with the revision grown by one.

        Raises
        ------
        StoreMoved, StoreLocked
            If the shop is not here any more, or is being moved (`baulk.ingest.store.gate`).
        """

    def alone(self) -> AbstractContextManager[Transaction]:
        """Begin a transaction once every other that writes has ended; none begins before its end."""

    def insert(self, transaction: Transaction, rows: Sequence[Row], *, careful: bool) -> set[Key] | None:
        """Insert readings; give the keys of those that were new, None if all were.

        Raises
        ------
        SomeKnown
            If some were not, and to find out which needs care.
        """

    def taken(self, transaction: Transaction, keys: Iterable[Key]) -> dict[Key, float]:
        """Values that are stored under these keys."""

    def close(self) -> None:
        """Close it; twice does no harm."""
