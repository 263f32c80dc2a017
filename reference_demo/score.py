"""The demo's truth table and the answers in, the figures that the README reports out."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

from matcher.core.answer import CardResult, PhotoAnswer

Truth = dict[str, str]

FAINT = 0.20
"""'Residual contrast 15 %': queries drawn at or below this."""


@dataclass(frozen=True)
class Verdict:
    """One photo: was the outcome right, and of the right record or negative; was the right record (pose) closest; was
    it wrongly called known?"""

    kind: str
    contrast: float
    outcome_right: bool
    record_first: bool | None
    pose_first: bool | None
    wrongly_known: bool
    undecided: bool


@dataclass(frozen=True)
class Score:
    """All verdicts of one run."""

    verdicts: tuple[Verdict, ...]

    @property
    def all_right(self) -> bool:
        """True where every outcome is right."""
        return all(verdict.outcome_right for verdict in self.verdicts)

    def rows(self) -> list[tuple[str, int, int]]:
        """(what, how many, of how many) for each line of the table."""
        all_of = self.verdicts
        rows = [
            _count("right record first, record enrolled", [v.record_first for v in all_of]),
            _count("right pose first, pose enrolled", [v.pose_first for v in all_of]),
            _count("right pose first, residual contrast 15 %", [v.pose_first for v in all_of if v.contrast <= FAINT]),
            _count("right outcome, all kinds", [v.outcome_right for v in all_of]),
        ]
        for kind in ("known", "new_crop", "new_caption", "new_pose", "unknown"):
            rows.append(_count(f"right outcome, {kind}", [v.outcome_right for v in all_of if v.kind == kind]))
        rows.append(_count("undecided", [v.undecided for v in all_of]))
        rows.append(_count("wrongly called known", [v.wrongly_known for v in all_of]))
        return rows


def score(truth: Sequence[Truth], answers: Sequence[PhotoAnswer]) -> Score:
    """Compare answers with the truth, row by row. Where a photo shows two cards, the one in question counts."""
    return Score(tuple(_verdict(row, answer) for row, answer in zip(truth, answers, strict=True)))


def _verdict(truth: Truth, answer: PhotoAnswer) -> Verdict:
    card = card_in_question(truth, answer)
    outcome = card.outcome if card else "no card"
    closest = card.closest if card else None
    known = card is not None and card.is_known
    right = card is not None and outcome == truth["outcome"] and _names(card, truth)
    return Verdict(
        kind=truth["kind"],
        contrast=float(truth["residual_contrast"]),
        outcome_right=right,
        record_first=(closest and closest.record_id) == truth["record_id"] if truth["record_id"] else None,
        pose_first=(closest and closest.pose) == truth["pose"] if truth["pose"] else None,
        wrongly_known=known and not right,
        undecided=outcome == "undecided",
    )


def card_in_question(truth: Truth, answer: PhotoAnswer) -> CardResult | None:
    """The card whose middle lies nearest to the true one's; None where no card was found."""
    corners = json.loads(truth["corners"])
    x, y = (sum(corner[axis] for corner in corners) / 4 for axis in (0, 1))

    def distance(card: CardResult) -> float:
        middle = [sum(corner[axis] for corner in card.quad) / 4 for axis in (0, 1)]
        return float((middle[0] - x) ** 2 + (middle[1] - y) ** 2)

    return min(answer.cards, key=distance, default=None)


def _count(what: str, answers: Sequence[bool | None]) -> tuple[str, int, int]:
    known = [answer for answer in answers if answer is not None]
    return what, sum(known), len(known)


def _names(card: CardResult, truth: Truth) -> bool:
    """Whether all that the answer establishes is so: the record, or the negative of a new variation of it."""
    if card.is_known:
        return card.record_id == truth["record_id"]
    return card.outcome == "new_pose" or card.pose in (None, truth["pose"])
