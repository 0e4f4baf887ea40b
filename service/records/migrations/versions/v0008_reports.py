"""Reports that are made apart from the pages, and how far learning there has come."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "reports",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("name", sa.String(24), nullable=False),
        sa.Column("hatch_id", sa.Integer, nullable=True),
        sa.Column("hatch", sa.String(80), nullable=False),
        sa.Column("language", sa.String(8), nullable=False),
        sa.Column("region", sa.String(16), nullable=False),
        sa.Column("asked", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(80), nullable=False),
        sa.Column("on", sa.Date, nullable=False),
        sa.Column("made", sa.DateTime(timezone=True), nullable=True),
        sa.Column("trouble", sa.JSON, nullable=True),
        sa.Column("size", sa.Integer, nullable=False),
        sa.Column("content", sa.LargeBinary, nullable=True),
    )
    op.create_table(
        "learning",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("done", sa.Integer, nullable=False),
        sa.Column("steps", sa.Integer, nullable=False),
        sa.Column("name", sa.String(16), nullable=False),
        sa.Column("trouble", sa.JSON, nullable=True),
    )


def downgrade() -> None:
    """Take them away again."""
    op.drop_table("learning")
    op.drop_table("reports")
