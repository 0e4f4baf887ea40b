"""Pens, hatches, sightings, matings, decisions, intakes, the trail; photos get a key that grows."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

MOMENT = sa.DateTime(timezone=True)


def key() -> sa.Column[int]:
    """Return the integer key that every table has."""
    return sa.Column("id", sa.Integer, primary_key=True)


def link(name: str, target: str, nullable: bool = False, index: bool = True) -> sa.Column[Any]:
    """Return a column that names a row of another table."""
    kind: Any = sa.String(64) if target.endswith("sha256") else sa.Integer()
    return sa.Column(name, kind, sa.ForeignKey(target), nullable=nullable, index=index)


def text(name: str, length: int | None = None, default: str | None = "") -> sa.Column[str]:
    """Return a column of text that is never NULL."""
    return sa.Column(name, sa.String(length), nullable=False, server_default=default)


def upgrade() -> None:
    """Create the new tables and rebuild those of 0001 with their rows."""
    op.create_table(
        "pens", key(), text("name", 80, None), text("notes"), sa.UniqueConstraint("name")
    )
    op.create_table(
        "hatches",
        key(),
        text("name", 80, None),
        link("pen_id", "pens.id", nullable=True),
        sa.Column("hatched", sa.Date),
        sa.Column("eggs", sa.Integer),
        sa.Column("chicks", sa.Integer),
        text("notes"),
        sa.UniqueConstraint("name"),
    )
    with op.batch_alter_table("birds") as birds:
        birds.alter_column("sire", type_=sa.String(400))
        birds.alter_column("dam", type_=sa.String(400))
        birds.add_column(text("variety", 80))
        birds.add_column(text("status", 40))
        birds.add_column(text("photo"))
        birds.add_column(sa.Column("extra", sa.JSON, nullable=False, server_default="{}"))
        birds.add_column(sa.Column("hatch_id", sa.Integer))
        birds.create_foreign_key("fk_birds_hatch", "hatches", ["hatch_id"], ["id"])
        birds.create_index("ix_birds_hatch_id", ["hatch_id"])
    rebuild_photos()
    op.create_table(
        "pen_birds",
        key(),
        link("pen_id", "pens.id"),
        link("bird_id", "birds.id"),
        sa.Column("since", sa.Date),
        sa.Column("until", sa.Date),
    )
    op.create_table(
        "sightings",
        key(),
        link("bird_id", "birds.id"),
        link("photo_sha256", "photos.sha256", nullable=True, index=False),
        sa.Column("made", MOMENT, nullable=False),
        text("by", 80, None),
        sa.Column("crest", sa.Boolean),
        sa.Column("beard", sa.Boolean),
        text("wattles", 8),
        sa.Column("seen_on", sa.Date),
    )
    op.create_table(
        "matings",
        key(),
        link("sire_id", "birds.id"),
        link("dam_id", "birds.id"),
        text("purpose", 16, "breeding"),
        sa.Column("started", sa.Date),
        text("notes"),
        sa.UniqueConstraint("sire_id", "dam_id", "purpose", "started"),
    )
    op.create_table(
        "counts",
        key(),
        link("mating_id", "matings.id"),
        text("comb", 24, None),
        sa.Column("chicks", sa.Integer, nullable=False),
        text("by", 80),
        sa.Column("made", MOMENT, nullable=False),
    )
    op.create_table(
        "decisions",
        key(),
        link("bird_id", "birds.id"),
        sa.Column("made", MOMENT, nullable=False),
        text("by", 80, None),
        text("choice", 40, None),
        text("reason", None, None),
        sa.Column("recheck", sa.Date),
    )
    op.create_table(
        "intakes", key(), text("source", None, None), sa.Column("begun", MOMENT, nullable=False)
    )
    op.create_table(
        "intake_items",
        key(),
        link("intake_id", "intakes.id"),
        text("name", 400, None),
        sa.Column("state", sa.String(16), nullable=False, server_default="waiting", index=True),
        sa.Column("photo_sha256", sa.String(64)),
        text("message"),
        sa.UniqueConstraint("intake_id", "name"),
    )
    op.create_table(
        "changes",
        key(),
        sa.Column("batch", sa.String(32), nullable=False, index=True),
        sa.Column("made", MOMENT, nullable=False),
        text("by", 80, None),
        text("act", 200),
        text("undoes", 32),
        text("kind", 40, None),
        sa.Column("row", sa.Integer, nullable=False),
        sa.Column("before", sa.JSON),
        sa.Column("after", sa.JSON),
    )
    for name, columns in (
        ("answers", [text("key", 64, None)]),
        ("glances", [sa.Column("made", MOMENT, nullable=False)]),
    ):
        op.create_table(
            name,
            sa.Column(
                "bird_id",
                sa.Integer,
                sa.ForeignKey("birds.id", ondelete="CASCADE"),
                primary_key=True,
            ),
            *columns,
            sa.Column("content", sa.JSON, nullable=False),
        )


def rebuild_photos() -> None:
    """Photos with an integer key, readings that may be blind; the rows of 0001 are copied."""
    op.drop_index("ix_photos_bird_id", "photos")
    op.drop_index("ix_readings_photo_sha256", "readings")
    op.rename_table("photos", "photos_0001")
    op.rename_table("readings", "readings_0001")
    op.create_table(
        "photos",
        key(),
        text("sha256", 64, None),
        sa.Column("source_sha256", sa.String(64), nullable=False, server_default="", index=True),
        text("name", 255, None),
        text("suffix", 8, None),
        sa.Column("bytes", sa.Integer, nullable=False, server_default="0"),
        sa.Column("taken_in", MOMENT, nullable=False),
        sa.Column("taken", MOMENT),
        text("likeness", 16),
        text("like", 64),
        link("bird_id", "birds.id", nullable=True),
        sa.UniqueConstraint("sha256"),
    )
    op.create_table(
        "readings",
        key(),
        link("photo_sha256", "photos.sha256"),
        sa.Column("made", MOMENT, nullable=False),
        text("by", 80, None),
        sa.Column("person", sa.Boolean, nullable=False),
        sa.Column("blind", sa.Boolean, nullable=False, server_default=sa.false()),
        text("comb", 24),
        sa.Column("content", sa.JSON, nullable=False),
    )
    op.execute(
        "INSERT INTO photos (sha256, source_sha256, name, suffix, taken_in, bird_id) "
        "SELECT sha256, sha256, name, suffix, taken_in, bird_id FROM photos_0001 "
        "ORDER BY taken_in, sha256"
    )
    op.execute(
        'INSERT INTO readings (photo_sha256, made, "by", person, comb, content) '
        'SELECT photo_sha256, made, "by", person, comb, content FROM readings_0001 ORDER BY id'
    )
    op.drop_table("readings_0001")
    op.drop_table("photos_0001")


def downgrade() -> None:
    """Not offered: the older tables can't hold what these do."""
    raise RuntimeError("records of a newer version can't go back; restore a backup instead")
