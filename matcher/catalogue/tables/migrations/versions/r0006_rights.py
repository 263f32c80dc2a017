"""Tokens end and tell when they were last used; sessions of browsers; who brought a log in; digests of descriptions."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from matcher.catalogue.tables.models import description_digest

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("tokens", sa.Column("expires_at", sa.DateTime(), nullable=True))
    op.add_column("tokens", sa.Column("used_at", sa.DateTime(), nullable=True))
    op.create_table(
        "sessions",
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("token", sa.String(64), nullable=False),
        sa.Column("expires_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(["token"], ["tokens.name"], name="fk_sessions_token_tokens"),
        sa.PrimaryKeyConstraint("digest", name="pk_sessions"),
    )
    op.create_index("ix_sessions_token", "sessions", ["token"])
    op.create_table(
        "imports",
        sa.Column("first", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("last", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("first", name="pk_imports"),
    )
    op.add_column("descriptions", sa.Column("digest", sa.String(64), nullable=False, server_default=""))
    _tell_digests()


def _tell_digests() -> None:
    """Of the descriptions that are there, as they are now."""
    names = ("sha256", "outline", "fingerprint", "hashes", "points", "angles", "scales", "descriptors", "digest")
    table = sa.table("descriptions", *(sa.column(name) for name in names))
    bind = op.get_bind()
    for key in bind.execute(sa.select(table.c.sha256, table.c.outline)).all():  # one in memory at a time
        this = sa.and_(table.c.sha256 == key.sha256, table.c.outline == key.outline)
        row = bind.execute(sa.select(table).where(this)).one()
        digest = description_digest(row.sha256, row.outline, row._asdict())
        bind.execute(sa.update(table).where(this).values(digest=digest))


def downgrade() -> None:
    op.drop_column("descriptions", "digest")
    op.drop_table("imports")
    op.drop_index("ix_sessions_token", "sessions")
    op.drop_table("sessions")
    op.drop_column("tokens", "used_at")
    op.drop_column("tokens", "expires_at")
