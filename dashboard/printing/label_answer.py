"""A label that a field page asks for: in the person's units, its code for the address they came by."""

from __future__ import annotations

import asyncio
from typing import Final
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from baulk.dashboard.server import field_answers
from baulk.dashboard.server.shop_access import ask
from baulk.ingest.config import DashboardPart
from baulk.ingest.shop import Shop
from baulk.models.errors import BaulkError
from baulk.models.timber import Timber
from baulk.models.units import System
from baulk.models.use_class import UseClassTable


async def label(request: Request) -> Response:
    """Give the labels of one timber as a PDF."""
    me, tag = field_answers.person(request), request.query_params.get("tag", "")
    came_by = f"{request.url.scheme}://{request.url.netloc}"

    def made() -> bytes:
        from baulk.dashboard.printing import labels  # noqa: PLC0415 - the server starts without what prints

        timber, pages, units, uses = ask(lambda shop: _held(shop, tag))
        system = me.system or units
        sheet = labels.named(request.query_params.get("sheet") or labels.rolls(system)[0])
        url = labels.opens(pages.url, came_by)
        return labels.labels([timber], sheet=sheet, url=url, system=system, uses=uses)

    try:
        pdf = await asyncio.to_thread(made)
    except BaulkError as err:
        said = f"{str(err)[:1].upper()}{str(err)[1:]}."
        return Response(said, 400, media_type="text/plain", headers=field_answers.SAFE)
    called = f"inline; filename*=UTF-8''{quote(tag, safe='')}.pdf"
    shown = {**field_answers.SAFE, "content-disposition": called}
    return Response(pdf, media_type="application/pdf", headers=shown)


def _held(shop: Shop, tag: str) -> tuple[Timber, DashboardPart, System, UseClassTable]:
    timber = shop.register.get(tag)
    return timber, shop.config.dashboard, shop.config.shop.units, shop.woods.use_classes


ROUTES: Final = (Route("/field/label", label, methods=["GET"]),)
