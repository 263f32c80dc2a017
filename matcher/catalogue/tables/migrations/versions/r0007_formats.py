"""Formats: what a record's cards have, and what a card that was seen had."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

TABLES = ("records", "sightings")


def upgrade() -> None:
    for table in TABLES:
        op.add_column(table, sa.Column("format", sa.String(), nullable=False, server_default=""))


def downgrade() -> None:
    for table in TABLES:
        op.drop_column(table, "format")
