"""Small texts that a person's browser keeps for us."""

from __future__ import annotations

import json
from typing import Final
from urllib.parse import unquote

import streamlit as st

YEAR_S: Final = 365 * 86_400


def kept(name: str) -> str | None:
    """Return what the browser kept under a name, if it did."""
    found = st.context.cookies.get(name)
    return unquote(found) if isinstance(found, str) and found else None


def keep(name: str, value: str, lasts_s: int = YEAR_S) -> None:
    """Let the browser keep a small text; it goes to this server only and to no other site's requests."""
    text = json.dumps(value).replace("<", "\\u003c")  # a name typed by a person must not end the script
    script = (
        "<script>"
        f"document.cookie = {json.dumps(name)} + '=' + encodeURIComponent({text})"
        f" + '; path=/; max-age={lasts_s}; SameSite=Lax'"
        " + (location.protocol === 'https:' ? '; Secure' : '');"
        "</script>"
    )
    st.html(script, unsafe_allow_javascript=True)
