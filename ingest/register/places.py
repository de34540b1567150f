"""Places with air of their own, and the parts wanted for the work in hand."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import sqlalchemy as sa
from pydantic import TypeAdapter
from sqlalchemy.engine import Connection

from baulk.ingest.register.tables import PART, PLACE, TIMBER, place_of
from baulk.models.errors import NotFound
from baulk.models.plan.buying.parts import Part
from baulk.models.timber import Place

_PARTS = TypeAdapter(Part)


def places(base: Connection) -> list[Place]:
    """Give the places entered, and those that a timber lies in, by name."""
    found = {row["name"]: place_of(row) for row in base.execute(sa.select(PLACE)).mappings()}
    lying = base.execute(sa.select(TIMBER.c.place).where(TIMBER.c.retired_utc.is_(None)).distinct())
    for name in lying.scalars():
        found.setdefault(name, Place(name=name))
    return [found[name] for name in sorted(found)]


def save_place(base: Connection, place: Place) -> None:
    """Enter a place, or replace the one of this name."""
    _replace(base, PLACE, asdict(place))


def parts(base: Connection) -> list[Part]:
    """Give the parts wanted, in the order of entry."""
    rows = base.execute(sa.select(PART.c.content).order_by(PART.c.entered)).scalars()
    return [_PARTS.validate_python(content, strict=False) for content in rows]


def save_part(base: Connection, part: Part) -> None:
    """Enter a part, or replace the one of this name."""
    last = base.execute(sa.select(sa.func.max(PART.c.entered))).scalar() or 0
    held = base.execute(sa.select(PART.c.entered).where(PART.c.name == part.name)).scalar()
    row = {
        "name": part.name,
        "use_class": part.use_class,
        "entered": last + 1 if held is None else held,
        "content": _PARTS.dump_python(part, mode="json"),
    }
    _replace(base, PART, row)


def remove_part(base: Connection, name: str) -> None:
    """Take a part off the list."""
    if base.execute(PART.delete().where(PART.c.name == name)).rowcount == 0:
        raise NotFound("part", name, base.execute(sa.select(PART.c.name)).scalars())


def _replace(base: Connection, table: sa.Table, row: dict[str, Any]) -> None:
    base.execute(table.delete().where(table.c.name == row["name"]))
    base.execute(table.insert().values(**row))
