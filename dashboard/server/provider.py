"""Signing in through a provider: Streamlit's own routes do it, and its signed cookie says who has.

Parts of Streamlit that it does not promise to keep are used here only (1.67); tests/browser/test_door.py
signs in.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from streamlit.auth_util import get_origin_from_redirect_uri
from streamlit.user_info import generate_login_redirect_url
from streamlit.web.server.starlette import starlette_server_config, starlette_websocket


def address() -> str:
    """Return where a browser is sent to sign in."""
    return str(generate_login_redirect_url("default"))


def user(cookies: Mapping[str, str]) -> dict[str, Any] | None:
    """Return what the provider said of who has signed in, if the cookie is ours and whole."""
    name = starlette_server_config.USER_COOKIE_NAME
    raw = starlette_websocket._get_signed_cookie_with_chunks(dict(cookies), name)  # noqa: SLF001
    if not raw:
        return None
    try:
        found = json.loads(raw)
    except ValueError:
        return None
    ours = isinstance(found, dict) and found.get("origin") == get_origin_from_redirect_uri()
    return found if ours and found.get("is_logged_in") is True else None
