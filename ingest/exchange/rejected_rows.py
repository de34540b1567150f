"""The rows that were refused, in a file with the reason beside each, to be mended and brought again."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from baulk.ingest.errors import ExchangeError
from baulk.ingest.exchange.csv_file import Sheet
from baulk.ingest.exchange.reading_rows import Refused
from baulk.models.formatting import spreadsheet_cell

WHY: Final = "refused because"  # the last column; passed over when the file is brought again


class RejectedFile:
    """Writes refused rows as they come; without any there is no file.

    Parameters
    ----------
    path : Path or None
        Where; None writes nothing.
    sheet : Sheet
        The file that they come from: the new one has its headings and its separator.
    """

    def __init__(self, path: Path | None, sheet: Sheet) -> None:
        if path is not None and isinstance(sheet.source, Path) and path.resolve() == sheet.source.resolve():
            raise ExchangeError(f"the refused rows would overwrite {path.name}; name another file")
        self.path, self._sheet = path, sheet
        self.count = 0
        self._out: Any = None
        self._closing = ExitStack()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, err: BaseException | None, where: TracebackType | None
    ) -> None:
        self._closing.close()

    def add(self, refused: Iterable[Refused]) -> None:
        """Write rows; several reasons for one row stand together."""
        if self.path is None:
            return
        rows: dict[int, tuple[tuple[str, ...], list[str]]] = {}
        for one in refused:
            why = f"{one.column}: {one.reason}" if one.column else one.reason
            rows.setdefault(one.line, (one.cells, []))[1].append(why)
        try:
            for cells, reasons in rows.values():
                self._writer().writerow(map(spreadsheet_cell, [*cells, "; ".join(reasons)]))
                self.count += 1
        except OSError as err:
            raise ExchangeError(f"{self.path} can't be written: {err.strerror}") from err

    def _writer(self) -> Any:  # noqa: ANN401 - the csv module does not name its writer's type
        if self._out is None:
            assert self.path is not None  # noqa: S101 - asked only then
            file = self._closing.enter_context(self.path.open("w", encoding="utf-8-sig", newline=""))
            self._out = csv.writer(file, delimiter=self._sheet.separator)
            self._out.writerow([*map(spreadsheet_cell, self._sheet.headings), WHY])
        return self._out
