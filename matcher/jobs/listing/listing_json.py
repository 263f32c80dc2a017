"""The published objects of a listing, made in this one place: of what was weighed, and of what could not be.

A listing's photos are the contract's objects; beside each card's answer `look` tells what the listing saw besides.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, fields
from typing import Any

from matcher.core.answer import FaceFacts
from matcher.core.answer_json import CAUTIONS, from_json, to_json
from matcher.core.errors import PlatekinError
from matcher.core.versions import versions
from matcher.jobs.listing.card_evidence import CardEvidence
from matcher.jobs.listing.carriers import Judgement, ListingReading
from matcher.jobs.listing.inspection import CardInspection, ListingPhoto
from matcher.jobs.listing.seen_before import SeenBefore
from matcher.jobs.listing.verdict import STEPS, Verdict

FACTS = ("aspect", "off_nominal", "off_size_mm", "off_square", "scale", "sigma")
"""Of the face, that `look` repeats."""


def published(
    name: str, reading: ListingReading, judgements: Sequence[Judgement], verdict: Verdict,
    photos: Sequence[ListingPhoto], cards: Sequence[CardEvidence],
) -> dict[str, Any]:  # fmt: skip
    """The published object of a listing that was weighed."""
    return {
        "listing": name,
        "error": None,
        "verdict": {"step": verdict.step, "meaning": STEPS[verdict.step], "words": verdict.words},
        "claims": [_claim(one) for one in judgements],
        "unread": [asdict(one) for one in reading.unread],
        "seen_before": [_seen(one, card.photo) for card in cards for one in card.seen],
        "notes": [*verdict.notes, *_unreadable(photos), *_uncompared(photos)],
        "questions": list(verdict.questions),
        "cautions": list(CAUTIONS),
        "text": reading.text,
        "photos": [photo_to_json(photo) for photo in photos],
        "versions": versions(),
    }


def failed(name: str, error: PlatekinError) -> dict[str, Any]:
    """The published object of a listing that cannot be weighed."""
    return {
        "listing": name,
        "error": {"code": error.code, "message": str(error)},
        "verdict": None,
        "claims": [],
        "unread": [],
        "seen_before": [],
        "notes": [],
        "questions": [],
        "cautions": list(CAUTIONS),
        "text": "",
        "photos": [],
        "versions": versions(),
    }


def photo_to_json(photo: ListingPhoto) -> dict[str, Any]:
    """The contract's object, with `look` added to each card that was inspected."""
    told = to_json(photo.answer)
    for card, shown, own in zip(photo.answer.cards, told["cards"], photo.inspections, strict=bool(photo.inspections)):
        shown["look"] = _look(card.face, own, photo.answer.photo)
    return told


def photo_from_json(told: Mapping[str, Any]) -> ListingPhoto:
    """The reverse of `photo_to_json`."""
    looks = [card["look"] for card in told["cards"] if "look" in card]
    inspections = tuple(
        CardInspection(look["facts"]["unevenness"], tuple(map(_seen_from, look["seen"]))) for look in looks
    )
    return ListingPhoto(from_json(told), inspections)


def _look(face: FaceFacts, own: CardInspection, photo: str) -> dict[str, Any]:
    facts = to_json(face)
    return {
        "facts": {"unevenness": own.unevenness, **{name: facts[name] for name in FACTS}},
        "seen": [_seen(one, photo) for one in own.seen],
    }


def _seen(one: SeenBefore, photo: str) -> dict[str, Any]:
    return {**asdict(one), "words": one.words, "photo": photo}


def _seen_from(told: Mapping[str, Any]) -> SeenBefore:
    return SeenBefore(**{one.name: told[one.name] for one in fields(SeenBefore)})


def _unreadable(photos: Sequence[ListingPhoto]) -> Iterator[str]:
    yield from (photo.answer.error.message for photo in photos if photo.answer.error)


def _claim(one: Judgement) -> dict[str, Any]:
    claim = one.claim
    return {
        "kind": claim.kind,
        "value": claim.value,
        "denied": claim.negated,
        "with_reserve": claim.hedged,
        "may_also_mean": list(claim.others),
        "unsure": claim.unsure,
        "words": claim.words,
        "spans": [list(span) for span in claim.spans],
        "status": one.status,
        "confidence": one.confidence,
        "reason": one.reason,
        "about": one.about,
        "evidence": dict(one.evidence),
    }


def _uncompared(photos: Sequence[ListingPhoto]) -> Iterator[str]:
    """What is lost has not been found to be another card."""
    lost = sorted({name for photo in photos for name in photo.uncompared})
    if lost:
        shown = ", ".join(lost[:5]) + (f" and {len(lost) - 5} more" if len(lost) > 5 else "")
        yield f"whether {shown} showed this card before cannot be told: the picture is lost or damaged"
