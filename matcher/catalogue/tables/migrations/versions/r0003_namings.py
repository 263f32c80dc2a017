"""The highest number of ids like V00017, so that the next one costs the same however many there are."""

from __future__ import annotations

import re
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    namings = op.create_table(
        "namings",
        sa.Column("kind", sa.String(8), nullable=False),
        sa.Column("prefix", sa.Text(), nullable=False),
        sa.Column("digits", sa.Integer(), nullable=False),
        sa.Column("last", sa.BigInteger(), nullable=False),
        sa.Column("times", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("kind", "prefix", name="pk_namings"),
    )
    op.create_index("ix_namings_commonest", "namings", ["kind", "times"])
    bind = op.get_bind()
    known: dict[tuple[str, str], dict[str, Any]] = {}
    for record_id, pose in bind.execute(sa.text("SELECT record_id, pose FROM records")):
        for kind, name in (("record", record_id), ("pose", pose)):
            match = re.fullmatch(r"(.*?)(\d{1,18})", name, re.DOTALL)
            if match:
                _count(known, kind, *match.groups())
    if known:
        bind.execute(sa.insert(namings), list(known.values()))


def _count(known: dict[tuple[str, str], dict[str, Any]], kind: str, prefix: str, digits: str) -> None:
    first = {"kind": kind, "prefix": prefix, "digits": len(digits), "last": int(digits), "times": 0}
    row = known.setdefault((kind, prefix), first)
    row["times"] += 1
    if int(digits) > row["last"]:
        row["digits"], row["last"] = len(digits), int(digits)


def downgrade() -> None:
    op.drop_table("namings")
