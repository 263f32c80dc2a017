"""The issuer's mark is called `mark`, as everywhere else. What the log tells keeps the word it was made with."""

from __future__ import annotations

from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _rename("issuer_mark", "mark")


def downgrade() -> None:
    _rename("mark", "issuer_mark")


def _rename(old: str, new: str) -> None:
    """In place: the table must not be made anew, since others point at it."""
    op.execute(f"ALTER TABLE records RENAME COLUMN {old} TO {new}")
