"""The page server as one application: the pages, our own routes beside them, and the door in front."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from pathlib import Path
from typing import cast

from starlette.middleware import Middleware
from streamlit import App, runtime

from baulk.dashboard.server import field, shell
from baulk.dashboard.server.door import Door
from baulk.dashboard.server.uploads import Files, Uploads

ROUTES = (*field.ROUTES, *shell.ROUTES)
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
    routes=list(ROUTES),
    middleware=[Middleware(Door, uploads=uploads), Middleware(shell.Shell, routes=ROUTES)],
    lifespan=_sweeping,
)
