"""An `Identification` in, its published forms out: the JSON object of the contract, table rows, CSV rows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from matcher.core.errors import PlatekinError
from matcher.core.identify import CardAnswer, Identification
from matcher.core.ladder.candidate import Candidate, Confidence
from matcher.core.versions import versions

CAUTIONS = (
    "platekin compares pictures. It does not authenticate, grade or value, and a match is no proof that a card is "
    "genuine or unaltered: a front photo cannot show rebacking.",
    "Albumen prints are harmed by light: no flash close up, no repeated bright scans, keep them in the dark.",
    "Do not take a card out of its holder or off its page for a photo.",
    "Buying or selling: have the card seen by a qualified person.",
)

CSV_COLUMNS = (
    "photo", "card", "outcome", "record_id", "pose", "crop", "caption", "confidence_pose", "confidence_crop",
    "confidence_caption", "confidence_record", "residual_contrast", "closest", "reasons", "error",
)  # fmt: skip


def as_json(name: str, found: Identification) -> dict[str, Any]:
    """The contract's object for one photo."""
    error = None
    if not found.cards:
        error = {"code": "no_card", "message": f"{name}: {found.reason or 'no card was found'}"}
    return {
        "photo": name,
        "sha256": found.photo.sha256,
        "width": found.photo.width,
        "height": found.photo.height,
        "error": error,
        "cards": [_card(card) for card in found.cards],
        "versions": versions(),
    }


def as_error(name: str, error: PlatekinError) -> dict[str, Any]:
    """The contract's object for a photo that cannot be read."""
    return {
        "photo": name,
        "sha256": None,
        "width": None,
        "height": None,
        "error": {"code": error.code, "message": str(error)},
        "cards": [],
        "versions": versions(),
    }


def csv_rows(result: dict[str, Any]) -> list[dict[str, Any]]:
    """One row a card of the contract's object; one row with the error where there is none."""
    error = result["error"]
    if error:
        return [{"photo": result["photo"], "error": f"{error['code']}: {error['message']}"}]
    return [_csv_row(result["photo"], number, card) for number, card in enumerate(result["cards"], start=1)]


def _csv_row(photo: str, number: int, card: dict[str, Any]) -> dict[str, Any]:
    sure = card["confidence"]
    return {
        "photo": photo,
        "card": number,
        **{name: card[name] for name in ("outcome", "record_id", "pose", "crop", "caption")},
        **{f"confidence_{rung}": sure[rung] for rung in ("pose", "crop", "caption", "record")},
        "residual_contrast": card["face"]["residual_contrast"],
        "closest": card["candidates"][0]["record_id"] if card["candidates"] else None,
        "reasons": "; ".join(card["reasons"]),
    }


def _face(card: CardAnswer) -> dict[str, Any]:
    facts = card.condition
    return {
        "size_mm": list(facts.size_mm) if facts.size_mm else None,
        "residual_contrast": round(facts.residual_contrast, 3),
        "glare": round(facts.glare, 3),
        "sharpness": round(facts.sharpness, 3),
        "turned": card.outline.turned,
        "unevenness": round(facts.unevenness, 3),
        "aspect": facts.aspect,
        "off_nominal": facts.off_nominal,
        "off_size_mm": list(facts.off_size_mm) if facts.off_size_mm else None,
        "off_square": facts.off_square,
        "scale": facts.scale,
        "upright": None if facts.upright is None else round(facts.upright, 3),
        "back": facts.back,
        "sigma": dict(facts.sigma),
    }


def _card(card: CardAnswer) -> dict[str, Any]:
    known = card.answer.established
    return {
        "quad": [[round(float(x), 1), round(float(y), 1)] for x, y in card.outline.corners],
        "outcome": card.answer.outcome,
        "record_id": known.get("record_id"),
        "pose": known.get("pose"),
        "crop": known.get("crop"),
        "caption": known.get("caption"),
        "confidence": _confidence(card.answer.confidence),
        "candidates": [_candidate(candidate) for candidate in card.answer.candidates],
        "face": _face(card),
        "reasons": [reason for reason in card.answer.reasons if reason],
    }


def _confidence(sure: Confidence) -> dict[str, float | None]:
    values = {rung: getattr(sure, rung) for rung in ("pose", "crop", "caption", "record", "copy")}
    return {rung: None if value is None else round(value, 4) for rung, value in values.items()}


def _candidate(candidate: Candidate) -> dict[str, Any]:
    record, reference = candidate.record, candidate.reference
    return {
        "record_id": record.record_id,
        "pose": record.pose,
        "crop": record.crop,
        "caption": record.caption,
        "reference": str(reference.id),
        "confidence": _confidence(candidate.confidence),
        "crop_shift_mm": _shift(candidate),
        "evidence": _evidence(candidate),
    }


def _shift(candidate: Candidate) -> dict[str, float] | None:
    if candidate.crop is None:
        return None
    window = candidate.crop.window
    return {"dx": window.dx, "dy": window.dy, "scale": window.scale, "sigma_mm": window.sigma_mm}


def _evidence(candidate: Candidate) -> dict[str, Any]:
    """The numbers behind the confidences, and the rungs' sentences."""
    record = candidate.record
    found: dict[str, Any] = {"subject": record.subject, "club": record.club}
    found |= {"inliers": candidate.alignment.inliers, "method": candidate.alignment.method}
    found["correlation"] = round(candidate.alignment.correlation, 3)
    if candidate.pose:
        found["agreement"] = round(candidate.pose.agreement, 3)
        found["expected_agreement"] = round(candidate.pose.expected, 3)
        found["judged"] = round(candidate.pose.judged, 3)
    if candidate.crop:
        found["margins_mm"] = dict(
            zip(("left", "top", "right", "bottom"), candidate.crop.window.margins_mm, strict=True)
        )
    if candidate.caption:
        found["caption_agreement"] = round(candidate.caption.agreement, 3)
        found["caption_worst_letter"] = round(candidate.caption.worst, 3)
    rungs: Sequence[Any] = (candidate.pose, candidate.crop, candidate.caption, candidate.copy)
    found["words"] = [rung.words for rung in rungs if rung is not None]
    return found
