"""The page around the pages: our style, script and title in its HTML, and which addresses there are.

Style and script stand in the HTML itself, so that they are there before the first answer of the page server
and stay when it no longer answers.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Awaitable, Callable, Collection, MutableMapping, Sequence
from functools import lru_cache
from html import escape
from pathlib import Path
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Match, Route
from streamlit import file_util

from baulk.dashboard.server import access, door_page, early
from baulk.dashboard.server.shop_access import NoShop, folder

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
Asgi = Callable[[Scope, Receive, Send], Awaitable[None]]

_FILES: Final = Path(__file__).parents[1]
_KINDS: Final = {"tokens.css": "text/css", "app.css": "text/css", "app.js": "text/javascript"}
_NAMED: Final = "<title>Streamlit</title>"
_ICON_LINK: Final = re.compile(r'<link rel="shortcut icon"[^>]*>')
_ICON: Final = (  # a butt end with its square, in the colours of the moisture scale
    '<link rel="icon" href="data:image/svg+xml,'
    "%3Csvg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 9 9'%3E"
    "%3Crect width='9' height='9' rx='1' fill='%231c5a72'/%3E"
    "%3Crect x='2' y='2' width='5' height='5' fill='none' stroke='%23f2e2a0'/%3E%3C/svg%3E\">"
)
_NO_SCRIPT: Final = re.compile(r"<noscript>.*?</noscript>", re.DOTALL)
PAGES: Final = frozenset(
    {"/", "/timber", "/add", "/readings", "/air", "/plans", "/sensors", "/files", "/guide"}
)
FORMER: Final = {"/yard": "/", "/start": "/", "/arrival": "/add", "/health": "/sensors"}  # kept by people
_PLATFORM: Final = ("/static/", "/_stcore/", "/media/", "/component/", "/auth/", "/oauth2callback", "/app/")
_ITS_FILES: Final = frozenset({"/favicon.png", "/manifest.json"})
_HOST: Final = "/_stcore/host-config"
# What the platform's script asks first: no message box of its own, nobody outside may steer the page.
_HOW: Final = {
    "allowedOrigins": [],
    "useExternalAuthToken": False,
    "enableCustomParentMessages": False,
    "enforceDownloadInNewTab": False,
    "metricsUrl": "",
    "blockErrorDialogs": True,
    "disableFullscreenMode": True,
    "resourceCrossOriginMode": None,
}


@lru_cache(maxsize=len(_KINDS))
def _content(name: str) -> bytes:
    return (_FILES / name).read_bytes()


def _address(name: str) -> str:
    """Return where a file is found; another content has another address, so that a browser may keep it."""
    return f"/frame/{name}?v={hashlib.sha256(_content(name)).hexdigest()[:12]}"


async def file(request: Request) -> Response:
    """Give style or script."""
    name = request.url.path.removeprefix("/frame/")
    kept = {"cache-control": "max-age=31536000, immutable", "x-content-type-options": "nosniff"}
    return Response(_content(name), media_type=_KINDS[name], headers=kept)


# a stranger's page that showed ours in a frame, unseen, could have a visitor press Undo or Discard here
_PAGE_HEADERS: Final = {
    "cache-control": "no-cache",
    "content-security-policy": "frame-ancestors 'self'",
    "x-content-type-options": "nosniff",
}
ROUTES: Final = tuple(Route(f"/frame/{name}", file, methods=["GET"]) for name in _KINDS)


def _direct() -> bool:
    """Whether the browser need not ask first; see `html`."""
    try:
        return access.lock_of(folder()) != "login"
    except NoShop:
        return False


def _told() -> str:
    """Return what the platform's script would ask for, as an attribute for ours to hand on."""
    # it takes only a list that names somebody; nobody has that name, and the server's own list is empty
    how = {**_HOW, "allowedOrigins": ["https://nobody.invalid"]}
    return f' data-how="{escape(json.dumps(how))}"'


@lru_cache(maxsize=2 * len(PAGES))
def html(path: str = "/", *, direct: bool = False) -> str:
    """Return the platform's HTML with our title, style and script.

    Parameters
    ----------
    path : str
        Of the page.
    direct : bool
        Whether the browser may open the socket without asking first whether the server is there, and for what
        it is told here: two answers fewer before the first word. Not for who signs in by a provider: the
        platform reads its cookie by a mark that the first of those answers sets.
    """
    head = (
        "<title>Baulk</title>"
        '<meta name="color-scheme" content="light dark">'
        f'<script src="{_address("app.js")}"{_told() if direct else ""}></script>'
    )
    # in the body: the platform's script adds its own styles to the head, and the later of two rules holds
    ours = (f'<link rel="stylesheet" href="{_address(name)}">' for name in ("tokens.css", "app.css"))
    body = f"<body>{''.join(ours)}"
    found = (Path(file_util.get_static_dir()) / "index.html").read_text(encoding="utf-8")
    found = early.without_typeface(found)
    head += early.links(path, found)
    found = _NO_SCRIPT.sub("<noscript>These pages need JavaScript.</noscript>", found)
    found = _ICON_LINK.sub(_ICON, found)
    return found.replace(_NAMED, head, 1).replace("<body>", body, 1)


class Shell:
    """ASGI middleware that gives the pages' HTML, leads former addresses on and answers unknown ones.

    Parameters
    ----------
    app : ASGI application
        Everything else.
    routes : sequence of Route
        What is served beside the pages.
    pages : collection of str
        Paths of the pages there are.
    """

    def __init__(self, app: Asgi, routes: Sequence[BaseRoute] = (), pages: Collection[str] = PAGES) -> None:
        self._app, self._routes, self._pages = app, routes, pages

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request for a page; let everything else through."""
        answer = self._answer(scope) if scope["type"] == "http" and scope["method"] == "GET" else None
        await (answer or self._app)(scope, receive, send)

    def _answer(self, scope: Scope) -> Response | None:
        path: str = scope["path"]
        if path == _HOST:
            return JSONResponse(_HOW, headers={"cache-control": "no-cache"})
        path = path.rstrip("/") or "/"
        if path in self._pages:
            return HTMLResponse(html(path, direct=_direct()), headers=_PAGE_HEADERS)
        if path in FORMER:
            query = scope.get("query_string", b"").decode("latin-1")
            return RedirectResponse(FORMER[path] + (f"?{query}" if query else ""), 307)
        if path.startswith(_PLATFORM) or path in _ITS_FILES or self._routed(scope):
            return None
        headers = {name.decode(): value.decode() for name, value in door_page.HEADERS}
        return Response(door_page.unknown(), 404, headers)

    def _routed(self, scope: Scope) -> bool:
        return any(route.matches(scope)[0] is not Match.NONE for route in self._routes)
