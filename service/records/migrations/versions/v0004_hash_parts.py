"""Perceptual hashes in four parts with an index, so that no search reads all of them."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the table and fill it from the hashes that are kept."""
    table = op.create_table(
        "hash_parts",
        sa.Column("part", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("value", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column(
            "photo_id",
            sa.Integer,
            sa.ForeignKey("photos.id", ondelete="CASCADE"),
            primary_key=True,
            autoincrement=False,
        ),
    )
    op.create_index("ix_hash_parts_photo_id", "hash_parts", ["photo_id"])
    rows = op.get_bind().execute(sa.text("SELECT id, likeness FROM photos WHERE likeness <> ''"))
    parts = [
        {"part": part, "value": int(code[4 * part : 4 * part + 4], 16), "photo_id": number}
        for number, code in rows.all()
        for part in range(4)
    ]
    for start in range(0, len(parts), 2000):
        op.bulk_insert(table, parts[start : start + 2000])


def downgrade() -> None:
    """Nothing is lost: they are worked out again."""
    op.drop_table("hash_parts")
