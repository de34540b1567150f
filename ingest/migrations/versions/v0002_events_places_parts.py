"""Events, places and parts; a timber may be retired. Every timber so far gets its arrival as an event."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def upgrade() -> None:
    base = op.get_bind()
    if not sa.inspect(base).has_table("counter"):  # a store elsewhere, so that the register keeps its own
        counter = op.create_table(
            "counter",
            sa.Column("one", sa.Integer, primary_key=True),
            sa.Column("n", sa.BigInteger, nullable=False),
        )
        base.execute(counter.insert().values(one=1, n=0))
    if base.dialect.name == "postgresql":  # SQLite's integers have 64 bits in any case
        op.alter_column("timber", "revision", type_=sa.BigInteger)
    op.add_column("timber", sa.Column("retired_utc", sa.String))
    event = op.create_table(
        "event",
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=True),
        sa.Column("tag", sa.String, nullable=False, index=True),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("at_us", sa.BigInteger, nullable=False),
        sa.Column("noted_us", sa.BigInteger, nullable=False),
        sa.Column("who", sa.String, nullable=False),
        sa.Column("note", sa.String, nullable=False),
        sa.Column("detail", sa.JSON, nullable=False),
        sa.Column("sets", sa.JSON, nullable=False),
        sa.Column("was", sa.JSON, nullable=False),
        sa.Column("sensor", sa.String, index=True),
        sa.Column("undone_us", sa.BigInteger),
        sa.Column("undone_by", sa.String, nullable=False),
    )
    op.create_table(
        "place",
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
    op.create_table(
        "part",
        sa.Column("name", sa.String, primary_key=True),
        sa.Column("use_class", sa.String, nullable=False),
        sa.Column("entered", sa.Integer, nullable=False),
        sa.Column("content", sa.JSON, nullable=False),
    )
    for row in base.execute(
        sa.text("SELECT tag, place, arrived_utc FROM timber ORDER BY entered")
    ).fetchall():
        at_us = (datetime.fromisoformat(row.arrived_utc) - _EPOCH) // timedelta(microseconds=1)
        base.execute(
            event.insert().values(
                tag=row.tag,
                kind="arrived",
                at_us=at_us,
                noted_us=at_us,
                who="",
                note="",
                detail={"place": row.place},
                sets={},
                was={},
                undone_by="",
            )
        )


def downgrade() -> None:
    op.drop_table("part")
    op.drop_table("place")
    op.drop_table("event")
    op.drop_column("timber", "retired_utc")
