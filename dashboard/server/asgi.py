"""The page server as one application: the pages, and the door in front of them."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from pathlib import Path
from typing import cast

from starlette.middleware import Middleware
from streamlit import App, runtime

from baulk.dashboard.server import field, outside
from baulk.dashboard.server.door import Door
from baulk.dashboard.server.uploads import Files, Uploads

uploads = Uploads(
    lambda: cast("Files", runtime.get_instance().uploaded_file_mgr),
    lambda session: runtime.get_instance().is_active_session(session),
)


@contextlib.asynccontextmanager
async def _sweeping(_app: App) -> AsyncIterator[None]:
    sweeping = asyncio.create_task(uploads.keep_sweeping())
    try:
        yield
    finally:
        sweeping.cancel()


app = App(
    Path(__file__).parent.with_name("app.py"),
    routes=[*field.ROUTES, *outside.ROUTES],
    middleware=[Middleware(Door, uploads=uploads)],
    lifespan=_sweeping,
)
