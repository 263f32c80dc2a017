"""Records, copies and references."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "records",
        sa.Column("record_id", sa.String(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("pose", sa.String(), nullable=False),
        sa.Column("crop", sa.String(), nullable=False),
        sa.Column("caption", sa.Text(), nullable=False),
        sa.Column("club", sa.Text(), nullable=False),
        sa.Column("issuer", sa.Text(), nullable=False),
        sa.Column("year", sa.String(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("extra", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("record_id", name="pk_records"),
    )
    op.create_index("ix_records_subject", "records", ["subject"])
    op.create_index("ix_records_pose", "records", ["pose"])
    op.create_table(
        "copies",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("record_id", sa.String(), nullable=False),
        sa.Column("label", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["record_id"], ["records.record_id"], name="fk_copies_record_id_records", ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_copies"),
        sa.UniqueConstraint("record_id", "label", name="uq_copies_record_id_label"),
    )
    _create_references()


def _create_references() -> None:
    op.create_table(
        "references",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("record_id", sa.String(), nullable=False),
        sa.Column("copy_id", sa.Integer(), nullable=True),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("suffix", sa.String(8), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("extra", sa.JSON(), nullable=False),
        sa.Column("added_at", sa.DateTime(), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("quad", sa.JSON(), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("fingerprint", sa.String(16), nullable=False),
        sa.Column("hashes", sa.LargeBinary(), nullable=False),
        sa.Column("points", sa.LargeBinary(), nullable=False),
        sa.Column("angles", sa.LargeBinary(), nullable=False),
        sa.Column("scales", sa.LargeBinary(), nullable=False),
        sa.Column("descriptors", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["copy_id"], ["copies.id"], name="fk_references_copy_id_copies"),
        sa.ForeignKeyConstraint(
            ["record_id"], ["records.record_id"], name="fk_references_record_id_records", ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_references"),
        sa.UniqueConstraint("record_id", "sha256", name="uq_references_record_id_sha256"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_references_copy_id", "references", ["copy_id"])
    op.create_index("ix_references_sha256", "references", ["sha256"])


def downgrade() -> None:
    op.drop_table("references")
    op.drop_table("copies")
    op.drop_table("records")
