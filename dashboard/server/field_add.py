"""What the page for a new timber asks and sends: what the shop knows, timbers, their photographs."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from baulk.dashboard.server import field_answers
from baulk.dashboard.server.shop_access import ask
from baulk.ingest import hand_readings, known_places, photos
from baulk.ingest.shop import Shop
from baulk.ingest.store import notes
from baulk.ingest.walk import arrival_batch, arrivals
from baulk.ingest.walk.entries import State
from baulk.models import plausible, sapwood, text
from baulk.models.formatting import in_reader_units
from baulk.models.section import Finished, Section
from baulk.models.species import SpeciesTable
from baulk.models.species_table import NAMES
from baulk.models.timber import Timber
from baulk.models.units import System

_MOST_BYTES: Final = 200_000  # of a batch of fifty timbers
_TAGS: Final = 40  # free ones that a phone takes along
_M3: Final = Section(width_mm=1000.0, depth_mm=1000.0)


async def known(request: Request) -> Response:
    """Give what a phone needs to enter timbers without a signal: woods, uses, places, free tags, limits."""
    me = field_answers.person(request)

    def question(shop: Shop) -> dict[str, Any]:
        timbers = shop.register.list(retired=True)
        newest = timbers[::-1]
        meter = notes.hand_meter(shop.store)
        uses, places = shop.woods.use_classes, sorted(known_places.names(shop, again=True))
        return {
            "system": me.system or shop.config.shop.units,
            "top_pct": meter.top_pct if meter else None,
            "now_ms": round(datetime.now(UTC).timestamp() * 1000),
            "tags": _free_tags(shop.register.next_tag(), {each.tag.lower() for each in timbers}),
            "woods": _woods(shop.woods.species),
            "last_woods": _once(each.species for each in newest),
            "uses": [
                {"name": name, "title": uses.get(name).title}
                for name in _once((*(each.use_class for each in newest), *uses.names()))
            ],
            "places": _once((*(each.place for each in newest), *places)),
            "limits": _limits(),
            "codes_open": shop.config.dashboard.url,
        }

    return await field_answers.answered(lambda: ask(question))


def _limits() -> dict[str, Any]:
    """Give the limits of the one check, so that the page holds none of its own."""
    return {
        "side_mm": plausible.SIDE_MM,
        "usual_side_mm": plausible.USUAL_SIDE_MM,
        "length_mm": plausible.LENGTH_MM,
        "usual_length_mm": plausible.USUAL_LENGTH_MM,
        "below_meter_pct": plausible.BELOW_METER_PCT,
        "most_shown_pct": plausible.MOST_SHOWN_PCT,
        "lift_kg": sapwood.LIFT_ALONE_KG,
        "photo_px": photos.LONGEST_SIDE,
        "photo_bytes": photos.MOST_BYTES,
    }


@lru_cache(maxsize=4)
def _woods(table: SpeciesTable) -> list[dict[str, Any]]:
    """Give each wood with its other names, and what a cubic metre of it can weigh and hold."""
    grouped = [row["species"] for row in table.rows() if row["quantity"] == "group"]
    known_names = set(table.names())
    # those of a name such as oak stand together, the ones that boats are built of first
    others: dict[str, list[str]] = {name: [] for name in (*grouped, *table.names()) if name in known_names}
    for row in table.rows():
        if row["quantity"] in NAMES and row["species"] in others:
            others[row["species"]].append(row["value"])
    found = []
    for name, also in others.items():
        whole = Timber(
            tag="X", species=name, section=_M3, length_mm=1000.0, finished=Finished(width_mm=1, depth_mm=1),
            use_class="any", place="any", arrived_utc=datetime(2000, 1, 1, tzinfo=UTC),
        )  # fmt: skip
        can = plausible.limits(whole, table.get(name))
        kg_m3 = (can.lightest_kg, can.light_kg, can.heavy_kg, can.heaviest_kg)
        found.append(
            {
                "name": name,
                "also": _once(also),
                "kg_m3": [round(each, 1) for each in kg_m3],
                "wettest_pct": round(can.wettest_pct, 1),
            }
        )
    return found


def _once(names: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(names))


def _free_tags(first: str, used: set[str]) -> list[str]:
    """Give the free tags that follow, as the register counts them."""
    found = re.fullmatch(r"(.*?)(\d+)", first)
    if found is None:
        return [first]
    stem, digits = found[1], found[2]
    counted = (f"{stem}{int(digits) + n:0{len(digits)}d}" for n in range(_TAGS + len(used)))
    return [tag for tag in counted if tag.lower() not in used][:_TAGS]


async def entered(request: Request) -> Response:
    """Enter what a phone sends, each timber once; only our own page may send it."""
    batch = await field_answers.batch(request, _MOST_BYTES)
    if isinstance(batch, Response):
        return batch
    me = field_answers.person(request)

    def question(shop: Shop) -> dict[str, Any]:
        system, now = me.system or shop.config.shop.units, datetime.now(UTC)
        found, undone, refused = arrival_batch.from_json(
            batch["given"], now_utc=now, top_pct=hand_readings.scale_end_pct(shop)
        )
        taken = [
            arrivals.undo(shop, key, now_utc=now, by=me.name) for key in undone
        ]  # first: what it stood for
        taken += [arrivals.take(shop, one, now_utc=now, by=me.name) for one in found]
        return {"outcomes": [_outcome(shop, each, system) for each in (*taken, *refused)]}

    return await field_answers.answered(lambda: ask(question))


def _outcome(shop: Shop, one: arrivals.Outcome, system: System) -> dict[str, Any]:
    said = in_reader_units(one.why, system)
    if one.reasons:
        said = " ".join(text.sentences(one.reasons, system, zone=shop.config.zone))
    elif one.state in {State.STORED, State.KNOWN} and shop.register.has(one.tag):
        said = _said_back(shop, one.tag, system)
    return {"id": one.id, "state": one.state.value, "tag": one.tag, "said": f"{said[:1].upper()}{said[1:]}"}


def _said_back(shop: Shop, tag: str, system: System) -> str:
    """Say back what was understood, that it is heavy, and that little is left of it."""
    from baulk.ingest.evaluation import still_fits  # noqa: PLC0415 - the server starts without the model

    timber = shop.register.get(tag)
    wood = shop.woods.species.get(timber.species)
    weighs = sapwood.green_weight(timber.section, timber.length_mm, wood, heartwood_mm=timber.heartwood_mm)
    told = [text.sentence(sapwood.entered(timber, weighs), system) + "."]
    told += text.sentences(weighs.reasons()[1:], system)
    out = still_fits.reason(shop, tag)
    if still_fits.little_left(out):
        told.append(text.sentence(out, system))
    return " ".join(told)


async def photograph(request: Request) -> Response:
    """Keep the photograph of a timber that was entered, once however often it is sent."""
    body = await field_answers.sent(request, ("image/jpeg", "image/png"), photos.MOST_BYTES)
    if isinstance(body, Response):
        return body
    key, me = request.query_params.get("of", ""), field_answers.person(request)

    def question() -> dict[str, Any]:
        small = photos.upright(body)  # beside the shop's thread, so that pages go on
        now = datetime.now(UTC)
        return {"kept": ask(lambda shop: arrivals.photograph(shop, key, small, now_utc=now, by=me.name))}

    return await field_answers.answered(question)


ROUTES: Final = (
    Route("/field/known.json", known, methods=["GET"]),
    Route("/field/arrivals", entered, methods=["POST"]),
    Route("/field/photograph", photograph, methods=["POST"]),
)
