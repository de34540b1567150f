"""The shop behind the pages: opened once for a server, and asked by one page at a time."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from pathlib import Path
from threading import Lock
from typing import TypeVar

from baulk.dashboard import words
from baulk.ingest import shop as shop_module
from baulk.models.errors import BaulkError

T = TypeVar("T")


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
        self._context = shop_module.open(self._folder, durable=True)
        self._shop = self._context.__enter__()
        words.keep_to(self._shop.config.zone)

    def ask(self, question: Callable[[shop_module.Shop], T]) -> T:
        return self._thread.submit(lambda: question(self._shop)).result()


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
