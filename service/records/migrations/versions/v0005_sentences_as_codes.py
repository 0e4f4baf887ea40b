"""Doubts and acts are kept as codes with values, not as English sentences."""

from __future__ import annotations

import json

import sqlalchemy as sa
from alembic import op

from service.records import legacy

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Recode readings and the trail; what was worked out from them is worked out again."""
    op.execute("DELETE FROM answers")
    op.execute("DELETE FROM glances")
    with op.batch_alter_table("changes") as changes:
        changes.add_column(sa.Column("said", sa.JSON, nullable=False, server_default="{}"))
    connection = op.get_bind()
    readings = sa.table("readings", sa.column("id"), sa.column("content", sa.JSON))
    for number, content in connection.execute(sa.select(readings.c.id, readings.c.content)).all():
        new = legacy.reading_content(content or {})
        if new != content:
            connection.execute(readings.update().where(readings.c.id == number).values(content=new))
    lines = sa.table(
        "changes",
        *map(sa.column, ("id", "kind", "act")),
        *(sa.column(name, sa.JSON(none_as_null=True)) for name in ("before", "after", "said")),
    )
    for row in connection.execute(sa.select(lines)).mappings().all():
        new = legacy.change_row(dict(row))
        connection.execute(
            lines.update()
            .where(lines.c.id == row["id"])
            .values(said=new["said"], before=new["before"], after=new["after"])
        )
    with op.batch_alter_table("changes") as changes:
        changes.drop_column("act")


def downgrade() -> None:
    """Leave the codes as text, since older versions show what they find."""
    with op.batch_alter_table("changes") as changes:
        changes.add_column(sa.Column("act", sa.String(200), nullable=False, server_default=""))
    connection = op.get_bind()
    lines = sa.table("changes", sa.column("id"), sa.column("act"), sa.column("said", sa.JSON))
    for number, said in connection.execute(sa.select(lines.c.id, lines.c.said)).all():
        connection.execute(
            lines.update().where(lines.c.id == number).values(act=json.dumps(said)[:200])
        )
    with op.batch_alter_table("changes") as changes:
        changes.drop_column("said")
