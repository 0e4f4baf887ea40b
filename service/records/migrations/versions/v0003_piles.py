"""Piles of photos and a mark of conflicts, both worked out from the rest and empty at first."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the table; answers are worked out again, with their mark."""
    op.execute("DELETE FROM answers")
    with op.batch_alter_table("answers") as answers:
        answers.add_column(
            sa.Column("in_conflict", sa.Boolean, nullable=False, server_default=sa.false())
        )
        answers.create_index("ix_answers_in_conflict", ["in_conflict"])
    op.create_table(
        "piles",
        sa.Column(
            "photo_id",
            sa.Integer,
            sa.ForeignKey("photos.id", ondelete="CASCADE"),
            primary_key=True,
            autoincrement=False,
        ),
        sa.Column("pile", sa.String(16), nullable=False),
        sa.Column("risk", sa.Double, nullable=False),
        sa.Column("looked_at", sa.Boolean, nullable=False),
    )
    op.create_index("ix_piles_order", "piles", ["looked_at", "pile", "risk"])
    op.create_index("ix_readings_person", "readings", ["person", "photo_sha256"])


def downgrade() -> None:
    """Nothing is lost: they are worked out again."""
    op.drop_index("ix_readings_person", "readings")
    op.drop_table("piles")
    with op.batch_alter_table("answers") as answers:
        answers.drop_index("ix_answers_in_conflict")
        answers.drop_column("in_conflict")
