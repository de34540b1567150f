"""Where the sapwood of a timber begins: the radius of its heartwood about the pith."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    op.add_column("timber", sa.Column("heartwood_mm", sa.Float))


def downgrade() -> None:
    op.drop_column("timber", "heartwood_mm")
