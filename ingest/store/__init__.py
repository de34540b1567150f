"""Where readings are kept: one protocol; a new kind is a file here and its line in `ingest.store_kinds`."""

from __future__ import annotations

import importlib

from baulk.ingest.config import Config
from baulk.ingest.store.base import Store, StoredEvaluation
from baulk.ingest.store.rejected import QuarantineRow
from baulk.ingest.store_kinds import STORES

__all__ = ["STORES", "QuarantineRow", "Store", "StoredEvaluation", "open_store"]


def open_store(config: Config, *, durable: bool = False) -> Store:
    """Open the store that the configuration names; it must exist.

    With ``durable`` a commit to a file waits for the disk; a server keeps its own rule.
    """
    module = importlib.import_module(f"{__name__}.{STORES[config.store.kind].module}")
    opened: Store = module.open_kind(config, durable=durable)
    return opened
