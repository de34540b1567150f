"""The field pages: small static pages for a phone in the yard, and what they ask and send as JSON.

They stand behind the same door as every page. A page keeps what is typed on the phone and sends it when there
is signal; `baulk.ingest.walk` stores each entry once.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from baulk.dashboard import words
from baulk.dashboard.server import preferences
from baulk.dashboard.server.door import Visit
from baulk.dashboard.server.shop_access import ask
from baulk.ingest import operations
from baulk.ingest.shop import Shop
from baulk.ingest.store import notes
from baulk.ingest.walk import entries, yard
from baulk.models import text
from baulk.models.errors import BaulkError
from baulk.models.formatting import in_reader_units
from baulk.models.reading import AT_LEAST, Reading
from baulk.models.units import System, show_size

_FILES: Final = Path(__file__).parent.with_name("field")
_MOST_BYTES: Final = 400_000  # of a batch: twice five hundred entries
_SAFE: Final = {
    "cache-control": "no-cache",
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
    "worker-src 'self'; img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
}
_KINDS: Final = {
    "walk": ("walk.html", "text/html"),
    "walk.css": ("walk.css", "text/css"),
    "walk.js": ("walk.js", "text/javascript"),
    "worker.js": ("worker.js", "text/javascript"),
}


async def page(request: Request) -> Response:
    """Give a field page or a part of it."""
    name, kind = _KINDS[request.url.path.removeprefix("/field/")]
    return Response(_content(name), media_type=kind, headers=_SAFE)


@lru_cache(maxsize=len(_KINDS))
def _content(name: str) -> bytes:
    return (_FILES / name).read_bytes()


async def stops(request: Request) -> Response:
    """Give the timbers in the order of the walk, with what is expected of each."""
    me, now = _person(request), datetime.now(UTC)

    def told() -> dict[str, Any]:
        every, settings, meter = ask(_held)
        system = me.system or settings
        return {
            "system": system,
            "meter": text.sentence(meter.reason, system) if meter and meter.named else "",
            "top_pct": meter.top_pct if meter else None,
            "stops": [_stop(each, system) for each in yard.stops(every, now)],
        }

    return await _answered(told)


def _held(shop: Shop) -> tuple[tuple[yard.Held, ...], System, notes.HandMeter | None]:
    """Give what the shop holds; what is likely is worked out beside its thread, so that pages go on."""
    return yard.held(shop), shop.config.shop.units, notes.hand_meter(shop.store)


async def readings(request: Request) -> Response:
    """Store what a walk sends, each entry once; only our own page may send it."""
    visit = Visit(request.scope)
    kind = request.headers.get("content-type", "").partition(";")[0].strip()
    if not visit.from_here() or request.headers.get("sec-fetch-site", "same-origin") != "same-origin":
        return _json({"error": "Send it from the page itself."}, 403)
    if kind != "application/json":
        return _json({"error": "A batch is JSON."}, 415)
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > _MOST_BYTES:
            return _json({"error": "The batch is too large; send it in parts."}, 413)
    try:
        given = json.loads(body)
    except (ValueError, RecursionError):
        return _json({"error": "The batch is not JSON."}, 400)
    me = _person(request)

    def question(shop: Shop) -> dict[str, Any]:
        system = me.system or shop.config.shop.units
        walk, understood, refused = entries.from_json(given, top_pct=operations.scale_end_pct(shop))
        taken = entries.take(shop, walk, understood, now_utc=datetime.now(UTC), by=me.name)
        return {"outcomes": [_outcome(each, system) for each in (*taken, *refused)]}

    return await _answered(lambda: ask(question))


async def _answered(question: Callable[[], dict[str, Any]]) -> Response:
    try:
        return _json(await asyncio.to_thread(question), 200)
    except BaulkError as err:
        return _json({"error": f"{str(err)[:1].upper()}{str(err)[1:]}."}, 400)


def _json(body: object, status: int) -> Response:
    return JSONResponse(body, status, headers={**_SAFE, "cache-control": "no-store"})


def _person(request: Request) -> preferences.Chosen:
    return preferences.read(request.cookies.get(preferences.COOKIE))


def _outcome(one: entries.Outcome, system: System) -> dict[str, Any]:
    said = (
        text.sentence(one.reason, system, zone=words.zone())
        if one.reason
        else in_reader_units(one.why, system)
    )
    return {"id": one.id, "state": one.state.value, "said": f"{said[:1].upper()}{said[1:]}"}


def _stop(one: yard.Stop, system: System) -> dict[str, Any]:
    timber, section = one.timber, one.timber.section
    return {
        "tag": timber.tag,
        "place": timber.place,
        "wood": timber.species,
        "size": show_size(section.width_mm, section.depth_mm, system),
        "width_mm": section.width_mm,
        "height_mm": section.depth_mm,
        "pith_mm": [section.pith_x_mm, section.pith_y_mm],
        "depth_mm": round(one.depth_mm, 2),
        "face": one.face and one.face.value,
        "pins": one.pins and _pins(one.pins),
        "weight": one.weight and {"kg": one.weight.value, "at_ms": _ms(one.weight)},
        "likely_kg": one.likely_kg,
        "expected": [
            {
                "depth_mm": round(each.depth_mm, 2),
                "face": each.face and each.face.value,
                "low": _tenth(each.low_pct),
                "high": _tenth(each.high_pct),
                "least": _tenth(each.least_pct),
                "most": _tenth(each.most_pct),
            }
            for each in one.expected
        ],
    }


def _pins(one: Reading) -> dict[str, Any]:
    return {
        "pct": _tenth(one.value),
        "at_least": AT_LEAST in one.flags,
        "depth_mm": one.series.depth_mm,
        "face": one.series.face and one.series.face.value,
        "at_ms": _ms(one),
    }


def _tenth(value: float | None) -> float | None:
    return None if value is None else round(value, 1)


def _ms(one: Reading) -> int:
    return round(one.taken_utc.timestamp() * 1000)


ROUTES: Final = (
    *(Route(f"/field/{name}", page, methods=["GET"]) for name in _KINDS),
    Route("/field/yard.json", stops, methods=["GET"]),
    Route("/field/readings", readings, methods=["POST"]),
)
