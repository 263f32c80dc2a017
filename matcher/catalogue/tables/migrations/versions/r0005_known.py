"""The outcome 'held' is called 'known': what was found on the cards of lots. What the log tells stays as it is."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

_answers = sa.table(
    "lot_answers",
    *(sa.column(name) for name in ("lot_id", "sha256", "page", "fingerprint")),
    sa.column("answer", sa.JSON),
)
_key = [column for column in _answers.columns if column.name != "answer"]


def upgrade() -> None:
    _rename("held", "known")


def downgrade() -> None:
    _rename("known", "held")


def _rename(old: str, new: str) -> None:
    bind = op.get_bind()
    concerned = sa.cast(_answers.c.answer, sa.Text).like(f'%"{old}"%')
    keys = bind.execute(sa.select(*_key).where(concerned)).all()
    for key in keys:  # one answer in memory at a time: a lot may have thousands
        this = sa.and_(*(column == value for column, value in zip(_key, key, strict=True)))
        answer = bind.execute(sa.select(_answers.c.answer).where(this)).scalar_one()
        bind.execute(sa.update(_answers).where(this).values(answer=_renamed(answer, old, new)))


def _renamed(answer: dict[str, Any], old: str, new: str) -> dict[str, Any]:
    cards = [{**card, "outcome": new if card["outcome"] == old else card["outcome"]} for card in answer["cards"]]
    return {**answer, "cards": cards}
