"""The list of series, in the shop's database, with the number of each."""

from __future__ import annotations

from baulk.ingest.store.sql import Sql, Transaction
from baulk.models.quantity import Owner
from baulk.models.reading import Series


class SeriesList:
    """Which series have readings.

    Parameters
    ----------
    sql : Sql
        The shop's database.
    """

    def __init__(self, sql: Sql) -> None:
        self._sql = sql
        self._generation = -1
        self._numbers: dict[Series, int] = {}

    def number(self, at: Transaction, series: Series) -> int:
        """Give the number of a series, which is entered if it is new."""
        if self._generation != self._sql.generation:
            self._numbers.clear()
            self._generation = self._sql.generation
        found = self._numbers.get(series)
        if found is None:
            values = {"text": str(series), "owner": series.owner.value, "name": series.name}
            at.run(
                "INSERT INTO series (text, owner, name) VALUES (:text, :owner, :name) ON CONFLICT DO NOTHING",
                values,
            )
            ((found,),) = at.run("SELECT id FROM series WHERE text = :text", {"text": values["text"]})
            self._numbers[series] = found
        return found

    def listed(self, owner: Owner | None, name: str | None) -> list[Series]:
        """Give the series of an owner and a name, or all, by their text."""
        rows = self._sql.ask(
            "SELECT text FROM series WHERE (CAST(:owner AS TEXT) IS NULL OR owner = :owner)"
            " AND (CAST(:name AS TEXT) IS NULL OR name = :name)",
            {"owner": owner.value if owner else None, "name": name},
        )
        return [Series.parse(text) for text in sorted(text for (text,) in rows)]
