"""Records get an identity, the trail gets seals, and people get accounts."""

from __future__ import annotations

import uuid
from datetime import UTC, datetime

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

MOMENT = sa.DateTime(timezone=True)
SHA = sa.String(64)


def upgrade() -> None:
    """Make the tables; the trail is sealed as it stands, and rows without a line get one."""
    with op.batch_alter_table("changes") as changes:
        changes.add_column(sa.Column("seal", SHA, nullable=False, server_default=""))
    for name in ("answers", "piles"):
        # Worked out again, then with their seals (noqa: the two names above).
        op.execute(f"DELETE FROM {name}")  # noqa: S608
        with op.batch_alter_table(name) as table:
            table.add_column(sa.Column("seal", SHA, nullable=False, server_default=""))
    identity = op.create_table(
        "identity",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("identity", sa.String(32), nullable=False),
        sa.Column("made", MOMENT, nullable=False),
    )
    op.bulk_insert(identity, [{"identity": uuid.uuid4().hex, "made": datetime.now(UTC)}])
    make_access_tables()
    # Only now, since rows are read by the tables of the newest version.
    from service.records.seals import adopt, seal_all

    seal_all(op.get_bind())
    adopt(op.get_bind())


def make_access_tables() -> None:
    """Make the tables of who may come in."""
    op.create_table(
        "accounts",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("name", sa.String(80), nullable=False, unique=True),
        sa.Column("role", sa.String(8), nullable=False),
        sa.Column("secret", sa.String(200), nullable=False),
        sa.Column("made", MOMENT, nullable=False),
        sa.Column("closed", sa.Boolean, nullable=False),
    )
    op.create_table(
        "invitations",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("digest", SHA, nullable=False, unique=True),
        sa.Column("role", sa.String(8), nullable=False),
        sa.Column("by", sa.String(80), nullable=False),
        sa.Column("made", MOMENT, nullable=False),
        sa.Column("expires", MOMENT, nullable=False),
        sa.Column("used", MOMENT, nullable=True),
    )
    op.create_table(
        "sessions",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("digest", SHA, nullable=False, unique=True),
        sa.Column(
            "account_id",
            sa.Integer,
            sa.ForeignKey("accounts.id", ondelete="CASCADE"),
            nullable=False,
        ),
        sa.Column("made", MOMENT, nullable=False),
        sa.Column("renewed", MOMENT, nullable=False),
        sa.Column("expires", MOMENT, nullable=False),
        sa.Column("former", SHA, nullable=False),
    )
    op.create_index("ix_sessions_account_id", "sessions", ["account_id"])
    op.create_index("ix_sessions_former", "sessions", ["former"])
    op.create_table(
        "attempts",
        sa.Column("key", sa.String(120), primary_key=True),
        sa.Column("failures", sa.Integer, nullable=False),
        sa.Column("last", MOMENT, nullable=False),
    )


def downgrade() -> None:
    """Take identity, seals and accounts away again."""
    for name in ("attempts", "sessions", "invitations", "accounts", "identity"):
        op.drop_table(name)
    for name in ("changes", "answers", "piles"):
        with op.batch_alter_table(name) as table:
            table.drop_column("seal")
