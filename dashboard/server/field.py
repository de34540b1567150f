"""The field pages: small static pages for a phone in the yard, and what they ask and send as JSON.

They stand behind the same door as every page. A page keeps what is typed on the phone and sends it when there
is signal; `baulk.ingest.walk` stores each entry once.
"""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from baulk.dashboard import words
from baulk.dashboard.server import field_add, field_answers, tag_code
from baulk.dashboard.server.shop_access import ask
from baulk.ingest import hand_readings, photos
from baulk.ingest.shop import Shop
from baulk.ingest.store import notes
from baulk.ingest.walk import entries, pictures, yard
from baulk.models import text
from baulk.models.errors import OutOfRange
from baulk.models.formatting import in_reader_units
from baulk.models.reading import AT_LEAST, Reading, from_end_mm
from baulk.models.units import System, show_size

_FILES: Final = Path(__file__).parent.with_name("field")
_MOST_BYTES: Final = 400_000  # of a batch: twice five hundred entries
_PICTURES: Final = ("image/jpeg", "image/png")
_KINDS: Final = {
    "walk": ("walk.html", "text/html"),
    "add": ("add.html", "text/html"),
    "worker.js": ("worker.js", "text/javascript"),
    "icon.svg": ("icon.svg", "image/svg+xml"),
    "tokens.css": ("../tokens.css", "text/css"),  # the same colours as the pages
    **{name: (name, "text/css") for name in ("field.css", "walk.css", "add.css")},
    **{
        name: (name, "text/javascript")
        for name in (
            "walk.js",
            "walk_camera.js",
            "walk_list.js",
            "walk_order.js",
            "add.js",
            "add_form.js",
            "add_pith.js",
            "phone.js",
            "picture.js",
            "queue.js",
            "measure.js",
            "butt_end.js",
            "likely.js",
            "label_code.js",
        )
    },
}


async def page(request: Request) -> Response:
    """Give a field page or a part of it."""
    name, kind = _KINDS[request.url.path.removeprefix("/field/")]
    return Response(_content(name), media_type=kind, headers=field_answers.SAFE)


@lru_cache(maxsize=len(_KINDS))
def _content(name: str) -> bytes:
    """Give a file; the worker is told what to keep, under a name that changes with any of it."""
    content = (_FILES / name).read_bytes()
    if name != "worker.js":
        return content
    kept = [f"/field/{each}" for each in _KINDS if each != name]
    digest = hashlib.sha256(content)
    for each, _ in _KINDS.values():
        digest.update((_FILES / each).read_bytes())
    told = content.replace(b'"@files"', json.dumps(kept).encode())
    return told.replace(b"@version", digest.hexdigest()[:12].encode())


async def stops(request: Request) -> Response:
    """Give the timbers in the order of the walk, with what is expected of each."""
    me, now = field_answers.person(request), datetime.now(UTC)

    def told() -> dict[str, Any]:
        every, settings, meter = ask(_held)
        system = me.system or settings
        return {
            "system": system,
            "meter": text.sentence(meter.reason, system, zone=words.zone()) if meter and meter.named else "",
            "top_pct": meter.top_pct if meter else None,
            "now_ms": round(now.timestamp() * 1000),
            "stops": [_stop(each, system) for each in yard.stops(every, now)],
        }

    return await field_answers.answered(told)


def _held(shop: Shop) -> tuple[tuple[yard.Held, ...], System, notes.HandMeter | None]:
    """Give what the shop holds; what is likely is worked out beside its thread, so that pages go on."""
    return yard.held(shop), shop.config.shop.units, notes.hand_meter(shop.store)


async def readings(request: Request) -> Response:
    """Store what a walk sends, each entry once; only our own page may send it."""
    batch = await field_answers.batch(request, _MOST_BYTES)
    if isinstance(batch, Response):
        return batch
    me = field_answers.person(request)

    def question(shop: Shop) -> dict[str, Any]:
        system = me.system or shop.config.shop.units
        walk, understood, refused = entries.from_json(
            batch["given"], top_pct=hand_readings.scale_end_pct(shop)
        )
        taken = entries.take(shop, walk, understood, now_utc=datetime.now(UTC), by=me.name)
        return {"outcomes": [_outcome(each, system) for each in (*taken, *refused)]}

    return await field_answers.answered(lambda: ask(question))


async def scan(request: Request) -> Response:
    """Read the tag in the code on a picture."""
    body = await field_answers.sent(request, _PICTURES, photos.MOST_BYTES)
    if isinstance(body, Response):
        return body
    return await field_answers.answered(lambda: {"tag": tag_code.tag_in(body)})


async def picture(request: Request) -> Response:
    """Keep a photograph of a timber, once however often it is sent."""
    body = await field_answers.sent(request, _PICTURES, photos.MOST_BYTES)
    if isinstance(body, Response):
        return body
    asked, me = request.query_params, field_answers.person(request)

    def question() -> dict[str, Any]:
        small, now = photos.upright(body), datetime.now(UTC)  # beside the shop's thread, so that pages go on
        try:
            age_s = float(asked.get("age_s", "0"))
        except ValueError as err:
            raise OutOfRange("the age of a picture", "is a number of seconds") from err
        key, tag = asked.get("id", ""), asked.get("tag", "")
        ask(lambda s: pictures.keep(s, key, tag, small, age_s=age_s, now_utc=now, by=me.name))
        return {"kept": True}

    return await field_answers.answered(question)


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
        "length_mm": timber.length_mm,
        "from_end_mm": one.pins and from_end_mm(one.pins.flags),
        "read_ms": {"pins": _at(one.pins_utc), "weight": _at(one.weight_utc)},
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


def _at(at_utc: datetime | None) -> int | None:
    return None if at_utc is None else round(at_utc.timestamp() * 1000)


ROUTES: Final = (
    *field_add.ROUTES,
    *(Route(f"/field/{name}", page, methods=["GET"]) for name in _KINDS),
    Route("/field/yard.json", stops, methods=["GET"]),
    Route("/field/readings", readings, methods=["POST"]),
    Route("/field/scan", scan, methods=["POST"]),
    Route("/field/picture", picture, methods=["POST"]),
)
