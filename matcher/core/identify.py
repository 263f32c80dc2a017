"""The whole line: a `Photo` and a `ReferenceSet` in, an `Identification` out.

The only place that knows the order of the stages. For each card found it makes a shortlist, registers the most
promising references, and climbs the ladder with them: pose, crop, caption, copy. `core.ladder.decision` then decides
where the answer stops.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from matcher.core.align.alignment import align
from matcher.core.align.view import View
from matcher.core.calibration import Calibration, log_odds
from matcher.core.condition import Condition, condition
from matcher.core.describe import Description, describe
from matcher.core.detect.detection import CardQuad, Detections, detect
from matcher.core.flatten import Face, flatten
from matcher.core.ladder.candidate import Candidate, Confidence
from matcher.core.ladder.caption import judge_caption
from matcher.core.ladder.caption_zone import is_picture
from matcher.core.ladder.copy import judge_copy
from matcher.core.ladder.crop import judge_crop
from matcher.core.ladder.decision import Answer, CaptionEvidence, decide, is_open
from matcher.core.ladder.pose import judge_pose
from matcher.core.ladder.verification import verify
from matcher.core.ocr.caption_match import all_read, match_captions
from matcher.core.ocr.reading import can_read, read_caption
from matcher.core.photo import Photo
from matcher.core.reference_set import ReferenceSet
from matcher.core.search.reference_index import Hit
from matcher.core.settings import Settings


@dataclass(frozen=True)
class CardAnswer:
    """One card of a photo: where it is, what it is, how it looks flattened."""

    outline: CardQuad
    face: Face
    condition: Condition
    answer: Answer


@dataclass(frozen=True)
class Identification:
    """All cards of one photo, in reading order; `reason` says why where there are none."""

    photo: Photo
    cards: tuple[CardAnswer, ...]
    reason: str = ""


def identify(
    photo: Photo,
    references: ReferenceSet,
    settings: Settings,
    calibration: Calibration,
    given: Detections | None = None,
) -> Identification:
    """Find and identify every card in the photo; given: outlines that a person has drawn, in place of finding them."""
    outlines = detect(photo, settings.face) if given is None else given
    cards = tuple(_likelier_outline(photo, outline, references, settings, calibration) for outline in outlines)
    return Identification(photo, cards, outlines.reason)


def _likelier_outline(
    photo: Photo, outline: CardQuad, references: ReferenceSet, settings: Settings, calibration: Calibration
) -> CardAnswer:
    """Where two outlines of one card are nearly as likely, and the first fits no known card, the match decides."""
    first = identify_card(photo, outline, references, settings, calibration)
    settled = settings.thresholds.pose
    if outline.runner_up is None or _fit(first) >= settled:
        return first
    other = replace(outline, corners=outline.runner_up, runner_up=None)
    second = identify_card(photo, other, references, settings, calibration)
    # Only a match speaks for the other outline: that it fits nothing a little better says nothing.
    before, after = (card.answer.confidence.pose or 0.0 for card in (first, second))
    return second if _fit(second) >= settled or before < settled <= after else first


def _fit(card: CardAnswer) -> float:
    """How likely picture and window both are those of a known card."""
    sure = card.answer.confidence
    return (sure.pose or 0.0) * (sure.crop or 0.0)


def identify_card(
    photo: Photo, outline: CardQuad, references: ReferenceSet, settings: Settings, calibration: Calibration
) -> CardAnswer:
    """Flatten, describe, shortlist, compare, decide: one card."""
    face = flatten(photo, outline, settings.face)
    facts = condition(face, photo, outline)
    problem = _unreadable(facts, settings)
    if problem:
        answer = Answer("unreadable", {}, Confidence(), (), (problem,))
        return CardAnswer(outline, face, facts, answer)
    face, text, hits = _right_way_up(face, references)
    if face.turned:
        outline = replace(outline, corners=np.roll(outline.corners, 2, axis=0))
    candidates = verify(View(face, text), references, calibration, hits)
    verdict = partial(decide, candidates, settings.thresholds, settings.top, calibration)
    answer = verdict()
    if is_open(answer) and can_read():
        answer = verdict(_read_captions(photo, outline, face, candidates))
    return CardAnswer(outline, face, facts, answer)


@dataclass(frozen=True)
class CardSimilarity:
    """How two cards agree, rung by rung; None where a rung was not reached or cannot be told."""

    pose: float | None = None
    crop: float | None = None
    caption: float | None = None
    copy: float | None = None


def compare_cards(query: View, reference: View, settings: Settings, calibration: Calibration) -> CardSimilarity:
    """Lay two cards over each other, neither of which need be enrolled; it ends at the rung that tells them apart."""
    alignment = align(query, reference)
    found = judge_pose(query.face, reference.face, alignment, calibration) if alignment else None
    if found is None or found.probability <= 1 - settings.thresholds.pose:
        return CardSimilarity(found.probability if found else 0.0 if not alignment else None)
    crop = judge_crop(query.face, reference.face, alignment, calibration)
    if crop.probability <= 1 - settings.thresholds.crop:
        return CardSimilarity(found.probability, crop.probability)
    caption = judge_caption(query.face, reference.face, alignment, calibration)
    copy = judge_copy(query.face, reference.face, alignment, crop, calibration)
    return CardSimilarity(found.probability, crop.probability, caption.probability, copy.probability)


def _read_captions(photo: Photo, outline: CardQuad, face: Face, candidates: Sequence[Candidate]) -> CaptionEvidence:
    """Have the words read, and compare them with those that the inks were compared with."""
    told = [c for c in candidates if c.caption_probability is not None and c.crop_probability >= 0.5]
    known = {c.record.record_id: c.record for c in told}
    words = {name: (record.caption, record.club, record.issuer) for name, record in known.items()}
    enough, head_worded = partial(all_read, known=tuple(words.values())), not is_picture(face)
    read = read_caption(photo, outline, face.size, enough=enough, head_worded=head_worded)
    found = match_captions(read, words)
    odds = {record_id: log_odds(score.probability) for record_id, score in found.likenesses.items()}
    return CaptionEvidence(odds, found.words)


def _unreadable(facts: Condition, settings: Settings) -> str:
    if (facts.back or 0.0) >= settings.thresholds.back:
        return (
            f"this looks like a card's back ({100 * (facts.back or 0.0):.0f} %): photograph the side with the picture"
        )
    if facts.glare > settings.thresholds.most_glare:
        return f"{100 * facts.glare:.0f} % of the face is burnt out by glare: tilt the card or move the lamp"
    if facts.residual_contrast < settings.thresholds.least_contrast:
        return f"residual contrast {100 * facts.residual_contrast:.1f} %: hardly any picture is left or lit"
    return ""


def _right_way_up(face: Face, references: ReferenceSet) -> tuple[Face, Description, tuple[Hit, ...]]:
    """Turn the face over where the references it resembles say that it stands on its head."""
    text = describe(face)
    hits = references.search(text)
    upright = sum(hit.inliers for hit in hits if not hit.turned)
    turned = sum(hit.inliers for hit in hits if hit.turned)
    if turned <= upright:
        return face, text, hits
    face = face.half_turn()
    text = describe(face)
    return face, text, references.search(text)
