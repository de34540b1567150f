"""The shop behind the pages: opened once for a server, and asked by one page at a time."""

from __future__ import annotations

import logging
import os
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from pathlib import Path
from threading import Lock
from typing import Final, TypeVar

from baulk.dashboard import words
from baulk.ingest import shop as shop_module
from baulk.ingest.errors import StoreMoved
from baulk.ingest.settings_watch import Watched
from baulk.models.errors import BaulkError

T = TypeVar("T")
LOG: Final = logging.getLogger("baulk.pages")
LOOK_S: Final = 1.0  # between two looks at the settings


class NoShop(BaulkError, LookupError):
    """The pages were started without a shop folder."""


class _Desk:
    """One shop behind one thread: pages of every person ask it in turn, so no connection is ever shared."""

    def __init__(self, folder: Path) -> None:
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="shop")
        self._folder = folder
        try:
            self._thread.submit(self._open).result()
        except BaseException:
            self._thread.shutdown(wait=False)
            raise

    def _open(self) -> None:
        self._watched = Watched(shop_module.open(self._folder, durable=True), durable=True)
        self._looked_s = time.monotonic()
        words.keep_to(self._watched.shop.config.zone)

    def _now(self) -> shop_module.Shop:
        """Return the shop, by settings that have changed meanwhile too."""
        if time.monotonic() - self._looked_s >= LOOK_S:
            self._looked_s = time.monotonic()
            anew, said = self._watched.look()
            if said:
                LOG.warning("%s", said)
            if anew:
                words.keep_to(self._watched.shop.config.zone)
        return self._watched.shop

    def _answer(self, question: Callable[[shop_module.Shop], T]) -> T:
        try:
            return question(self._now())
        except StoreMoved as err:
            before = self._watched.shop
            for _ in range(2):  # it takes up what stands still between two looks
                self._watched.look()
            if self._watched.shop is before:
                raise
            raise StoreMoved(
                "the shop has just been moved to another store, and this was not saved; do it once more"
            ) from err

    def ask(self, question: Callable[[shop_module.Shop], T]) -> T:
        return self._thread.submit(lambda: self._answer(question)).result()


_opening = Lock()


@lru_cache(maxsize=8)
def _open_desk(folder: Path) -> _Desk:
    return _Desk(folder)


def folder() -> Path:
    """Return the shop folder that this server was started for."""
    if "--shop" in sys.argv[:-1]:
        return Path(sys.argv[sys.argv.index("--shop") + 1])
    if named := os.environ.get("BAULK_SHOP"):
        return Path(named)
    raise NoShop("these pages were started without a shop; start them with `baulk dashboard --shop DIR`")


def ask(question: Callable[[shop_module.Shop], T]) -> T:
    """Ask the shop one question on its own thread, and wait for the answer."""
    with _opening:
        desk = _open_desk(folder())
    return desk.ask(question)
