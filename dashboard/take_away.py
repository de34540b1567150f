"""Anything on screen as a file: a table as CSV for a spreadsheet or as Parquet for a program."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable
from dataclasses import fields
from datetime import datetime
from enum import Enum
from typing import Any

import pandas as pd
import streamlit as st


def csv(frame: pd.DataFrame) -> bytes:
    """Return a table as CSV: commas, points, times in ISO 8601 with their zone."""
    plain = frame.copy()
    for name in plain.columns:
        if isinstance(plain[name].dtype, pd.DatetimeTZDtype):
            plain[name] = plain[name].map(lambda at: "" if pd.isna(at) else at.isoformat())
    return bytes(plain.to_csv(index=False).encode())


def parquet(frame: pd.DataFrame) -> bytes:
    """Return a table as Parquet."""
    out = io.BytesIO()
    frame.to_parquet(out, index=False)
    return out.getvalue()


def rows(items: Iterable[Any]) -> pd.DataFrame:
    """Return dataclasses as a table, one a row; what is no plain value is written as text.

    Parameters
    ----------
    items : iterable of dataclass
        Their fields carry their units in their names.
    """
    return pd.DataFrame(
        [{each.name: _plain(getattr(item, each.name)) for each in fields(item)} for item in items]
    )


def _plain(value: Any) -> Any:  # noqa: ANN401 - anything in, what a table holds out
    if isinstance(value, Enum):
        return value.value
    return value if value is None or isinstance(value, str | int | float | datetime) else str(value)


def offer(name: str, table: Callable[[], pd.DataFrame], *, key: str) -> None:
    """Offer a table as a file; it is made only when somebody takes it.

    Parameters
    ----------
    name : str
        Name of the file, without its ending.
    table : callable
        Makes the table; each column's name carries its unit.
    key : str
        Tells the buttons of one page apart.
    """
    with st.popover("Take it away", key=f"{key}-away"):
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
