"""Readers that learned from the flock."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "readers",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("name", sa.String(16), nullable=False, unique=True),
        sa.Column("base", sa.String(64), nullable=False),
        sa.Column("made", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(80), nullable=False),
        sa.Column("better", sa.Boolean, nullable=False),
        sa.Column("in_use", sa.Boolean, nullable=False),
        sa.Column("content", sa.JSON, nullable=False),
    )


def downgrade() -> None:
    """Take it away again."""
    op.drop_table("readers")
