"""Lots: scans that are tagged together, what was found on each, and how their cards are akin. Working state."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "lots",
        sa.Column("lot_id", sa.String(length=16), nullable=False),
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("served", sa.Boolean(), nullable=False),
        sa.Column("compared", sa.String(length=64), nullable=False),
        sa.Column("sources", sa.JSON(), nullable=False),
        sa.Column("options", sa.JSON(), nullable=False),
        sa.CheckConstraint("state IN ('open', 'cancelled')", name=op.f("ck_lots_state")),
        sa.PrimaryKeyConstraint("lot_id", name=op.f("pk_lots")),
    )
    with op.batch_alter_table("lots", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_lots_key"), ["key"], unique=False)

    op.create_table(
        "lot_answers",
        sa.Column("lot_id", sa.String(length=16), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("page", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("fingerprint", sa.String(length=16), nullable=False),
        sa.Column("answer", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["lot_id"], ["lots.lot_id"], name=op.f("fk_lot_answers_lot_id_lots")),
        sa.PrimaryKeyConstraint("lot_id", "sha256", "page", "fingerprint", name=op.f("pk_lot_answers")),
    )
    op.create_table(
        "lot_items",
        sa.Column("lot_id", sa.String(length=16), nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("path", sa.LargeBinary(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("page", sa.Integer(), nullable=False),
        sa.Column("pages", sa.Integer(), nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.Column("mtime_ns", sa.BigInteger(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("code", sa.String(length=32), nullable=False),
        sa.Column("message", sa.Text(), nullable=False),
        sa.CheckConstraint("state IN ('queued', 'done', 'failed')", name=op.f("ck_lot_items_state")),
        sa.ForeignKeyConstraint(["lot_id"], ["lots.lot_id"], name=op.f("fk_lot_items_lot_id_lots")),
        sa.PrimaryKeyConstraint("lot_id", "number", name=op.f("pk_lot_items")),
        sa.UniqueConstraint("lot_id", "path", "page", name=op.f("uq_lot_items_lot_id_path_page")),
    )
    with op.batch_alter_table("lot_items", schema=None) as batch_op:
        batch_op.create_index("ix_lot_items_content", ["lot_id", "sha256", "page"], unique=False)
        batch_op.create_index("ix_lot_items_state", ["lot_id", "state"], unique=False)

    op.create_table(
        "lot_pairs",
        sa.Column("lot_id", sa.String(length=16), nullable=False),
        sa.Column("first", sa.String(length=32), nullable=False),
        sa.Column("second", sa.String(length=32), nullable=False),
        sa.Column("pose", sa.Double(), nullable=True),
        sa.Column("crop", sa.Double(), nullable=True),
        sa.Column("caption", sa.Double(), nullable=True),
        sa.Column("copy", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["lot_id"], ["lots.lot_id"], name=op.f("fk_lot_pairs_lot_id_lots")),
        sa.PrimaryKeyConstraint("lot_id", "first", "second", name=op.f("pk_lot_pairs")),
    )
    op.create_table(
        "lot_skips",
        sa.Column("lot_id", sa.String(length=16), nullable=False),
        sa.Column("card", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["lot_id"], ["lots.lot_id"], name=op.f("fk_lot_skips_lot_id_lots")),
        sa.PrimaryKeyConstraint("lot_id", "card", name=op.f("pk_lot_skips")),
    )


def downgrade() -> None:
    op.drop_table("lot_skips")
    op.drop_table("lot_pairs")
    with op.batch_alter_table("lot_items", schema=None) as batch_op:
        batch_op.drop_index("ix_lot_items_state")
        batch_op.drop_index("ix_lot_items_content")

    op.drop_table("lot_items")
    op.drop_table("lot_answers")
    with op.batch_alter_table("lots", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_lots_key"))

    op.drop_table("lots")
