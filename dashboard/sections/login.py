"""The door before the pages: asks for the password once a month, or sends people to sign in."""

from __future__ import annotations

import json
from typing import Any, Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.sections import layout
from baulk.dashboard.server import access, preferences
from baulk.dashboard.server.shop_access import ask, folder
from baulk.models.errors import BaulkError

COOKIE: Final = "baulk_pass"
GOAL: Final = "baulk_goal"
_PATIENCE: Final = access.Patience()


def open_for_this_person() -> bool:
    """Return whether the pages may be shown; shows what is needed first if not."""
    lock = ask(lambda s: access.lock(s.config))
    if lock == "open":
        return True
    return _password() if lock == "password" else _login()


def leave() -> None:
    """Offer to sign out, where there is something to sign out of."""
    lock = ask(lambda s: access.lock(s.config))
    if lock == "open" or not st.button("Sign out", key="sign-out", type="tertiary"):
        return
    if lock == "login":
        st.logout()
        return
    token = st.session_state.pop("pass", None) or preferences.kept(COOKIE)
    st.session_state["left"] = True
    if token:
        ask(lambda s: access.take_pass_away(s, token))
    preferences.keep(COOKIE, "", 0)
    st.rerun()


def _password() -> bool:
    token = st.session_state.get("pass")
    if token is None and not st.session_state.get("left"):
        token = preferences.kept(COOKIE)
    if token and ask(lambda s: access.admits(s, token, layout.now())):
        st.session_state["pass"] = token
        if st.session_state.pop("fresh", False):
            preferences.keep(COOKIE, token, int(access.STAYS.total_seconds()))
        return True
    layout.title("Baulk", "These pages ask for the shop's password.")
    with st.form("password", width=420):
        given = st.text_input("Password", type="password", key="password")
        asked = st.form_submit_button("Sign in")
    if asked:
        _try(given)
    return False


def _try(given: str) -> None:
    address = st.context.ip_address or "this machine"
    try:
        ok = access.tried(folder(), given, address, _PATIENCE)
    except BaulkError as err:
        st.error(layout.sentence(err))
        return
    if not ok:
        st.error("That is not the password; whoever runs the shop's machine can set a new one.")
        return
    st.session_state["pass"] = ask(lambda s: access.new_pass(s, layout.now()))
    st.session_state["fresh"] = True
    st.session_state.pop("left", None)
    st.rerun()


def _login() -> bool:
    user: Any = st.user
    if not user.is_logged_in:
        layout.title("Baulk", "These pages ask you to sign in.")
        if st.button("Sign in", key="sign-in"):
            st.login()
        # signing in loses the address, so the browser keeps it meanwhile
        page = st.context.url or ""
        if query := dict(st.query_params):
            preferences.keep(
                GOAL, json.dumps([page.partition("?")[0].rstrip("/").rpartition("/")[2], query]), 600
            )
        return False
    address = str(user.get("email") or "").lower()
    allowed = ask(lambda s: s.config.dashboard.allowed)
    if why := access.why_not_listed(address, user.get("email_verified"), allowed):
        layout.title("Baulk")
        st.error(words.md(layout.capital(why)))
        if st.button("Sign out", key="sign-out"):
            st.logout()
        return False
    return True


def goal() -> tuple[str, dict[str, str]] | None:
    """Return the page that was asked for before signing in, once."""
    kept = preferences.kept(GOAL)
    if not kept or st.session_state.get("goal-seen"):
        return None
    st.session_state["goal-seen"] = True
    preferences.keep(GOAL, "", 0)
    try:
        page, query = json.loads(kept)
        return str(page), {str(name): str(value) for name, value in dict(query).items()}
    except (ValueError, TypeError):
        return None
