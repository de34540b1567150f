"""The kinds of store that `[store]` may name: a new one is a file in `ingest/store/` and its line here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreKind:
    """What the settings, backups and the opening of a store know of its kind.

    Parameters
    ----------
    module : str
        Module of `baulk.ingest.store` with a function ``open_kind`` that takes the `Config` and ``durable``,
        whether a commit waits for the disk, and returns the open `Store`.
    url_schemes : tuple of str
        How the address of its server begins; empty for a store without a server.
    needs : mapping of str to str
        Settings that it can't do without, and what each is.
    holds_register : bool
        Whether register and evaluations lie in the same database as the readings; otherwise `books_url` may
        name a PostgreSQL database for them, or they lie in the file of the shop.
    own_backup : str or None
        What its server is called, where the readings are backed up by that server's own tool and not by ours.
    """

    module: str
    url_schemes: tuple[str, ...] = ()
    needs: Mapping[str, str] = field(default_factory=dict)
    holds_register: bool = True
    own_backup: str | None = None


STORES: Final[Mapping[str, StoreKind]] = MappingProxyType({
    "sqlite": StoreKind(module="sqlite"),
    "postgres": StoreKind(module="postgres", url_schemes=("postgresql://", "postgres://")),
    "influx": StoreKind(
        module="readings_influx", url_schemes=("http://", "https://"),
        needs={"org": "the organisation at the server"}, holds_register=False, own_backup="InfluxDB",
    ),
})  # fmt: skip
