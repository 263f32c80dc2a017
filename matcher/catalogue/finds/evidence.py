"""The evidence that is stored with finds, sightings and decisions, as JSON: made and read in this one place.

What is stored keeps its form, whatever answers look like later: it is part of the log, which is hashed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from matcher.catalogue.finds.proposed_fields import Marks, ProposedField, fields_from_json, fields_json, proposed_fields
from matcher.catalogue.log.past_words import outcome_now
from matcher.core.answer import CandidateResult, CardResult, FaceFacts
from matcher.core.answer_json import candidate_from_json, confidence_from_json, face_from_json, to_json
from matcher.core.ladder.candidate import Confidence


@dataclass(frozen=True)
class FindEvidence:
    """What a find keeps of the answer that proposed it.

    versions: what that answer was made with. fields: what its form begins with; old finds have none.
    """

    confidence: Confidence
    candidates: tuple[CandidateResult, ...]
    reasons: tuple[str, ...]
    face: FaceFacts
    versions: Mapping[str, str]
    fields: Mapping[str, ProposedField] = field(default_factory=dict)


def evidence_json(card: CardResult, versions: Mapping[str, str], marks: Marks = frozenset) -> dict[str, Any]:
    """What a find keeps of its card's answer. marks: as `proposed_fields` asks for them."""
    told = to_json(card)
    kept = {name: told[name] for name in ("confidence", "candidates", "reasons", "face")}
    return {**kept, "fields": fields_json(proposed_fields(card, marks)), "versions": dict(versions)}


def evidence_from_json(stored: Mapping[str, Any]) -> FindEvidence:
    """The reverse of `evidence_json`."""
    return FindEvidence(
        confidence=confidence_from_json(stored["confidence"]),
        candidates=tuple(map(candidate_from_json, stored["candidates"])),
        reasons=tuple(stored["reasons"]),
        face=face_from_json(stored["face"]),
        versions=dict(stored["versions"]),
        fields=fields_from_json(stored.get("fields", {})),
    )


def sighting_evidence(card: CardResult, versions: Mapping[str, str]) -> dict[str, Any]:
    """What a sighting keeps of its card's answer."""
    return {"confidence": to_json(card.confidence), "versions": dict(versions)}


def decision_evidence(find: Mapping[str, Any]) -> dict[str, Any]:
    """What the log keeps of a stored find's evidence: scores, the closest reference, with what it was made."""
    told = find["evidence"]
    closest = told["candidates"][0] if told["candidates"] else None
    return {
        "sha256": find["sha256"],
        "outcome": outcome_now(find["outcome"]),
        "confidence": told["confidence"],
        "closest": closest and {k: closest[k] for k in ("record_id", "reference", "confidence", "crop_shift_mm")},
        "description": told["versions"].get("description"),
    }
