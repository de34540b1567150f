"""The register's tables, and the types that their rows are."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, Final

import sqlalchemy as sa

from baulk.ingest.store.moments import from_us
from baulk.models.section import Finished, Section
from baulk.models.timber import Event, EventKind, Place, Timber, Value

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
    sa.Column("heartwood_mm", sa.Float),
    sa.Column("revision", sa.BigInteger, nullable=False),  # of the shop when last changed; makes it stale
    sa.Column("entered", sa.Integer, nullable=False),  # counts up
    sa.Column("retired_utc", sa.String),  # ISO 8601 in UTC
)
EVENT: Final = sa.Table(
    "event",
    META,
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("tag", sa.String, nullable=False, index=True),
    sa.Column("kind", sa.String, nullable=False),
    sa.Column("at_us", sa.BigInteger, nullable=False),
    sa.Column("noted_us", sa.BigInteger, nullable=False),
    sa.Column("who", sa.String, nullable=False),
    sa.Column("note", sa.String, nullable=False),
    sa.Column("detail", sa.JSON, nullable=False),  # without what `was` tells
    sa.Column("sets", sa.JSON, nullable=False),  # columns of the timber from then on
    sa.Column("was", sa.JSON, nullable=False),  # the same columns before
    sa.Column("sensor", sa.String, index=True),
    sa.Column("undone_us", sa.BigInteger),
    sa.Column("undone_by", sa.String, nullable=False),
    sa.Column(
        "settled", sa.Boolean, nullable=False, server_default=sa.true()
    ),  # its sensor's readings followed
)
PLACE: Final = sa.Table(
    "place",
    META,
    sa.Column("name", sa.String, primary_key=True),
    sa.Column("kind", sa.String, nullable=False),
    sa.Column("x_m", sa.Float),
    sa.Column("y_m", sa.Float),
    sa.Column("width_m", sa.Float),
    sa.Column("depth_m", sa.Float),
    sa.Column("volume_m3", sa.Float),
    sa.Column("air_changes_per_h", sa.Float),
    sa.Column("note", sa.String, nullable=False),
)
PART: Final = sa.Table(
    "part",
    META,
    sa.Column("name", sa.String, primary_key=True),
    sa.Column("use_class", sa.String, nullable=False),
    sa.Column("entered", sa.Integer, nullable=False),  # counts up
    sa.Column("content", sa.JSON, nullable=False),
)
COUNTER: Final = sa.table(
    "counter", sa.column("n", sa.BigInteger)
)  # the shop's revision, shared with the store
# where each column of a timber lies in the type
FIELDS: Final[Mapping[str, tuple[str, ...]]] = {
    "species": ("species",),
    "width_mm": ("section", "width_mm"),
    "depth_mm": ("section", "depth_mm"),
    "pith_x_mm": ("section", "pith_x_mm"),
    "pith_y_mm": ("section", "pith_y_mm"),
    "length_mm": ("length_mm",),
    "finished_width_mm": ("finished", "width_mm"),
    "finished_depth_mm": ("finished", "depth_mm"),
    "finished_x_mm": ("finished", "centre_x_mm"),
    "finished_y_mm": ("finished", "centre_y_mm"),
    "use_class": ("use_class",),
    "place": ("place",),
    "arrived_utc": ("arrived_utc",),
    "ends_sealed": ("ends_sealed",),
    "green_mc_pct": ("green_mc_pct",),
    "heartwood_mm": ("heartwood_mm",),
    "retired_utc": ("retired_utc",),
}


def columns(timber: Timber) -> dict[str, Any]:
    """Give the row of a timber, without what only the register knows."""
    row: dict[str, Any] = {"tag": timber.tag}
    for column, path in FIELDS.items():
        value: Any = timber
        for name in path:
            value = getattr(value, name)
        row[column] = stored(value)
    return row


def stored(value: Any) -> Any:  # noqa: ANN401 - whatever a column holds
    """Give a moment as ISO 8601 in UTC, anything else as it is."""
    return value.astimezone(UTC).isoformat() if isinstance(value, datetime) else value


def timber_of(row: Mapping[Any, Any]) -> Timber:
    """Give the timber of a row."""
    retired = row["retired_utc"]
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
        heartwood_mm=row["heartwood_mm"],
        retired_utc=datetime.fromisoformat(retired) if retired else None,
    )


def event_of(row: Mapping[Any, Any]) -> Event:
    """Give the event of a row; where a timber came from and what a field held stand in ``was``."""
    detail: dict[str, Value] = dict(row["detail"])
    kind = EventKind(row["kind"])
    if kind is EventKind.MOVED:
        detail["from"] = row["was"]["place"]
    if kind is EventKind.PLANED:
        detail |= {
            f"from_{name}": row["was"][name] for name in ("width_mm", "depth_mm") if name in row["was"]
        }
    if kind is EventKind.EDITED:
        old = row["was"][detail["field"]]
        detail["old"] = "" if old is None else old
    return Event(
        tag=row["tag"],
        kind=kind,
        at_utc=from_us(row["at_us"]),
        detail=detail,
        by=row["who"],
        note=row["note"],
        number=row["number"],
        noted_utc=from_us(row["noted_us"]),
        undone_utc=None if row["undone_us"] is None else from_us(row["undone_us"]),
        undone_by=row["undone_by"],
    )


def place_of(row: Mapping[Any, Any]) -> Place:
    """Give the place of a row."""
    return Place(**{column.name: row[column.name] for column in PLACE.columns})
