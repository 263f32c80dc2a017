"""The published forms of an answer, made and read in this one place: JSON objects, and rows for a table.

`to_json` takes a `PhotoAnswer` or any part of one. What is read back (`from_json`, `card_from_json`) may be older than
this program: keys that it does not know are left out, facts that it did not know are None.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import fields, is_dataclass
from typing import Any

from matcher.core.answer import (
    KNOWN,
    AnswerError,
    CandidateEvidence,
    CandidateResult,
    CardResult,
    CropShift,
    DamageFact,
    FaceFacts,
    Margins,
    PhotoAnswer,
    Quad,
    TrimFact,
    WrittenLine,
)
from matcher.core.ladder.candidate import Confidence

CAUTIONS = (
    "platekin compares pictures. It does not authenticate, grade or value, and a match is no proof that a card is "
    "genuine or unaltered: a front photo cannot show rebacking.",
    "Albumen prints are harmed by light: no flash close up, no repeated bright scans, keep them in the dark.",
    "Do not take a card out of its holder or off its page for a photo.",
    "Buying or selling: have the card seen by a qualified person.",
)

CSV_COLUMNS = (
    "photo", "card", "outcome", "record_id", "subject", "pose", "crop", "caption", "club", "confidence_pose",
    "confidence_crop", "confidence_caption", "confidence_mark", "confidence_record", "confidence_copy",
    "residual_contrast", "closest", "reasons", "error",
)  # fmt: skip

KNOWN_NAMES = ("known", "held")
"""What the outcome of a known record is called in an answer; the second in those that were stored long ago."""


def to_json(part: PhotoAnswer | CardResult | CandidateResult | FaceFacts | Confidence) -> dict[str, Any]:
    """The contract's object of an answer, or of a part of one."""
    told: dict[str, Any] = _plain(part)
    return told


def _plain(value: Any) -> Any:
    if is_dataclass(value):
        told = {one.name: _plain(getattr(value, one.name)) for one in fields(value)}
        if isinstance(value, CandidateEvidence):  # tells what there is
            return {name: number for name, number in told.items() if number is not None}
        return told
    if isinstance(value, tuple):
        return [_plain(one) for one in value]
    return dict(value) if isinstance(value, Mapping) else value


def from_json(told: Mapping[str, Any]) -> PhotoAnswer:
    """The answer that a contract's object tells of. Raises KeyError, TypeError, ValueError for anything else."""
    error = told["error"]
    return PhotoAnswer(
        photo=told["photo"],
        sha256=told["sha256"],
        width=told["width"],
        height=told["height"],
        error=AnswerError(error["code"], error["message"]) if error else None,
        cards=tuple(map(card_from_json, told["cards"])),
        versions=dict(told["versions"]),
    )


def card_from_json(told: Mapping[str, Any]) -> CardResult:
    """One card of a contract's object."""
    outcome = told["outcome"]
    return CardResult(
        quad=quad_of(told["quad"]),
        outcome=KNOWN if outcome in KNOWN_NAMES else outcome,
        record_id=told["record_id"],
        pose=told["pose"],
        crop=told["crop"],
        caption=told["caption"],
        confidence=confidence_from_json(told["confidence"]),
        candidates=tuple(map(candidate_from_json, told["candidates"])),
        face=face_from_json(told["face"]),
        reasons=tuple(told["reasons"]),
        lines=tuple(map(_line_from_json, told.get("lines", ()))),
    )


def candidate_from_json(told: Mapping[str, Any]) -> CandidateResult:
    """One candidate of a card."""
    shift = told["crop_shift_mm"]
    return CandidateResult(
        record_id=told["record_id"],
        pose=told["pose"],
        crop=told["crop"],
        caption=told["caption"],
        reference=told["reference"],
        confidence=confidence_from_json(told["confidence"]),
        crop_shift_mm=CropShift(**_named(CropShift, shift)) if shift else None,
        evidence=_evidence(told["evidence"]),
    )


def confidence_from_json(told: Mapping[str, Any]) -> Confidence:
    """The probabilities of a card or of a candidate."""
    return Confidence(**_named(Confidence, told))


def face_from_json(told: Mapping[str, Any]) -> FaceFacts:
    """The facts about a card's face."""
    facts = _named(FaceFacts, told)
    sizes = {name: tuple(facts[name]) for name in ("size_mm", "off_size_mm") if facts.get(name)}
    return FaceFacts(**{**facts, **sizes})


def quad_of(corners: Iterable[Iterable[float]]) -> Quad:
    """Four corners as an answer holds them. Raises ValueError where there are not four of two numbers each."""
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = corners
    return (ax, ay), (bx, by), (cx, cy), (dx, dy)


def _evidence(told: Mapping[str, Any]) -> CandidateEvidence:
    found = _named(CandidateEvidence, told)
    if found.get("margins_mm"):
        found["margins_mm"] = Margins(**_named(Margins, found["margins_mm"]))
    if found.get("damage") is not None:
        found["damage"] = tuple(map(_damage, found["damage"]))
    if found.get("trimmed") is not None:
        found["trimmed"] = tuple(TrimFact(**_named(TrimFact, one)) for one in found["trimmed"])
    return CandidateEvidence(**{**found, "words": tuple(found.get("words", ()))})


def _line_from_json(told: Mapping[str, Any]) -> WrittenLine:
    return WrittenLine(**{**_named(WrittenLine, told), "box_mm": tuple(told["box_mm"])})


def _damage(told: Mapping[str, Any]) -> DamageFact:
    return DamageFact(**{**_named(DamageFact, told), "box_mm": tuple(told["box_mm"])})


def _named(kind: type[Any], told: Mapping[str, Any]) -> dict[str, Any]:
    """What an object tells of a carrier's fields."""
    return {one.name: told[one.name] for one in fields(kind) if one.name in told}


def csv_rows(answer: PhotoAnswer) -> list[dict[str, Any]]:
    """One row a card, by `CSV_COLUMNS`; one row with the error where there is one."""
    if answer.error:
        return [{"photo": answer.photo, "error": f"{answer.error.code}: {answer.error.message}"}]
    return [_csv_row(answer.photo, number, card) for number, card in enumerate(answer.cards, start=1)]


def _csv_row(photo: str, number: int, card: CardResult) -> dict[str, Any]:
    sure, closest = card.confidence, card.closest
    same_pose = closest is not None and closest.pose == card.pose
    same_record = closest is not None and closest.record_id == card.record_id
    return {
        "photo": photo,
        "card": number,
        "outcome": card.outcome,
        "record_id": card.record_id,
        "subject": closest.evidence.subject if closest and same_pose else None,
        "pose": card.pose,
        "crop": card.crop,
        "caption": card.caption,
        "club": closest.evidence.club if closest and same_record else None,
        "confidence_pose": sure.pose,
        "confidence_crop": sure.crop,
        "confidence_caption": sure.caption,
        "confidence_mark": sure.mark,
        "confidence_record": sure.record,
        "confidence_copy": sure.copy,
        "residual_contrast": card.face.residual_contrast,
        "closest": closest.record_id if closest else None,
        "reasons": "; ".join(card.reasons),
    }
