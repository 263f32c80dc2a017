"""The published answer about one photo, as it travels from `identify` to the edge: frozen, picklable, without pixels.

`answer_of` makes it of an `Identification`, rounded as it is published; `failed_answer` of an error. What it looks
like as JSON or CSV is the affair of `answer_json`; everybody else reads attributes. The order of the fields is the
order in which they are published.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Self, get_args

from matcher.core.calibration import log_odds
from matcher.core.errors import PlatekinError
from matcher.core.formats import face_text
from matcher.core.identify import CardAnswer, Identification
from matcher.core.ladder.candidate import Candidate, Confidence
from matcher.core.ladder.crop import CropFinding
from matcher.core.ladder.decision import Outcome
from matcher.core.ladder.pose import PoseFinding
from matcher.core.ocr.line_parts import parts_of
from matcher.core.versions import versions

Point = tuple[float, float]
Quad = tuple[Point, Point, Point, Point]
"""Corners TL TR BR BL of the upright card, pixels of the upright photo."""

FITS_ALONE = 0.48
"""`pose_log10_ratio` from which on a picture speaks clearly for one negative: three to one, where a rung is settled."""

KNOWN: Outcome = "known"
"""The outcome of a card that is a known record."""


@dataclass(frozen=True)
class AnswerError:
    """Why a photo has no cards: a stable code, and a sentence for a person."""

    code: str
    message: str


@dataclass(frozen=True)
class CropShift:
    """The picture's place on the card against the reference's. dx, dy: mm, right and down. scale: a factor."""

    dx: float
    dy: float
    scale: float
    sigma_mm: float


@dataclass(frozen=True)
class Margins:
    """How much more of the negative the card shows than the reference, mm on each side; below 0: less."""

    left: float
    top: float
    right: float
    bottom: float


@dataclass(frozen=True)
class DamageFact:
    """Something laid over or lost on one of two cards that were compared: a fact, and no difference of the pictures.

    kind: crease, loss, sticker, writing or stain. on: this card, the reference, or either where that cannot be told.
    place: in words. box_mm: left, top, right, bottom on the face of this card. probability: that it is of this kind.
    """

    kind: str
    on: str
    place: str
    box_mm: tuple[float, float, float, float]
    area_mm2: float
    probability: float


@dataclass(frozen=True)
class TrimFact:
    """What was cut off a card against the one that it was compared with, mm on each side. on: as of `DamageFact`."""

    on: str
    left: float
    top: float
    right: float
    bottom: float


CARDS = {"query": "this card", "reference": "the reference", "either": "either"}
"""The two cards, as an answer calls them."""


@dataclass(frozen=True)
class CandidateEvidence:
    """The numbers behind a candidate's confidences, None where a rung was not reached, and the rungs' sentences.

    inliers: matches that agree on one transform. method: how the reference was registered. correlation, agreement,
    expected_agreement, caption_agreement: of 1. judged: share of the face that could be judged.
    pose_log10_ratio: what this reference alone says of the pose: 2 where what was seen is a hundred times likelier if
    both cards come from one negative, -2 where it is a hundred times less likely. How many cards of a known negative
    are asked about, the prior, is no part of it (`ladder.expectation`). caption_worst_letter: by how much the ink of
    the worst letter falls short. mark: the issuer's mark as the record has it. damage, trimmed: None where the pose or
    the crop was not found to be one; answers that were stored long ago do not know them. legibility: of the reference's
    front, its residual contrast, 0 to 1.
    """

    subject: str | None = None
    club: str | None = None
    mark: str | None = None
    inliers: int | None = None
    method: str | None = None
    correlation: float | None = None
    agreement: float | None = None
    expected_agreement: float | None = None
    judged: float | None = None
    pose_log10_ratio: float | None = None
    margins_mm: Margins | None = None
    caption_agreement: float | None = None
    caption_worst_letter: float | None = None
    damage: tuple[DamageFact, ...] | None = None
    trimmed: tuple[TrimFact, ...] | None = None
    legibility: float | None = None
    words: tuple[str, ...] = ()


@dataclass(frozen=True)
class CandidateResult:
    """One known record that the card was compared with. reference: id of the reference, as text.

    crop_shift_mm: None where the crop was not reached.
    """

    record_id: str
    pose: str
    crop: str
    caption: str
    reference: str
    confidence: Confidence
    crop_shift_mm: CropShift | None
    evidence: CandidateEvidence

    @property
    def is_compared(self) -> bool:
        """Whether its picture was laid over the card at all; a pose of 0 says nothing where it was not."""
        return self.evidence.method != "none"

    @property
    def fits_alone(self) -> bool:
        """Whether its picture by itself speaks clearly for one negative, whatever a rival's does."""
        return (self.evidence.pose_log10_ratio or 0.0) >= FITS_ALONE


@dataclass(frozen=True)
class FaceFacts:
    """What was measured on the flattened card, see `condition.Condition`; shares are of 1.

    turned: degrees clockwise by which the photo shows the card turned: 0, 90, 180, 270. upright: that the card stands
    as `quad` says, by what is seen on it. by_hand: which way up it stands is a person's word. format: which the card
    has, see `core.formats.face_text`; "" for the common one. Answers that were stored long ago know no more than the
    first five.
    """

    size_mm: tuple[float, float] | None
    residual_contrast: float
    glare: float
    sharpness: float
    turned: int
    unevenness: float | None = None
    aspect: float | None = None
    off_nominal: float | None = None
    off_size_mm: tuple[float, float] | None = None
    off_square: float | None = None
    scale: str = "nominal"
    upright: float | None = None
    back: float | None = None
    sigma: Mapping[str, float] = field(default_factory=dict)
    by_hand: bool = False
    format: str = ""


@dataclass(frozen=True)
class WrittenLine:
    """A line that was read on the card. part: caption, club or mark, "" where that is not told. place: in words.

    box_mm: left, top, right, bottom on the card. certainty: the reader's own, not calibrated. form: line, box, oval or
    ribbon, the frame in which a mark stands; "" where that is not told.
    """

    words: str
    part: str
    place: str
    box_mm: tuple[float, float, float, float]
    certainty: float
    form: str = ""


@dataclass(frozen=True)
class CardResult:
    """One card of a photo.

    record_id, pose, crop, caption: what is established, None where it is not. candidates: the closest first.
    reasons: sentences for a person. lines: what is written on the card, where there was a reason to read all of it.
    Raises ValueError where the shape is wrong.
    """

    quad: Quad
    outcome: Outcome
    record_id: str | None
    pose: str | None
    crop: str | None
    caption: str | None
    confidence: Confidence
    candidates: tuple[CandidateResult, ...]
    face: FaceFacts
    reasons: tuple[str, ...]
    lines: tuple[WrittenLine, ...] = ()

    def __post_init__(self) -> None:
        if len(self.quad) != 4 or any(len(corner) != 2 for corner in self.quad):
            raise ValueError(f"quad must be four corners (x, y), got {self.quad!r}")
        if self.outcome not in get_args(Outcome):
            raise ValueError(f"outcome must be one of {', '.join(get_args(Outcome))}, got {self.outcome!r}")

    @property
    def is_known(self) -> bool:
        return self.outcome == KNOWN

    @property
    def closest(self) -> CandidateResult | None:
        return self.candidates[0] if self.candidates else None


@dataclass(frozen=True)
class PhotoAnswer:
    """The answer about one photo. photo: what it is called. width, height: pixels of the upright photo.

    sha256, width, height: None where the file could not be read. cards: in reading order; none where there is an
    error. versions: what the answer was made with. Raises ValueError for an error beside cards.
    """

    photo: str
    sha256: str | None
    width: int | None
    height: int | None
    error: AnswerError | None
    cards: tuple[CardResult, ...]
    versions: Mapping[str, str]

    def __post_init__(self) -> None:
        if self.error and self.cards:
            raise ValueError(f"an answer with an error has no cards, got {len(self.cards)}")

    def with_candidates(self, most: int) -> Self:
        """The same, with at most so many candidates of each card."""
        return replace(self, cards=tuple(replace(card, candidates=card.candidates[:most]) for card in self.cards))


def answer_of(name: str, found: Identification) -> PhotoAnswer:
    """The answer about a photo that was identified; that it shows no card is its error. name: what it is called."""
    photo = found.photo
    error = None
    if not found.cards:
        error = AnswerError("no_card", f"{name}: {found.reason or 'no card was found'}")
    cards = tuple(map(_card, found.cards))
    return PhotoAnswer(name, photo.sha256, photo.width, photo.height, error, cards, versions())


def failed_answer(name: str, error: PlatekinError) -> PhotoAnswer:
    """The answer about a photo that could not be identified."""
    return PhotoAnswer(name, None, None, None, AnswerError(error.code, str(error)), (), versions())


def _card(card: CardAnswer) -> CardResult:
    known = card.answer.established
    top_left, top_right, bottom_right, bottom_left = (
        (round(float(x), 1), round(float(y), 1)) for x, y in card.outline.corners
    )
    return CardResult(
        quad=(top_left, top_right, bottom_right, bottom_left),
        outcome=card.answer.outcome,
        record_id=known.get("record_id"),
        pose=known.get("pose"),
        crop=known.get("crop"),
        caption=known.get("caption"),
        confidence=_confidence(card.answer.confidence),
        candidates=tuple(map(_candidate, card.answer.candidates)),
        face=_face(card),
        reasons=tuple(reason for reason in card.answer.reasons if reason),
        lines=_lines(card),
    )


def _lines(card: CardAnswer) -> tuple[WrittenLine, ...]:
    size, parts = card.face.size, parts_of(card.lines, card.answer.candidates)
    return tuple(
        WrittenLine(
            line.words,
            parts.get(line, ""),
            line.place(size),
            tuple(round(side * size.enlarged, 1) for side in line.box_mm),  # type: ignore[arg-type]
            round(line.certainty, 3),
            line.form_told if parts.get(line) == "mark" else "",
        )
        for line in sorted(card.lines, key=lambda line: line.box_mm[1])
    )


def _face(card: CardAnswer) -> FaceFacts:
    facts = card.condition
    return FaceFacts(
        size_mm=facts.size_mm,
        residual_contrast=round(facts.residual_contrast, 3),
        glare=round(facts.glare, 3),
        sharpness=round(facts.sharpness, 3),
        turned=card.outline.turned,
        unevenness=round(facts.unevenness, 3),
        aspect=facts.aspect,
        off_nominal=facts.off_nominal,
        off_size_mm=facts.off_size_mm,
        off_square=facts.off_square,
        scale=facts.scale,
        upright=_rounded(facts.upright, 3),
        back=facts.back,
        sigma=dict(facts.sigma),
        by_hand=card.outline.by_hand,
        format=face_text(card.face.size, card.outline.odd),
    )


def _confidence(sure: Confidence) -> Confidence:
    rungs = (sure.pose, sure.crop, sure.caption, sure.mark, sure.record, sure.copy)
    return Confidence(*map(_stated, rungs))


def _candidate(candidate: Candidate) -> CandidateResult:
    record, shift = candidate.record, None
    if candidate.crop is not None:
        window = candidate.crop.window.on_card
        shift = CropShift(window.dx, window.dy, window.scale, window.sigma_mm)
    return CandidateResult(
        record_id=record.record_id,
        pose=record.pose,
        crop=record.crop,
        caption=record.caption,
        reference=str(candidate.reference.id),
        confidence=_confidence(candidate.confidence),
        crop_shift_mm=shift,
        evidence=_evidence(candidate),
    )


def _evidence(candidate: Candidate) -> CandidateEvidence:
    alignment, pose, crop, caption = candidate.alignment, candidate.pose, candidate.crop, candidate.caption
    told = [pose.words_of(candidate.confidence.pose or 0.0)] if pose else []
    told += [rung.words for rung in (crop, candidate.words or caption, candidate.mark, candidate.copy) if rung]
    return CandidateEvidence(
        subject=candidate.record.subject,
        club=candidate.record.club,
        mark=candidate.record.mark or None,
        inliers=alignment.inliers,
        method=alignment.method,
        correlation=round(alignment.correlation, 3),
        agreement=round(pose.agreement, 3) if pose else None,
        expected_agreement=round(pose.expected, 3) if pose else None,
        judged=round(pose.judged, 3) if pose else None,
        pose_log10_ratio=round(log_odds(pose.probability) / math.log(10), 2) if pose else None,
        margins_mm=Margins(*crop.window.on_card.margins_mm) if crop else None,
        caption_agreement=round(caption.agreement, 3) if caption else None,
        caption_worst_letter=round(caption.worst, 3) if caption else None,
        damage=_damage(pose) if pose else None,
        trimmed=_trimmed(crop) if crop else None,
        legibility=round(candidate.reference.legibility, 3),
        words=tuple(told),
    )


def _damage(pose: PoseFinding) -> tuple[DamageFact, ...] | None:
    if pose.probability < 0.5:
        return None
    return tuple(
        DamageFact(one.kind, CARDS[one.on], one.place, one.box_mm, one.area_mm2, one.probability) for one in pose.damage
    )


def _trimmed(crop: CropFinding) -> tuple[TrimFact, ...] | None:
    if crop.probability < 0.5:
        return None
    cards = zip((CARDS["query"], CARDS["reference"]), crop.trims_on_card, strict=True)
    return tuple(TrimFact(card, *sides) for card, sides in cards if any(sides))


def _stated(probability: float | None) -> float | None:
    """To four digits, but never as certainty: what was measured bears out no 0 and no 1. Nothing compared is 0.

    >>> _stated(0.99999), _stated(0.00001), _stated(0.0), _stated(None)
    (0.9999, 0.0001, 0.0, None)
    """
    return min(max(round(probability, 4), 0.0001), 0.9999) if probability else probability


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
