"""Birds, photos and readings."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the first tables."""
    op.create_table(
        "birds",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("band", sa.String(80), nullable=False, unique=True),
        sa.Column("sire", sa.String(80), nullable=False),
        sa.Column("dam", sa.String(80), nullable=False),
        sa.Column("sex", sa.String(8), nullable=False),
        sa.Column("hatched", sa.Date),
        sa.Column("comb", sa.String(24), nullable=False),
        sa.Column("comb_by", sa.String(80), nullable=False),
        sa.Column("crest", sa.Boolean),
        sa.Column("beard", sa.Boolean),
        sa.Column("wattles", sa.String(8), nullable=False),
        sa.Column("genotype", sa.String(40), nullable=False),
        sa.Column("notes", sa.String, nullable=False),
    )
    op.create_table(
        "photos",
        sa.Column("sha256", sa.String(64), primary_key=True),
        sa.Column("name", sa.String(255), nullable=False),
        sa.Column("suffix", sa.String(8), nullable=False),
        sa.Column("taken_in", sa.DateTime(timezone=True), nullable=False),
        sa.Column("bird_id", sa.Integer, sa.ForeignKey("birds.id"), index=True),
    )
    op.create_table(
        "readings",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column(
            "photo_sha256",
            sa.String(64),
            sa.ForeignKey("photos.sha256"),
            nullable=False,
            index=True,
        ),
        sa.Column("made", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(80), nullable=False),
        sa.Column("person", sa.Boolean, nullable=False),
        sa.Column("comb", sa.String(24), nullable=False),
        sa.Column("content", sa.JSON, nullable=False),
    )


def downgrade() -> None:
    """Drop them again."""
    for table in ("readings", "photos", "birds"):
        op.drop_table(table)
