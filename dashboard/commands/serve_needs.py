"""What `baulk serve` has to know of a shop, found out in a process of its own and printed as JSON."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any

from baulk.dashboard.commands.ports import answers
from baulk.dashboard.commands.serve import Needs
from baulk.dashboard.server import access
from baulk.dashboard.server import process as pages
from baulk.ingest import settings_watch
from baulk.ingest import shop as shops
from baulk.ingest.config import Config
from baulk.ingest.errors import StoreError
from baulk.models.errors import BaulkError


def parts(shop: Path, port: int | None) -> Needs:
    """Return what the parts of a shop are started with.

    Parameters
    ----------
    shop : Path
        The shop folder.
    port : int or None
        TCP port of the pages; without one that of the settings.

    Returns
    -------
    Needs
        For `baulk serve`.

    Raises
    ------
    BaulkError
        If the shop can't be opened, or its pages may not be served as its settings say.
    """
    with shops.open(shop) as opened:
        config = opened.config
    access.refuse_open(config, config.dashboard.host)
    port = port or config.dashboard.port
    broker, folder = config.broker, config.shop_dir
    return Needs(
        folder=str(folder),
        port=port,
        host=config.dashboard.host,
        pages=pages.command(folder, port, config),
        says=[
            _of_broker(broker.host, broker.port),
            f"the pages of {folder} are at {pages.where(config, port)}  (Ctrl-C ends)",
        ],
        files=_files(config),
    )


def _of_broker(host: str, port: int) -> str:
    """Say whether sensors are heard; the listener goes on trying, and readings by hand need no broker."""
    if answers(port, host, seconds=2.0):
        return f"taking readings from the broker at {host}:{port}"
    return (
        f"no broker answers at {host}:{port}, so no sensor is heard until one does: start it (Debian: "
        "apt-get install mosquitto), or correct [broker] in baulk.toml; readings by hand need none"
    )


def files(shop: Path) -> list[str]:
    """Return what a shop is opened by; raise as `parts` does if it can't be opened."""
    with shops.open(shop) as opened:
        return _files(opened.config)


def _files(config: Config) -> list[str]:
    return [str(each) for each in settings_watch.files(config)]


def answer(what: str, shop: str, port: str = "") -> dict[str, Any]:
    """Answer what `serve.asked` asks: "found"; or "refused", a sentence, and whether the store is "away"."""
    try:
        if what == "files":
            return {"found": files(Path(shop))}
        return {"found": asdict(parts(Path(shop), int(port) if port else None))}
    except BaulkError as err:
        return {"refused": str(err), "away": isinstance(err, StoreError)}


if __name__ == "__main__":
    sys.stdout.write(json.dumps(answer(*sys.argv[1:])))
