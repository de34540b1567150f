"""Anything on screen as a file: a table as CSV for a spreadsheet or as Parquet for a program."""

from __future__ import annotations

import io
from collections.abc import Callable

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
