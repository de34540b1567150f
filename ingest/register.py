"""The register of timbers: SQLAlchemy on the shop's SQLite file, its tables raised by Alembic migrations."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa
from sqlalchemy import event
from sqlalchemy.engine import Connection, Engine, RowMapping
from sqlalchemy.exc import DBAPIError

from baulk.ingest import migrations
from baulk.ingest.errors import RegisterError
from baulk.ingest.store.sqlite_file import connect, in_words
from baulk.models.errors import NotFound
from baulk.models.reading import Owner, Quantity, Series
from baulk.models.section import Finished, Section
from baulk.models.timber import Timber

META: Final = sa.MetaData()
TIMBER: Final = sa.Table(
    "timber",
    META,
    sa.Column("tag", sa.String, primary_key=True),
    sa.Column("species", sa.String, nullable=False),
    sa.Column("width_mm", sa.Float, nullable=False),
    sa.Column("depth_mm", sa.Float, nullable=False),
    sa.Column("pith_x_mm", sa.Float, nullable=False),
    sa.Column("pith_y_mm", sa.Float, nullable=False),
    sa.Column("length_mm", sa.Float, nullable=False),
    sa.Column("finished_width_mm", sa.Float, nullable=False),
    sa.Column("finished_depth_mm", sa.Float, nullable=False),
    sa.Column("finished_x_mm", sa.Float, nullable=False),
    sa.Column("finished_y_mm", sa.Float, nullable=False),
    sa.Column("use_class", sa.String, nullable=False),
    sa.Column("place", sa.String, nullable=False),
    sa.Column("arrived_utc", sa.String, nullable=False),  # ISO 8601 in UTC
    sa.Column("ends_sealed", sa.Boolean, nullable=False),
    sa.Column("green_mc_pct", sa.Float),
    sa.Column(
        "revision", sa.Integer, nullable=False
    ),  # of the shop when last changed; makes the timber stale
    sa.Column("entered", sa.Integer, nullable=False),  # counts up
)


def engine_for(path: Path, *, wait_s: float = 5.0) -> Engine:
    """Make an engine on an existing store; every transaction takes the write lock at once."""

    def opened() -> sqlite3.Connection:
        return connect(path, wait_s=wait_s)

    engine = sa.create_engine(f"sqlite:///{path}", creator=opened, poolclass=sa.pool.NullPool)

    @event.listens_for(engine, "begin")
    def _begin(base: Connection) -> None:
        base.exec_driver_sql(base.get_execution_options().get("begin", "BEGIN"))

    return engine


class Register:
    """Timbers by tag.

    Parameters
    ----------
    engine : Engine
        As `engine_for` makes it. Missing tables are raised on opening.
    path : Path
        The file, for the sentences about it.
    """

    def __init__(self, engine: Engine, path: Path) -> None:
        self._engine = engine
        self._path = path
        self._known: tuple[int, frozenset[str]] = (0, frozenset())
        with self._faults():
            migrations.upgrade(engine.execution_options(begin="BEGIN IMMEDIATE"))

    @contextmanager
    def _faults(self) -> Iterator[None]:
        try:
            yield
        except DBAPIError as err:
            raise in_words(self._path, err.orig or err) from err
        except sqlite3.Error as err:
            raise in_words(self._path, err) from err

    @contextmanager
    def _write(self) -> Iterator[tuple[Connection, int]]:
        with self._faults(), self._engine.execution_options(begin="BEGIN IMMEDIATE").begin() as base:
            revision = base.execute(sa.text("UPDATE counter SET n = n + 1 RETURNING n")).scalar_one()
            yield base, revision

    def _rows(self, statement: sa.Select[Any]) -> list[RowMapping]:
        with self._faults(), self._engine.connect() as base:
            return list(base.execute(statement).mappings())

    def close(self) -> None:
        """Let go of the file."""
        self._engine.dispose()

    def tags(self) -> tuple[str, ...]:
        """Give every tag, in the order of entry."""
        return tuple(row["tag"] for row in self._rows(sa.select(TIMBER.c.tag).order_by(TIMBER.c.entered)))

    def known(self, *, again: bool = False) -> frozenset[str]:
        """Give the tags that were seen last, without opening the file; ``again`` looks anew.

        A tag is never taken away, so that one in here is entered for sure; one that is not may be new. With
        another file in its place all are looked up again.
        """
        inode = self._path.stat().st_ino if self._path.exists() else 0
        if again or inode != self._known[0] or not self._known[1]:
            self._known = (inode, frozenset(self.tags()))
        return self._known[1]

    def list(self) -> list[Timber]:
        """Give every timber, in the order of entry."""
        return [_timber(row) for row in self._rows(sa.select(TIMBER).order_by(TIMBER.c.entered))]

    def get(self, tag: str) -> Timber:
        """Give one timber; small and capital letters are the same."""
        rows = self._rows(sa.select(TIMBER).where(sa.func.lower(TIMBER.c.tag) == tag.strip().lower()))
        if not rows:
            raise NotFound("timber", tag, self.tags())
        return _timber(rows[0])

    def has(self, tag: str) -> bool:
        """Whether this very tag is entered."""
        return bool(self._rows(sa.select(TIMBER.c.tag).where(TIMBER.c.tag == tag)))

    def add(self, timber: Timber) -> Timber:
        """Enter a timber under a tag of its own."""
        _check(timber)
        same = sa.select(TIMBER.c.tag).where(sa.func.lower(TIMBER.c.tag) == timber.tag.lower())
        with self._write() as (base, revision):
            if taken := base.execute(same).scalar():
                raise RegisterError(
                    f"the tag {taken} is in use already; the next free one is {self._next(base)}"
                )
            last = base.execute(sa.select(sa.func.max(TIMBER.c.entered))).scalar() or 0
            base.execute(TIMBER.insert().values(**_columns(timber), revision=revision, entered=last + 1))
        return timber

    def edit(self, timber: Timber) -> Timber:
        """Replace the entry of the timber with this tag."""
        _check(timber)
        with self._write() as (base, revision):
            done = base.execute(
                TIMBER.update()
                .where(TIMBER.c.tag == timber.tag)
                .values(**_columns(timber), revision=revision)
            )
            if done.rowcount != 1:
                known = [row.tag for row in base.execute(sa.select(TIMBER.c.tag))]
                raise NotFound("timber", timber.tag, known)
        return timber

    def next_tag(self) -> str:
        """Propose a tag: the last one entered, counted up until it is free."""
        with self._faults(), self._engine.connect() as base:
            return self._next(base)

    @staticmethod
    def _next(base: Connection) -> str:
        tags = [row.tag for row in base.execute(sa.select(TIMBER.c.tag).order_by(TIMBER.c.entered))]
        used = {tag.lower() for tag in tags}
        stem, digits = _split(tags[-1]) if tags else ("T-", "00")
        number = int(digits)
        while True:
            number += 1
            tag = f"{stem}{number:0{len(digits)}d}"
            if tag.lower() not in used:
                return tag


def _split(tag: str) -> tuple[str, str]:
    found = re.fullmatch(r"(.*?)(\d{1,9})", tag)
    return (found[1], found[2]) if found else (f"{tag}-", "00")


def _check(timber: Timber) -> None:
    """Refuse names that could not stand in a topic; whether a species is known the shop's door asks."""
    Series(owner=Owner.TIMBER, name=timber.tag, quantity=Quantity.WEIGHT)
    Series(owner=Owner.AIR, name=timber.place, quantity=Quantity.TEMP)
    for what, text in (("species", timber.species), ("use class", timber.use_class)):
        if not text.strip():
            raise RegisterError(f"timber {timber.tag} needs a {what}")


def _columns(timber: Timber) -> dict[str, Any]:
    return {
        "tag": timber.tag,
        "species": timber.species,
        "width_mm": timber.section.width_mm,
        "depth_mm": timber.section.depth_mm,
        "pith_x_mm": timber.section.pith_x_mm,
        "pith_y_mm": timber.section.pith_y_mm,
        "length_mm": timber.length_mm,
        "finished_width_mm": timber.finished.width_mm,
        "finished_depth_mm": timber.finished.depth_mm,
        "finished_x_mm": timber.finished.centre_x_mm,
        "finished_y_mm": timber.finished.centre_y_mm,
        "use_class": timber.use_class,
        "place": timber.place,
        "arrived_utc": timber.arrived_utc.astimezone(UTC).isoformat(),
        "ends_sealed": timber.ends_sealed,
        "green_mc_pct": timber.green_mc_pct,
    }


def _timber(row: RowMapping) -> Timber:
    return Timber(
        tag=row["tag"],
        species=row["species"],
        section=Section(
            width_mm=row["width_mm"],
            depth_mm=row["depth_mm"],
            pith_x_mm=row["pith_x_mm"],
            pith_y_mm=row["pith_y_mm"],
        ),
        length_mm=row["length_mm"],
        finished=Finished(
            width_mm=row["finished_width_mm"],
            depth_mm=row["finished_depth_mm"],
            centre_x_mm=row["finished_x_mm"],
            centre_y_mm=row["finished_y_mm"],
        ),
        use_class=row["use_class"],
        place=row["place"],
        arrived_utc=datetime.fromisoformat(row["arrived_utc"]),
        ends_sealed=row["ends_sealed"],
        green_mc_pct=row["green_mc_pct"],
    )
