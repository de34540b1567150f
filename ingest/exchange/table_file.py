"""Tables written to files whole or not at all: CSV or Parquet, and lines of text."""

from __future__ import annotations

import csv
import secrets
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC
from itertools import islice
from pathlib import Path
from typing import IO, Any, Final

from baulk.ingest.errors import ExchangeError, StoreError
from baulk.models.errors import OutOfRange
from baulk.models.formatting import spreadsheet_cell

ENDINGS: Final = (".csv", ".parquet")
_GROUP: Final = 50_000  # rows of a Parquet file held at once


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows to take out, made as they are written.

    Parameters
    ----------
    columns : mapping
        Names, and of each what it holds: "text", "number", "time" or "yes".
    rows : iterable of sequence
        Cells in that order; None for nothing.
    """

    columns: Mapping[str, str]
    rows: Iterable[Sequence[Any]]


def write(table: Table, path: Path) -> int:
    """Write a table to a file, CSV or Parquet by its ending; it is there whole or not at all.

    Returns
    -------
    int
        How many rows.

    Raises
    ------
    OutOfRange, ExchangeError
        If the file's ending is neither, or it can't be written.
    """
    if path.suffix.lower() not in ENDINGS:
        raise OutOfRange("the file's name", f"ends in .csv or .parquet, not {path.name!r}")
    with _beside(path) as part:
        if path.suffix.lower() == ".parquet":
            return _write_parquet(table, part)
        with part.open("w", encoding="utf-8", newline="") as out:
            return write_csv(table, out)


def write_lines(lines: Iterable[str], path: Path) -> None:
    """Write text to a file; it is there whole or not at all."""
    with _beside(path) as part, part.open("w", encoding="utf-8") as out:
        out.writelines(lines)


@contextmanager
def _beside(path: Path) -> Iterator[Path]:
    """Give a file to write, which takes the place of another once it is whole."""
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        yield part
        part.replace(path)
    except StoreError:  # which is an OSError, and no fault of the file
        raise
    except OSError as err:
        raise ExchangeError(f"{path} can't be written: {err.strerror or err}") from err
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def write_csv(table: Table, out: IO[str]) -> int:
    """Write a table as CSV: commas, points, times in ISO 8601 with their zone."""
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(table.columns)
    kinds, count = list(table.columns.values()), 0
    for row in table.rows:
        writer.writerow([_cell(value, kind) for value, kind in zip(row, kinds, strict=True)])
        count += 1
    return count


def _cell(value: Any, kind: str) -> str:  # noqa: ANN401 - whatever a column holds
    if value is None:
        return ""
    if kind == "time":
        return str(value.astimezone(UTC).isoformat())
    if kind == "yes":
        return "yes" if value else "no"
    if kind == "number":
        return repr(value)
    return spreadsheet_cell(str(value))


def _write_parquet(table: Table, path: Path) -> int:
    import pyarrow as pa  # noqa: PLC0415 - only who asks for Parquet waits for it
    from pyarrow import parquet  # noqa: PLC0415

    types = {
        "text": pa.string(),
        "number": pa.float64(),
        "time": pa.timestamp("us", "UTC"),
        "yes": pa.bool_(),
    }
    schema = pa.schema([(name, types[kind]) for name, kind in table.columns.items()])
    rows, count = iter(table.rows), 0
    with parquet.ParquetWriter(path, schema) as out:
        while group := list(islice(rows, _GROUP)):
            cells = zip(*group, strict=True)
            arrays = [
                pa.array(list(column), type=field.type) for column, field in zip(cells, schema, strict=True)
            ]
            out.write_batch(pa.record_batch(arrays, schema=schema))
            count += len(group)
    return count
