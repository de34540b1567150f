"""Small texts that a person's browser keeps for us."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, cast
from urllib.parse import unquote

import streamlit as st

from baulk.models.units import System, TemperatureUnit

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


COOKIE: Final = "baulk_me"
LONGEST_NAME: Final = 40
_SYSTEMS: Final = {"inch": "inches, pounds", "metric": "millimetres, kilograms"}
_DEGREES: Final = {"F": "°F", "C": "°C"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """A person's own choices; what is None follows the shop's settings."""

    system: System | None = None
    temperature: TemperatureUnit | None = None
    name: str = ""


def chosen() -> Chosen:
    """Return what this browser's person has chosen; a damaged memory counts as none."""
    held = st.session_state.get("me")
    if isinstance(held, Chosen):
        return held
    me = _read(kept(COOKIE))
    st.session_state["me"] = me
    return me


def read(cookie: str | None) -> Chosen:
    """Return what a browser's cookie says of its person; a damaged one counts as none."""
    return _read(unquote(cookie) if cookie else None)


def _read(text: str | None) -> Chosen:
    try:
        found = json.loads(text or "{}")
        return Chosen(
            system=found.get("system") if found.get("system") in _SYSTEMS else None,
            temperature=found.get("temperature") if found.get("temperature") in _DEGREES else None,
            name=str(found.get("name", ""))[:LONGEST_NAME],
        )
    except (ValueError, AttributeError, TypeError):
        return Chosen()


def keep_changed() -> None:
    """Let the browser keep a choice that was just made."""
    if st.session_state.pop("me-changed", False):
        me = chosen()
        kept = {"system": me.system, "temperature": me.temperature, "name": me.name}
        keep(COOKIE, json.dumps(kept))


def choices(system: System, temperature: TemperatureUnit, more: Callable[[], None]) -> None:
    """Offer the choices in the menu; a change is kept by the browser and shown at once.

    Parameters
    ----------
    system : "inch" or "metric"
        What holds now.
    temperature : "F" or "C"
        What holds now.
    more : callable
        Offers what else belongs to a person, below the choices.
    """
    me = chosen()
    units = st.radio(
        "Lengths and weights",
        list(_SYSTEMS),
        index=list(_SYSTEMS).index(system),
        format_func=_SYSTEMS.__getitem__,
        key="me_system",
    )
    degrees = st.radio(
        "Temperatures",
        list(_DEGREES),
        index=list(_DEGREES).index(temperature),
        format_func=_DEGREES.__getitem__,
        horizontal=True,
        key="me_temperature",
    )
    name = st.text_input(
        "Your name, noted beside what you change", me.name, max_chars=LONGEST_NAME, key="me_name"
    )
    st.caption("Kept by this browser, for you alone. Both systems are always understood when typed.")
    more()
    fresh = Chosen(
        system=cast("System", units) if units != system else me.system,
        temperature=cast("TemperatureUnit", degrees) if degrees != temperature else me.temperature,
        name=name.strip(),
    )
    if fresh != me:
        st.session_state["me"] = fresh
        st.session_state["me-changed"] = True
        st.rerun()
