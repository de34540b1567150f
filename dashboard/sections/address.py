"""What a page shows lives in its address: filter, timber and open folds; Back and a link restore it."""

from __future__ import annotations

import streamlit as st


def get(name: str, default: str = "") -> str:
    """Return what the address says under a name.

    Parameters
    ----------
    name : str
        The name.
    default : str
        What it says when it is silent.

    Returns
    -------
    str
        The last value of that name.
    """
    return st.query_params.get(name, default)


def set(**values: str | None) -> None:  # noqa: A001 - read as address.set
    """Let the address say something; an empty text or None takes a name out of it.

    The address changes in place, without a new step for Back.

    Parameters
    ----------
    **values : str or None
        What to say by its name.
    """
    for name, value in values.items():
        if not value:
            if name in st.query_params:
                del st.query_params[name]
        elif st.query_params.get(name) != value:
            st.query_params[name] = value
