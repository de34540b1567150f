"""Alembic migrations of the register; opening a shop brings its tables up to date.

Add one: a file in `versions` whose ``down_revision`` is the last one's ``revision``, and set `HEAD` to it.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final

from sqlalchemy import inspect
from sqlalchemy.engine import Engine

from baulk.ingest.errors import RegisterError

HEAD: Final = "0004"
_ALONE: Final = 0x6261756C6B72  # of the lock under which the register's tables are raised


def current(engine: Engine) -> str | None:
    """Which migration the tables stand at."""
    with engine.connect() as base:
        if not inspect(base).has_table("alembic_version"):
            return None
        version = base.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
        return None if version is None else str(version)


def upgrade(engine: Engine, to: str = HEAD, *, before: Callable[[], object] = lambda: None) -> None:
    """Run the migrations that are missing, in one transaction; Alembic is loaded only then.

    Where there are tables already, ``before`` is called first: it keeps a copy, or refuses by raising.
    """
    found = current(engine)
    if found == to:
        return
    if found is not None and found > to:
        raise RegisterError(
            f"the register was written by a newer Baulk (migration {found}, this one knows {to}); "
            "install that one"
        )
    if found is not None:
        before()
    from alembic import command  # noqa: PLC0415 - a third of a second that most openings need not wait
    from alembic.config import Config  # noqa: PLC0415

    with engine.begin() as base:
        if base.dialect.name == "postgresql":  # SQLite's lock is taken by the way it begins
            base.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_ALONE})")
        config = Config()
        config.set_main_option("script_location", str(Path(__file__).parent))
        config.set_main_option("path_separator", "os")
        config.attributes["connection"] = base
        command.upgrade(config, to)
