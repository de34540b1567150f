"""The door before the pages: nothing of them answers, and nothing is read, without a pass.

It stands in front of everything that the page server has: pages, sockets, uploads, media. A password buys a
cookie that no script can read; with a provider, Streamlit's own signed cookie is the pass.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from ipaddress import ip_address
from typing import Any, Final
from urllib.parse import parse_qs, quote, unquote, urlsplit

from starlette.requests import cookie_parser

from baulk.dashboard.server import access, door_page, outside, provider
from baulk.dashboard.server.shop_access import ask, folder
from baulk.dashboard.server.uploads import TooMuch, Uploads
from baulk.ingest.shop import Shop
from baulk.models.errors import BaulkError

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
Asgi = Callable[[Scope, Receive, Send], Awaitable[None]]
Header = tuple[bytes, bytes]

COOKIE: Final = "baulk_door"
GOAL: Final = "baulk_goal"
_UPLOAD: Final = "/_stcore/upload_file/"
_CLOSED: Final = ("/_stcore/", "/media/", "/component/")  # not pages: told in a word
_FREE: Final = ("/static/", "/_stcore/health")  # the platform's own scripts, and whether it is up
_SIGNING_IN: Final = frozenset({"/auth/login", "/auth/logout", "/oauth2callback"})
_FORM: Final = 8192  # bytes of a sign-in, more than any password and address
_GOAL_S: Final = 600
_QUEUE: Final = 20  # passwords that wait to be looked at
# Without a password only browsers on this machine reach the pages, and a stranger's page in one of them does
# too if its name is made to lead here: browser and page server take the two for one origin.
_STRANGE: Final = b"Not known by that name: set url in [dashboard] of baulk.toml, or a password."
_TEXT: Final[Header] = (b"content-type", b"text/plain; charset=utf-8")


class Door:
    """ASGI middleware.

    Parameters
    ----------
    app : ASGI application
        Everything behind the door.
    uploads : Uploads
        What files may take.
    """

    def __init__(self, app: Asgi, uploads: Uploads) -> None:
        self._app, self._uploads = app, uploads
        self._patience = access.Patience()
        self._tokens = access.Patience()  # of their own: a right token is no right password
        self._guesses = ThreadPoolExecutor(max_workers=2, thread_name_prefix="password")
        self._waiting = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it."""
        if scope["type"] not in {"http", "websocket"}:
            await self._app(scope, receive, send)
            return
        visit = Visit(scope)
        if scope["type"] == "websocket" and not visit.from_here():
            # cookies hold for every port of a machine, and the platform compares names only: a page that
            # another program serves on this machine would get in by the pass of whoever opens it
            await Answer(403, b"", ()).give(scope, send)
            return
        if visit.method in {"GET", "HEAD"} and visit.path.startswith(_FREE):
            await self._app(scope, receive, send)
            return
        try:
            answer = await self._asked_in(visit, receive)
        except BaulkError as err:
            words = str(err)[:1].upper() + str(err)[1:] + "."
            answer = Answer(503, door_page.closed(words), door_page.HEADERS)
        if answer is not None:
            await answer.give(scope, send)
            return
        if visit.method == "PUT" and visit.path.startswith(_UPLOAD):
            await self._upload(visit, receive, send)
            return
        await self._app(scope, receive, send)
        if visit.method == "DELETE" and visit.path.startswith(_UPLOAD):
            self._uploads.gone(*visit.of_upload())

    async def _asked_in(self, visit: Visit, receive: Receive) -> Answer | None:
        """Give the answer of the door itself, if it has one."""
        if visit.path.startswith(outside.CALENDAR):  # the key in it is the pass: calendars can't sign in
            known = visit.method in {"GET", "HEAD"} and await asyncio.to_thread(_has_key, visit.path)
            return None if known else Answer(404, b"There is nothing at this address.", (_TEXT,))
        lock = access.lock_of(folder())
        if lock == "open":
            known = visit.names_this_machine() or visit.host in await asyncio.to_thread(ask, _names)
            return None if known else Answer(403, _STRANGE, (_TEXT,))
        if (token := visit.token()) is not None:
            return await self._by_token(visit, token)
        if (answer := await self._without_pass(visit, lock, receive)) is not None:
            return answer
        if lock == "login" and (goal := visit.goal()) is not None:
            back = (b"location", goal.encode()), _cookie(visit, GOAL, "", 0)
            return Answer(303, b"", back)
        return None

    async def _by_token(self, visit: Visit, token: str) -> Answer | None:
        """Give the door's answer to a program that reads the yard by its token; nothing if it may."""
        if wait_s := self._tokens.begin(visit.client):
            retry = (b"retry-after", str(math.ceil(wait_s)).encode())
            return Answer(429, b"Too many wrong tokens; wait.", (_TEXT, retry))
        ok = await asyncio.to_thread(_has_token, token)
        self._tokens.end(visit.client, ok=ok)
        return (
            None
            if ok
            else Answer(401, b"That is not the token; `baulk password --token` makes one.", (_TEXT,))
        )

    async def _without_pass(self, visit: Visit, lock: access.Locked, receive: Receive) -> Answer | None:
        """Give the answer for whoever may not come in; nothing for those who may."""
        signing_in = visit.path == "/sign-in" and visit.method == "POST"
        if lock == "login":
            return await (_to_provider(visit, receive) if signing_in else _not_signed_in(visit))
        if signing_in:
            return await self._sign_in(visit, receive)
        token = visit.cookies.get(COOKIE)
        if token is not None and await asyncio.to_thread(_admits, token):
            return None
        return _asked(visit, door_page.password(visit.address))

    async def _sign_in(self, visit: Visit, receive: Receive) -> Answer:
        if not visit.from_here():
            return Answer(403, b"Sign in from the page itself.", (_TEXT,))
        form = await visit.form(receive)
        goal = _inside(form.get("goal", "/"))
        try:
            ok = await self._tried(form.get("password", ""), visit.client)
        except access.TooSoon as err:
            said = f"{str(err)[:1].upper()}{str(err)[1:]}."
            return Answer(429, door_page.password(goal, said), door_page.HEADERS)
        if not ok:
            why = "That is not the password; whoever runs the shop's machine can set a new one."
            return Answer(401, door_page.password(goal, why), door_page.HEADERS)
        token = await asyncio.to_thread(ask, lambda shop: access.new_pass(shop, datetime.now(UTC)))
        lasts_s = int(access.STAYS.total_seconds())
        return Answer(303, b"", ((b"location", goal.encode()), _cookie(visit, COOKIE, token, lasts_s)))

    async def _tried(self, given: str, client: str) -> bool:
        """Look at a password on threads of its own, so that guesses hold up nobody who has a pass."""
        if self._waiting >= _QUEUE:
            raise access.TooSoon("many are signing in just now; try again in a minute")
        self._waiting += 1
        try:
            look = asyncio.get_running_loop().run_in_executor
            return await look(self._guesses, access.tried, folder(), given, client, self._patience)
        finally:
            self._waiting -= 1

    async def _upload(self, visit: Visit, receive: Receive, send: Send) -> None:
        session, file = visit.of_upload()
        try:
            self._uploads.begin(session, file, visit.headers.get("content-length"))
        except TooMuch as err:
            await Answer(err.status, err.words.encode(), (_TEXT,)).give(visit.scope, send)
            return
        kept = False

        async def watched(message: MutableMapping[str, Any]) -> None:
            nonlocal kept
            if message["type"] == "http.response.start":
                kept = message["status"] < 300
            await send(message)

        try:
            await self._app(visit.scope, receive, watched)
        finally:
            if not kept:
                self._uploads.gone(session, file)


class Visit:
    """What a request says of itself.

    Parameters
    ----------
    scope : mapping
        Of ASGI.
    """

    def __init__(self, scope: Scope) -> None:
        self.scope = scope
        self.path: str = scope["path"]
        self.method: str = scope.get("method", "GET" if scope["type"] == "http" else "")
        self.headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}
        self.client: str = (scope.get("client") or ("this machine",))[0]
        self.cookies = cookie_parser(self.headers.get("cookie", ""))

    @property
    def address(self) -> str:
        """Path and query, as they were asked for."""
        query = self.scope.get("query_string", b"").decode("latin-1")
        return _inside(quote(self.path, safe="/-._~") + (f"?{query}" if query else ""))

    @property
    def secure(self) -> bool:
        """Whether it came by TLS."""
        return self.scope.get("scheme") in {"https", "wss"}

    @property
    def wants_page(self) -> bool:
        """Whether a person looks at the answer."""
        page = self.scope["type"] == "http" and self.method in {"GET", "HEAD"}
        return page and not self.path.startswith(_CLOSED)

    def token(self) -> str | None:
        """Give the token that a program sent with its question for the yard, if it sent one."""
        reads = self.scope["type"] == "http" and self.method in {"GET", "HEAD"} and self.path == outside.YARD
        kind, _, token = self.headers.get("authorization", "").partition(" ")
        return token.strip() if reads and kind.lower() == "bearer" else None

    def from_here(self) -> bool:
        """Whether a form or a socket comes from our own page, as browsers say it."""
        origin = self.headers.get("origin")
        try:
            return origin is None or urlsplit(origin).netloc == self.headers.get("host")
        except ValueError:
            return False

    @property
    def host(self) -> str | None:
        """The name by which the browser knows these pages; None if it does not say."""
        try:
            return urlsplit(f"//{self.headers.get('host', '')}").hostname
        except ValueError:
            return ""

    def names_this_machine(self) -> bool:
        """Whether it asked for an address, which no stranger's name server can have given a page of his."""
        host = self.host
        if host is None or host == "localhost" or host.endswith(".localhost"):
            return True
        try:
            ip_address(host)
        except ValueError:
            return False
        return True

    def goal(self) -> str | None:
        """Give the page that was asked for before signing in, on the way back from it."""
        if self.scope["type"] != "http" or self.path != "/" or GOAL not in self.cookies:
            return None
        return _inside(unquote(self.cookies[GOAL]))

    def of_upload(self) -> tuple[str, str]:
        """Give session and file of an upload's path."""
        session, _, file = self.path.removeprefix(_UPLOAD).partition("/")
        return session, file

    async def form(self, receive: Receive) -> dict[str, str]:
        """Read a small form; what is longer counts as empty."""
        body = b""
        while len(body) <= _FORM:
            message = await receive()
            body += message.get("body", b"")
            if not message.get("more_body"):
                break
        if len(body) > _FORM:
            return {}
        try:
            found = parse_qs(body.decode(), keep_blank_values=True, max_num_fields=8)
        except ValueError:
            return {}
        return {name: values[0] for name, values in found.items()}


class Answer:
    """What the door says itself.

    Parameters
    ----------
    status : int
        HTTP status.
    body : bytes
        What is said.
    headers : iterable of (bytes, bytes)
        With it.
    """

    def __init__(self, status: int, body: bytes, headers: Iterable[Header]) -> None:
        self.status, self.body, self.headers = status, body, headers

    async def give(self, scope: Scope, send: Send) -> None:
        """Send it; a socket is closed before it opens, and what is on its way is not read."""
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
            return
        more = ((b"content-length", str(len(self.body)).encode()), (b"connection", b"close"))
        body = b"" if scope["method"] == "HEAD" else self.body
        await send({"type": "http.response.start", "status": self.status, "headers": [*self.headers, *more]})
        await send({"type": "http.response.body", "body": body})


def _asked(visit: Visit, page: bytes) -> Answer:
    if visit.wants_page:
        return Answer(401, page, door_page.HEADERS)
    return Answer(401, b"Sign in first.", (_TEXT,))


async def _to_provider(visit: Visit, receive: Receive) -> Answer:
    goal = quote(_inside((await visit.form(receive)).get("goal", "/")))
    to = (b"location", provider.address().encode())
    return Answer(303, b"", (to, _cookie(visit, GOAL, goal, _GOAL_S)))


async def _not_signed_in(visit: Visit) -> Answer | None:
    if visit.path in _SIGNING_IN and visit.method == "GET":
        return None
    user = provider.user(visit.cookies)
    if user is None:
        return _asked(visit, door_page.provider(visit.address))
    allowed = await asyncio.to_thread(ask, _allowed)
    why = access.why_not_listed(str(user.get("email") or "").lower(), user.get("email_verified"), allowed)
    return None if why is None else _asked(visit, door_page.not_listed(f"{why[:1].upper()}{why[1:]}."))


def _names(shop: Shop) -> tuple[str | None, ...]:
    """Give the names by which the settings say that the pages are reached."""
    pages = shop.config.dashboard
    return pages.host.lower(), urlsplit(pages.address).hostname


def _allowed(shop: Shop) -> tuple[str, ...]:
    return shop.config.dashboard.allowed


def _admits(token: str) -> bool:
    def looked_up(shop: Shop) -> bool:
        return access.admits(shop, token, datetime.now(UTC))

    return ask(looked_up)


def _has_token(token: str) -> bool:
    return ask(lambda shop: outside.admits_token(shop, token))


def _has_key(path: str) -> bool:
    return ask(lambda shop: outside.admits(shop, path))


def _cookie(visit: Visit, name: str, value: str, lasts_s: int) -> Header:
    secure = "; Secure" if visit.secure else ""
    made = f"{name}={value}; Path=/; Max-Age={lasts_s}; HttpOnly; SameSite=Lax{secure}"
    return b"set-cookie", made.encode("latin-1")


def _inside(address: str) -> str:
    """Give an address of these pages, or the first of them for one that leads elsewhere."""
    inside = address.startswith("/") and not address.startswith(("//", "/\\", "/sign-in"))
    return address if inside and address.isascii() and address.isprintable() and " " not in address else "/"
