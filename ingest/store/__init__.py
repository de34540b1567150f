"""Where readings are kept: one protocol, one table of stores."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from baulk.ingest.config import Config
from baulk.ingest.store.base import QuarantineRow, Store, StoredEvaluation
from baulk.ingest.store.both import ShopStore
from baulk.ingest.store.postgres import PostgresSql
from baulk.ingest.store.readings_influx import InfluxReadings
from baulk.ingest.store.readings_sql import SqlReadings
from baulk.ingest.store.sqlite import SqliteSql

__all__ = ["STORES", "QuarantineRow", "Store", "StoredEvaluation", "open_store"]


def _sqlite(config: Config) -> Store:
    sql = SqliteSql(config.store_path, wait_s=config.store.wait_s)
    return ShopStore(sql, SqlReadings(sql))


def _postgres(config: Config) -> Store:
    sql = PostgresSql(config.store)
    return ShopStore(sql, SqlReadings(sql))


def _influx(config: Config) -> Store:
    part = config.store
    sql = PostgresSql(part) if part.postgres_url else SqliteSql(config.store_path, wait_s=part.wait_s)
    try:
        return ShopStore(sql, InfluxReadings(part, sql))
    except BaseException:
        sql.close()
        raise


STORES: Final[Mapping[str, Callable[[Config], Store]]] = {
    "sqlite": _sqlite,
    "postgres": _postgres,
    "influx": _influx,
}


def open_store(config: Config) -> Store:
    """Open the store that the configuration names; it must exist."""
    return STORES[config.store.kind](config)
