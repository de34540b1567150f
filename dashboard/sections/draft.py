"""A form that is not lost: what is filled in outlives a reload, another page and a lost line."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping

import streamlit as st

from baulk.dashboard.sections import address

NAME = "draft"  # in the address
LONGEST = 1500  # characters; a longer one is kept by the session alone


def restore(form: str, keys: Collection[str], allowed: Mapping[str, Collection[str]] | None = None) -> None:
    """Put what was filled in before into the fields that the page is about to draw.

    Parameters
    ----------
    form : str
        The form's own name.
    keys : collection of str
        Keys of its fields.
    allowed : mapping, optional
        What a field may hold that offers a choice; anything else of it is passed over.
    """
    held = st.session_state.get(f"{form}-draft")
    if held is None:
        held = _read(address.get(NAME))
    for key in keys:
        if (
            key in held
            and key not in st.session_state
            and held[key] in (allowed or {}).get(key, (held[key],))
        ):
            st.session_state[key] = held[key]


def _read(text: str) -> dict[str, str | bool]:
    try:
        found = json.loads(text or "{}")
    except ValueError:
        return {}
    if not isinstance(found, dict):
        return {}
    return {str(key): value for key, value in found.items() if isinstance(value, str | bool)}


def keep(form: str, keys: Collection[str]) -> None:
    """Keep what is filled in now, in the session and in the address.

    Parameters
    ----------
    form : str
        The form's own name.
    keys : collection of str
        Keys of its fields; empty ones are left out.
    """
    held = {key: st.session_state[key] for key in keys if st.session_state.get(key)}
    st.session_state[f"{form}-draft"] = held
    told = json.dumps(held, separators=(",", ":"))
    address.set(**{NAME: told if held and len(told) <= LONGEST else ""})
