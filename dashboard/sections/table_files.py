"""A table on screen as a file: CSV for a spreadsheet or Parquet for a program."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Mapping
from dataclasses import fields
from datetime import datetime
from enum import Enum
from typing import TYPE_CHECKING, Any

import streamlit as st

from baulk.dashboard import words
from baulk.models import text
from baulk.models.formatting import spreadsheet_cell
from baulk.models.reason import Reason
from baulk.models.units import System

if TYPE_CHECKING:
    import pandas as pd


def csv(frame: pd.DataFrame) -> bytes:
    """Return a table as CSV: commas, points, times in ISO 8601 with their zone."""
    import pandas as pd  # noqa: PLC0415 - only a table that is taken away needs it

    plain = frame.copy()
    for name in plain.columns:
        if isinstance(plain[name].dtype, pd.DatetimeTZDtype):
            plain[name] = plain[name].map(lambda at: "" if pd.isna(at) else at.isoformat())
        else:
            plain[name] = plain[name].map(_cell)
    return bytes(plain.to_csv(index=False).encode())


def _cell(value: Any) -> Any:  # noqa: ANN401 - whatever a table holds
    return spreadsheet_cell(value) if isinstance(value, str) else value


def parquet(frame: pd.DataFrame) -> bytes:
    """Return a table as Parquet."""
    out = io.BytesIO()
    frame.to_parquet(out, index=False)
    return out.getvalue()


def rows(items: Iterable[Any], system: System = "metric") -> pd.DataFrame:
    """Return dataclasses as a table, one a row; what is no plain value is written as text.

    Parameters
    ----------
    items : iterable of dataclass
        Their fields carry their units in their names.
    system : {"inch", "metric"}
        Units of the sentences of reasons.
    """
    import pandas as pd  # noqa: PLC0415

    return pd.DataFrame(
        [{each.name: _plain(getattr(item, each.name), system) for each in fields(item)} for item in items]
    )


def table(found: Iterable[Mapping[str, object]]) -> pd.DataFrame:
    """Return rows that are by name already as a table."""
    import pandas as pd  # noqa: PLC0415

    return pd.DataFrame(list(found))


def _plain(value: Any, system: System) -> Any:  # noqa: ANN401 - anything in, what a table holds out
    if isinstance(value, Reason):
        return text.sentence(value, system, zone=words.zone())
    if isinstance(value, Enum):
        return value.value
    return value if value is None or isinstance(value, str | int | float | datetime) else str(value)


def offer_table(name: str, table: Callable[[], pd.DataFrame], *, key: str, what: str = "") -> None:
    """Offer a table as a file; it is made only when somebody takes it.

    Parameters
    ----------
    name : str
        Name of the file, without its ending.
    table : callable
        Makes the table; each column's name carries its unit.
    key : str
        Tells the buttons of one page apart.
    what : str
        What is in it, where several stand together.
    """
    with st.popover(f"Export {what}".strip(), key=f"{key}-away"):
        st.download_button(
            "CSV, for a spreadsheet", lambda: csv(table()), f"{name}.csv", "text/csv", key=f"{key}-csv"
        )
        st.download_button(
            "Parquet, for a program",
            lambda: parquet(table()),
            f"{name}.parquet",
            "application/vnd.apache.parquet",
            key=f"{key}-parquet",
        )
