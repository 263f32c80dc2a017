"""A row of an evaluation in, what of its answer was right out. The bars' words are given their meaning here.

A row is JSON; `JudgedCard` reads its answer: the contract's object of a card, each candidate with its reference's name.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from matcher.core.answer import CandidateResult, CardResult
from matcher.core.answer_json import card_from_json
from matcher.lab.evaluation.plan import GOOD_LIGHT

Row = Mapping[str, Any]

LEGIBLE = 0.30
"""Residual contrast from which on a face, and its caption, counts as legible."""


@dataclass(frozen=True)
class JudgedCard:
    """The answer about a query's card. reference_names: of each candidate's reference, the enrolled file's name."""

    card: CardResult
    reference_names: tuple[str, ...]

    @classmethod
    def of(cls, row: Row) -> JudgedCard | None:
        """None where no card was found."""
        told = row["answer"]
        if not told:
            return None
        return cls(card_from_json(told), tuple(one["reference_name"] for one in told["candidates"]))


@dataclass(frozen=True)
class ScoredAnswer:
    """One query's answer against its truth.

    outcome:    of the answer, or 'no card'. right: the outcome, and the record, or the negative of what is new on it.
    pose_first, record_first: the closest candidate's; None where the truth is not enrolled.
    known_wrong: called known, but nothing or another record is true.
    score:      how sure the answer is that the card is a known record: the highest record confidence of any candidate.
    """

    kind: str
    fade: float
    condition: str
    outcome: str
    right: bool
    pose_first: bool | None
    record_first: bool | None
    known_wrong: bool
    score: float

    @property
    def legible(self) -> bool:
        return self.fade >= LEGIBLE - 1e-9

    @property
    def good_light(self) -> bool:
        return self.condition in GOOD_LIGHT


def score_answer(row: Row) -> ScoredAnswer:
    """Judge one row."""
    truth, judged = row["truth"], JudgedCard.of(row)
    card = judged.card if judged else None
    outcome = card.outcome if card else "no card"
    closest = card.closest if card else None
    right_record = card is not None and card.record_id == truth["record_id"]
    known = card is not None and card.is_known
    return ScoredAnswer(
        kind=row["kind"],
        fade=row["fade"],
        condition=row["condition"],
        outcome=outcome,
        right=outcome == truth["outcome"] and (right_record if known else card is None or _right_pose(card, truth)),
        pose_first=(closest and closest.pose) == truth["pose"] if truth["pose"] else None,
        record_first=(closest and closest.record_id) == truth["record_id"] if truth["record_id"] else None,
        known_wrong=known and not right_record,
        score=max((one.confidence.record or 0.0 for one in card.candidates), default=0.0) if card else 0.0,
    )


def _right_pose(card: CardResult, truth: Mapping[str, Any]) -> bool:
    return card.outcome == "new_pose" or card.pose in (None, truth["pose"])


def pairs_of(rows: list[Row]) -> Iterator[tuple[Row, Mapping[str, Any]]]:
    """(row, pair) of all pairs of all rows."""
    for row in rows:
        for pair in row["pairs"]:
            yield row, pair


def stated(rows: list[Row], rung: str) -> tuple[list[float], list[bool]]:
    """What the answers state on a rung, of their closest candidate, and whether it was so.

    A rung's probability holds on the condition that the rungs below it are right: others are left out. The record's
    holds without any. For the copy, every candidate counts for which it was asked.
    """
    given: list[float] = []
    right: list[bool] = []
    for row in rows:
        for candidate, reference_name in _asked(row, rung):
            value = getattr(candidate.confidence, rung)
            true = _is_true(row["truth"], candidate, reference_name, rung)
            if value is not None and true is not None:
                given.append(value)
                right.append(true)
    return given, right


def _asked(row: Row, rung: str) -> list[tuple[CandidateResult, str]]:
    judged = JudgedCard.of(row)
    candidates = list(zip(judged.card.candidates, judged.reference_names, strict=True)) if judged else []
    return candidates if rung == "copy" else candidates[:1]


def _is_true(truth: Mapping[str, Any], candidate: CandidateResult, reference_name: str, rung: str) -> bool | None:
    pose = bool(candidate.pose == truth["pose"])
    crop = pose and candidate.crop == truth["crop"]
    record = crop and candidate.record_id == truth["record_id"]
    if rung in ("pose", "record"):
        return pose if rung == "pose" else record
    if rung == "crop":
        return crop if pose else None
    if rung == "caption":
        return record if crop else None
    return bool(reference_name == f"{truth['copy']}.jpg") if record else None


def of_pairs(rows: list[Row], rung: str) -> tuple[list[float], list[bool]]:
    """A rung's own probability for each pair where its question makes sense, before candidates compete; the truth."""
    chosen = [pair for _, pair in pairs_of(rows) if _makes_sense(pair, rung) and pair.get(rung) is not None]
    return [pair[rung] for pair in chosen], [bool(pair[f"same_{rung}"]) for pair in chosen]


def _makes_sense(pair: Mapping[str, Any], rung: str) -> bool:
    if rung == "pose":
        return True
    if rung == "crop":
        return bool(pair["same_pose"])
    return bool(pair.get("same_crop")) and (rung == "caption" or bool(pair["same_record"]))
