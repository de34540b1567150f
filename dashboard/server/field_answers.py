"""What the field pages' routes share: who asks, what our own page may send, and answers as JSON."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from baulk.dashboard.server import preferences
from baulk.dashboard.server.door import Visit
from baulk.models.errors import BaulkError

SAFE: Final = {
    "cache-control": "no-cache",
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
    "worker-src 'self'; img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
}


async def answered(question: Callable[[], dict[str, Any]]) -> Response:
    """Ask beside the server's own loop, and answer; an error of ours becomes its sentence."""
    try:
        return told(await asyncio.to_thread(question), 200)
    except BaulkError as err:
        return told({"error": f"{str(err)[:1].upper()}{str(err)[1:]}."}, 400)


def told(body: object, status: int) -> Response:
    """Return an answer that nobody keeps."""
    return JSONResponse(body, status, headers={**SAFE, "cache-control": "no-store"})


def person(request: Request) -> preferences.Chosen:
    """Return whose browser asks."""
    return preferences.read(request.cookies.get(preferences.COOKIE))


async def sent(request: Request, kinds: tuple[str, ...], most_bytes: int) -> bytes | Response:
    """Return what our own page sent, or the answer that refuses it; no more is read than may come."""
    visit = Visit(request.scope)
    kind = request.headers.get("content-type", "").partition(";")[0].strip()
    if not visit.from_here() or request.headers.get("sec-fetch-site", "same-origin") != "same-origin":
        return told({"error": "Send it from the page itself."}, 403)
    if kind not in kinds:
        return told({"error": f"It is sent as {' or '.join(kinds)}."}, 415)
    body = bytearray()
    async for part in request.stream():
        body += part
        if len(body) > most_bytes:
            return told({"error": "That is too large; send it in parts."}, 413)
    return bytes(body)


async def batch(request: Request, most_bytes: int) -> dict[str, object] | Response:
    """Return the batch that our own page sent under `given`, or the answer that refuses it."""
    body = await sent(request, ("application/json",), most_bytes)
    if isinstance(body, Response):
        return body
    try:
        return {"given": json.loads(body)}
    except (ValueError, RecursionError):
        return told({"error": "The batch is not JSON."}, 400)
