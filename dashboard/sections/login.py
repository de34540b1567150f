"""Who sees a page: looked at again by the page itself, since a socket outlives a pass; and signing out."""

from __future__ import annotations

from typing import Any

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.sections import layout, press
from baulk.dashboard.server import access, door, preferences
from baulk.dashboard.server.shop_access import ask

_AGAIN = "<script>window.location.assign('/');</script>"


def open_for_this_person() -> bool:
    """Return whether the page may be shown; the door has looked before, this is for what has ended since."""
    lock = ask(lambda s: access.lock(s.config))
    if lock == "open":
        return True
    why = _without_pass() if lock == "password" else _not_signed_in()
    if why is None:
        return True
    layout.title("Baulk")
    st.error(words.md(layout.capital(why)))
    st.link_button("Sign in", "/")
    return False


def leave() -> None:
    """Offer to sign out, where there is something to sign out of."""
    lock = ask(lambda s: access.lock(s.config))
    if lock == "open" or not press.button("Sign out", key="sign-out", type="tertiary"):
        return
    if lock == "login":
        st.logout()
        return
    if token := preferences.kept(door.COOKIE):
        ask(lambda s: access.take_pass_away(s, token))
    st.html(_AGAIN, unsafe_allow_javascript=True)
    st.stop()


def _without_pass() -> str | None:
    token = preferences.kept(door.COOKIE)
    if token and ask(lambda s: access.admits(s, token, layout.now())):
        return None
    return "this browser is no longer signed in."


def _not_signed_in() -> str | None:
    user: Any = st.user
    if not user.is_logged_in:
        return "you are no longer signed in."
    allowed = ask(lambda s: s.config.dashboard.allowed)
    why = access.why_not_listed(str(user.get("email") or "").lower(), user.get("email_verified"), allowed)
    return None if why is None else f"{why}."
