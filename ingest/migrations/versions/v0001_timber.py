"""The first table: timbers."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    op.create_table(
        "timber",
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
        sa.Column("arrived_utc", sa.String, nullable=False),
        sa.Column("ends_sealed", sa.Boolean, nullable=False),
        sa.Column("green_mc_pct", sa.Float),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("entered", sa.Integer, nullable=False),
    )


def downgrade() -> None:
    op.drop_table("timber")
