"""The page server as one application: the pages, our own routes beside them, and the door in front."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from pathlib import Path
from typing import cast

from starlette.middleware import Middleware
from streamlit import App, runtime

from baulk.dashboard.printing import label_answer
from baulk.dashboard.server import field, outside, page_worker, shell, warm
from baulk.dashboard.server.door import Door
from baulk.dashboard.server.uploads import Files, Uploads
from baulk.ingest import service_manager

ROUTES = (*field.ROUTES, *label_answer.ROUTES, *outside.ROUTES, *shell.ROUTES)
uploads = Uploads(
    lambda: cast("Files", runtime.get_instance().uploaded_file_mgr),
    lambda session: runtime.get_instance().is_active_session(session),
)


async def _keep_telling() -> None:
    """Tell systemd, where it runs us, that the loop that answers everybody still turns."""
    service_manager.ready()
    while every := service_manager.patience_s() / 4:
        service_manager.alive()
        await asyncio.sleep(every)


@contextlib.asynccontextmanager
async def _beside(_app: App) -> AsyncIterator[None]:
    tasks = [asyncio.create_task(each) for each in (uploads.keep_sweeping(), _keep_telling(), warm.later())]
    try:
        yield
    finally:
        service_manager.ending()
        for each in tasks:
            each.cancel()
        await asyncio.to_thread(page_worker.end)


app = App(
    Path(__file__).with_name("app.py"),
    routes=list(ROUTES),
    middleware=[Middleware(Door, uploads=uploads), Middleware(shell.Shell, routes=ROUTES)],
    lifespan=_beside,
)
