"""The field for a wood: its own name, another name, or one that means several woods and asks which."""

from __future__ import annotations

from functools import lru_cache

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.sections import layout
from baulk.models.errors import NotFound, SeveralFound
from baulk.models.species import SpeciesTable
from baulk.models.species_table import NAMES


def choose(
    label: str, known: SpeciesTable, *, key: str, placeholder: str, width: int | None = None
) -> str | None:
    """Ask for a wood; return its own name, or None until it is clear which is meant.

    With a width in pixels the field stands within a sentence, its label for readers alone.
    """
    told = labels(known)
    typed = st.selectbox(
        label,
        list(told),
        index=None,
        key=key,
        placeholder=placeholder,
        accept_new_options=True,
        format_func=lambda name: told.get(name, name),
        label_visibility="collapsed" if width else "visible",
        width=width or "stretch",
    )
    if not typed:
        return None
    try:
        return known.get(typed).name
    except SeveralFound as err:
        question = f"{words.md(typed)} means several woods. Which?"
        return st.radio(question, err.known, index=None, horizontal=True, key=f"{key}_of_{typed.lower()}")
    except NotFound as err:
        st.error(layout.sentence(err))
        return None


@lru_cache(maxsize=8)
def labels(known: SpeciesTable) -> dict[str, str]:
    """Return the woods with the other names by which people look for them.

    Those of a name such as oak stand together, the ones that boats are built of first.
    """
    grouped: list[str] = []
    others: dict[str, list[str]] = {name: [] for name in known.names()}
    for row in known.rows():
        if row["quantity"] in NAMES:
            others[row["species"]].append(row["value"])
        if row["quantity"] == "group":
            grouped.append(row["species"])
    return {name: _label(name, others[name]) for name in dict.fromkeys((*grouped, *others))}


def _label(name: str, others: list[str]) -> str:
    near = name.lower()
    found = [
        each
        for each in dict.fromkeys(others)
        if "," not in each and each.lower() not in near and near not in each.lower()
    ]
    return f"{name} ({', '.join(found)})" if found else name
