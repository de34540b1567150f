"""Mappings of sensors into and out of files: `[[source]]` tables, or the CSV that an export writes."""

from __future__ import annotations

import csv
import io
import json
import tomllib
from collections.abc import Mapping as Columns
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from baulk.ingest.errors import ExchangeError, MappingError
from baulk.ingest.shop import Shop
from baulk.ingest.store import mappings
from baulk.ingest.store.mappings import Mapping
from baulk.ingest.wire.source import Source

COLUMNS: Final[Columns[str, str]] = {
    "number": "number", "source": "text", "made": "time", "by": "text", "note": "text", "undone": "time",
    "undone_by": "text",
}  # fmt: skip
_MOST_BYTES: Final = 4_000_000


def rows(shop: Shop, since_utc: datetime | None) -> list[tuple[Any, ...]]:
    """Give every mapping that was kept, from a moment on, in the order of `COLUMNS`."""
    return [
        (
            one.number,
            json.dumps(one.body, ensure_ascii=False, sort_keys=True),
            one.made_utc,
            one.by,
            one.note,
            one.undone_utc,
            one.undone_by,
        )
        for one in mappings.all_of(shop.store, undone=True)
        if since_utc is None or one.made_utc >= since_utc
    ]


def read_file(path: Path) -> list[Source] | list[Mapping]:
    """Read the mappings of a file; those of an export keep who made them, and when.

    Raises
    ------
    ExchangeError
        If it can't be read or holds none; a mistake is named with its place.
    """
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise ExchangeError(f"{path.name} is longer than {_MOST_BYTES / 1e6:g} MB")
        words = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as err:
        raise ExchangeError(f"{path.name} can't be read: {err}") from err
    found = _of_toml(words, path.name) if path.suffix.lower() == ".toml" else _of_csv(words, path.name)
    if not found:
        raise ExchangeError(f"{path.name} holds no mapping")
    return found


def _of_toml(words: str, name: str) -> list[Source]:
    try:
        tables = tomllib.loads(words).get("source", [])
    except tomllib.TOMLDecodeError as err:
        raise ExchangeError(f"{name} is not TOML: {err}") from err
    if not isinstance(tables, list):
        raise ExchangeError(f"{name} holds no [[source]]")
    found = []
    for number, body in enumerate(tables, 1):
        try:
            found.append(mappings.read(body))
        except MappingError as err:
            raise ExchangeError(f"{name}, [[source]] {number}: {err}") from err
    return found


def _of_csv(words: str, name: str) -> list[Mapping]:
    lines = csv.DictReader(io.StringIO(words))
    if missing := [one for one in COLUMNS if one not in (lines.fieldnames or ())]:
        raise ExchangeError(
            f"{name} lacks the column {missing[0]}; `baulk export mappings` writes such a file"
        )
    found = []
    try:
        for row in lines:
            try:
                body = {
                    "number": row["number"],
                    "source": json.loads(row["source"]),
                    "made_utc": row["made"],
                    "by": row["by"],
                    "note": row["note"],
                    "undone_utc": row["undone"],
                    "undone_by": row["undone_by"],
                }
                found.append(mappings.from_json(body))
            except (MappingError, ValueError, TypeError) as err:
                raise ExchangeError(f"{name}, line {lines.line_num}: {err}") from err
    except csv.Error as err:
        raise ExchangeError(f"{name} is no CSV: {err}") from err
    return found
