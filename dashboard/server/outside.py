"""What other programs may ask: the yard as JSON, and a calendar at an address with a key.

Both only read. The yard stands behind the door; a program that can't sign in brings a token. The calendar's
address exists only once somebody has asked for one, since calendars can't sign in: whoever has it sees tags,
places and expected dates, and nothing else.
"""

from __future__ import annotations

import asyncio
import json
import secrets
from dataclasses import dataclass
from datetime import datetime
from hashlib import blake2b
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from baulk.dashboard.server import calendar_file
from baulk.dashboard.server.shop_access import ask
from baulk.ingest.evaluation import document_read
from baulk.ingest.evaluation.document import Summary
from baulk.ingest.mqtt.message_schema import verdict_body
from baulk.ingest.shop import Shop
from baulk.models.errors import BaulkError
from baulk.models.timber import Timber
from baulk.models.units import System

CALENDAR: Final = "/calendar/"
YARD: Final = "/api/yard"
_KEY: Final = "calendar address"
_TOKEN: Final = "yard token"  # noqa: S105 - the note that holds a digest of it
_SAFE: Final = {
    "cache-control": "no-store",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "content-security-policy": "default-src 'none'",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Expected:
    """A timber as the calendar wants it."""

    timber: Timber
    answer: Summary | None
    system: System
    url: str


def new_address(shop: Shop, now_utc: datetime) -> str:
    """Make the calendar's address anew and return it; one that was given before ends."""
    key = secrets.token_urlsafe(24)
    shop.store.note(_KEY, json.dumps({"mark": _mark(key), "made_utc": now_utc.isoformat()}).encode())
    return f"{shop.config.dashboard.address.rstrip('/')}{CALENDAR}{key}.ics"


def end_address(shop: Shop) -> None:
    """End the calendar's address."""
    shop.store.forget(_KEY)


def admits(shop: Shop, path: str) -> bool:
    """Return whether a path is the calendar's address of today.

    Parameters
    ----------
    shop : Shop
        An open shop.
    path : str
        As it was asked for.
    """
    return _is(shop, _KEY, path.removeprefix(CALENDAR).removesuffix(".ics"))


def new_token(shop: Shop, now_utc: datetime) -> str:
    """Make the token by which another program reads the yard, and return it; the one before it ends.

    Only a digest of it is kept.
    """
    token = secrets.token_urlsafe(24)
    shop.store.note(_TOKEN, json.dumps({"mark": _mark(token), "made_utc": now_utc.isoformat()}).encode())
    return token


def end_token(shop: Shop) -> None:
    """End the token of the yard."""
    shop.store.forget(_TOKEN)


def admits_token(shop: Shop, token: str) -> bool:
    """Return whether a token is that of today for the yard.

    Parameters
    ----------
    shop : Shop
        An open shop.
    token : str
        As it was sent.
    """
    return _is(shop, _TOKEN, token)


def _is(shop: Shop, note: str, given: str) -> bool:
    try:
        kept = str(json.loads(shop.store.noted(note) or b"{}").get("mark", ""))
    except (ValueError, AttributeError):
        return False
    return bool(kept) and secrets.compare_digest(kept, _mark(given))


def _mark(key: str) -> str:
    return blake2b(key.encode("utf-8", "replace"), digest_size=24).hexdigest()


async def calendar(_request: Request) -> Response:
    """Give the expected dates (RFC 5545); the door has looked at the key."""
    made = await asyncio.to_thread(ask, _calendar)
    return Response(made, media_type="text/calendar", headers=_SAFE)


async def yard(_request: Request) -> Response:
    """Give every standing timber with its verdict and moisture."""
    try:
        return JSONResponse(await asyncio.to_thread(ask, told), headers=_SAFE)
    except BaulkError as err:
        said = f"{str(err)[:1].upper()}{str(err)[1:]}."
        return JSONResponse({"error": said}, 503, headers=_SAFE)


def told(shop: Shop) -> dict[str, Any]:
    """Return the yard as plain values; of each timber what its retained message says, and what it is.

    Parameters
    ----------
    shop : Shop
        An open shop.
    """
    evaluated = {
        one.tag: (one.made_utc, document_read.summary_of(one.payload)) for one in shop.store.evaluations()
    }
    rows = []
    for timber in shop.register.list():
        made = evaluated.get(timber.tag)
        rows.append({
            "tag": timber.tag,
            "place": timber.place,
            "species": timber.species,
            "use_class": timber.use_class,
            "width_mm": timber.section.width_mm,
            "depth_mm": timber.section.depth_mm,
            "length_mm": timber.length_mm,
            "arrived_utc": timber.arrived_utc.isoformat(),
            "evaluation": None if made is None else verdict_body(timber.tag, *made),
        })  # fmt: skip
    return {"shop": shop.config.shop.name, "revision": shop.store.revision(), "timbers": rows}


def _calendar(shop: Shop) -> bytes:
    answers = {one.tag: document_read.summary_of(one.payload) for one in shop.store.evaluations()}
    config = shop.config
    expected = [
        _Expected(
            timber=timber,
            answer=answers.get(timber.tag),
            system=config.shop.units,
            url=config.dashboard.address,
        )
        for timber in shop.register.list()
    ]
    return calendar_file.calendar(expected, shop=config.shop.name, slug=config.slug)


ROUTES: Final = (Route(YARD, yard), Route(CALENDAR + "{key}", calendar))
