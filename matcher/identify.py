"""The whole line: a `Photo` and a `Shelf` in, an `Identification` out.

The only place that knows the order of the stages. For each card found it makes a shortlist, registers the most
promising references, and climbs the ladder with them: pose, crop, caption, copy. `ladder.outcome` then decides
where the answer stops.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from matcher.align import Alignment, align
from matcher.condition import Condition, condition
from matcher.describe import Description, describe
from matcher.flatten import Face, flatten
from matcher.index import Hit
from matcher.ladder.caption import judge_caption
from matcher.ladder.confidence import Calibration
from matcher.ladder.copy import judge_copy
from matcher.ladder.crop import judge_crop, known_crop
from matcher.ladder.outcome import Answer, Candidate, Confidence, decide, is_open, most_telling
from matcher.ladder.pose import judge_pose
from matcher.locate import Outline, Outlines, locate
from matcher.photo import Photo
from matcher.reading import can_read, read_caption
from matcher.settings import Settings
from matcher.shelf import Known, Shelf
from matcher.view import View
from matcher.witness import Testimony, witness

POSES_COMPARED = 4
"""Different poses of the shortlist that are registered: the right one is hardly ever further down."""

THOROUGHLY = 2
"""Poses on which the slower second search for a transform is spent; the right one is nearly always among them."""

CERTAIN = 0.97
FAR_FEWER = 0.35
"""A pose at `CERTAIN` spares those with less than this share of the shortlist's most inliers."""

NEARLY_BEST = 0.5
"""Share of a pose's most inliers that another reference of it needs to be taken instead, being more legible."""

REFERENCES_PER_RECORD = 2
DOUBTFUL = (0.1, 0.9)
"""Between these the first reference's word on a caption is not enough."""

CAPTIONS_COMPARED = 40
"""Records of one pose and crop: beyond any that a series is known to have, so that a new caption is new against all."""


@dataclass(frozen=True)
class CardAnswer:
    """One card of a photo: where it is, what it is, how it looks flattened."""

    outline: Outline
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
    photo: Photo, shelf: Shelf, settings: Settings, calibration: Calibration, given: Outlines | None = None
) -> Identification:
    """Find and identify every card in the photo; given: outlines that a person has drawn, in place of finding them."""
    outlines = locate(photo, settings.face) if given is None else given
    cards = tuple(_likelier_outline(photo, outline, shelf, settings, calibration) for outline in outlines)
    return Identification(photo, cards, outlines.reason)


def _likelier_outline(
    photo: Photo, outline: Outline, shelf: Shelf, settings: Settings, calibration: Calibration
) -> CardAnswer:
    """Where two outlines of one card are nearly as likely, and the first ends short of a record, the match decides."""
    first = identify_card(photo, outline, shelf, settings, calibration)
    if outline.alternative is None or first.answer.outcome == "held":
        return first
    other = replace(outline, corners=outline.alternative, alternative=None)
    second = identify_card(photo, other, shelf, settings, calibration)
    # Only a match speaks for the other outline: that it fits nothing a little better says nothing.
    sure, settled = second.answer.confidence.pose or 0.0, settings.thresholds.pose
    if (first.answer.confidence.pose or 0.0) < settled <= sure:
        return second
    return second if settled <= _fit(second) > _fit(first) else first


def _fit(card: CardAnswer) -> float:
    """How likely picture and window both are those of a known card."""
    sure = card.answer.confidence
    return (sure.pose or 0.0) * (sure.crop or 0.0)


def identify_card(
    photo: Photo, outline: Outline, shelf: Shelf, settings: Settings, calibration: Calibration
) -> CardAnswer:
    """Flatten, describe, shortlist, compare, decide: one card."""
    face = flatten(photo, outline, settings.face)
    facts = condition(face, photo, outline)
    problem = _unreadable(facts, settings)
    if problem:
        answer = Answer("unreadable", {}, Confidence(), (), (problem,))
        return CardAnswer(outline, face, facts, answer)
    face, text, hits = _right_way_up(face, shelf)
    if face.turned:
        outline = replace(outline, corners=np.roll(outline.corners, 2, axis=0))
    comparison = _Comparison(View(face, text), shelf, calibration)
    candidates = _climb(comparison, hits)
    verdict = partial(decide, candidates, settings.thresholds, settings.top, calibration)
    answer = verdict()
    if is_open(answer) and can_read():
        answer = verdict(_second_witness(photo, outline, face, candidates))
    return CardAnswer(outline, face, facts, answer)


@dataclass(frozen=True)
class Likeness:
    """How two cards agree, rung by rung; None where a rung was not reached or cannot be told."""

    pose: float | None = None
    crop: float | None = None
    caption: float | None = None
    copy: float | None = None


def compare_cards(query: View, reference: View, settings: Settings, calibration: Calibration) -> Likeness:
    """Lay two cards over each other, neither of which need be enrolled; it ends at the rung that tells them apart."""
    alignment = align(query, reference)
    found = judge_pose(query.face, reference.face, alignment, calibration) if alignment else None
    if found is None or found.probability <= 1 - settings.thresholds.pose:
        return Likeness(found.probability if found else 0.0 if not alignment else None)
    crop = judge_crop(query.face, reference.face, alignment, calibration)
    if crop.probability <= 1 - settings.thresholds.crop:
        return Likeness(found.probability, crop.probability)
    caption = judge_caption(query.face, reference.face, alignment, calibration)
    copy = judge_copy(query.face, reference.face, alignment, crop, calibration)
    return Likeness(found.probability, crop.probability, caption.probability, copy.probability)


def _second_witness(photo: Photo, outline: Outline, face: Face, candidates: Sequence[Candidate]) -> Testimony:
    """Have the words read, and compare them with those that the inks were compared with."""
    told = [c for c in candidates if c.caption_probability is not None and c.crop_probability >= 0.5]
    known = {c.known.record.record_id: c.known.record for c in told}
    words = {name: (record.caption, record.club, record.issuer) for name, record in known.items()}
    return witness(read_caption(photo, outline, face.size), words)


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


def _right_way_up(face: Face, shelf: Shelf) -> tuple[Face, Description, tuple[Hit, ...]]:
    """Turn the face over where the references it resembles say that it stands on its head."""
    text = describe(face)
    hits = shelf.index.search(text)
    upright = sum(hit.inliers for hit in hits if not hit.turned)
    turned = sum(hit.inliers for hit in hits if hit.turned)
    if turned <= upright:
        return face, text, hits
    face = face.half_turn()
    text = describe(face)
    return face, text, shelf.index.search(text)


@dataclass(frozen=True)
class _Comparison:
    """One query face against references, rung by rung."""

    view: View
    shelf: Shelf
    calibration: Calibration

    @property
    def face(self) -> Face:
        return self.view.face

    def register(self, known: Known, start: NDArray[np.float64] | None = None, thorough: bool = True) -> Candidate:
        reference = View(self.shelf.face(known.reference.id), self.shelf.description(known.reference.id))
        return Candidate(known, align(self.view, reference, start=start, thorough=thorough))

    def pose(self, candidate: Candidate) -> Candidate:
        if not candidate.alignment or candidate.pose is not None:
            return candidate
        reference = self.shelf.face(candidate.known.reference.id)
        return replace(candidate, pose=judge_pose(self.face, reference, candidate.alignment, self.calibration))

    def crop(self, candidate: Candidate) -> Candidate:
        if not candidate.alignment:
            return candidate
        reference = self.shelf.face(candidate.known.reference.id)
        return replace(candidate, crop=judge_crop(self.face, reference, candidate.alignment, self.calibration))

    def same_crop(self, candidate: Candidate, lead: Candidate) -> Candidate:
        """Another reference of the lead's crop: what the lead has settled need not be measured again."""
        if not candidate.alignment or lead.crop is None:
            return candidate
        return replace(candidate, crop=known_crop(candidate.alignment, self.face.size, lead.crop.probability))

    def caption(self, candidate: Candidate) -> Candidate:
        if not candidate.alignment or candidate.crop is None:
            return candidate
        reference = self.shelf.face(candidate.known.reference.id)
        return replace(candidate, caption=judge_caption(self.face, reference, candidate.alignment, self.calibration))

    def copy(self, candidate: Candidate) -> Candidate:
        if not candidate.alignment or candidate.crop is None:
            return candidate
        reference = self.shelf.face(candidate.known.reference.id)
        found = judge_copy(self.face, reference, candidate.alignment, candidate.crop, self.calibration)
        return replace(candidate, copy=found)


def _climb(comparison: _Comparison, hits: Sequence[Hit]) -> list[Candidate]:
    """Register the shortlist's poses; then every crop of the best pose; then every caption of the best crop."""
    candidates = _poses(comparison, hits)
    if not any(candidate.pose for candidate in candidates):
        return candidates
    telling = most_telling(candidates)
    pose = max(telling, key=lambda name: telling[name].pose_probability)
    same_pose = [candidate for candidate in candidates if candidate.known.record.pose == pose]
    others = [candidate for candidate in candidates if candidate.known.record.pose != pose]
    same_pose = _crops(comparison, same_pose, pose)
    lead = max(same_pose, key=lambda candidate: candidate.crop_probability)
    return others + _captions(comparison, same_pose, lead)


def _poses(comparison: _Comparison, hits: Sequence[Hit]) -> list[Candidate]:
    """One reference of each pose on the shortlist, the most promising first.

    Once one pose is all but certain, poses with far fewer matches are not registered any more: a near twin, the only
    rival that could still matter, shares nearly all of them.
    """
    candidates: list[Candidate] = []
    most = max((hit.inliers for hit in hits), default=0)
    for hit, known in _one_of_each_pose(comparison.shelf, hits):
        certain = any(candidate.pose_probability >= CERTAIN for candidate in candidates)
        if certain and hit.inliers < FAR_FEWER * most:
            candidates.append(Candidate(known, Alignment.failed("not registered: another pose is all but certain")))
        else:
            candidates.append(
                comparison.pose(comparison.register(known, thorough=not certain and len(candidates) < THOROUGHLY))
            )
    return candidates


def _one_of_each_pose(shelf: Shelf, hits: Iterable[Hit]) -> list[tuple[Hit, Known]]:
    """The most legible of each pose's references that match nearly best: a faint one hides another exposure."""
    poses: dict[str, list[tuple[Hit, Known]]] = {}
    for hit in hits:
        known = shelf.known(hit.reference_id)
        if known and (known.record.pose in poses or len(poses) < POSES_COMPARED):
            poses.setdefault(known.record.pose, []).append((hit, known))
    return [
        max(
            (pair for pair in pairs if pair[0].inliers >= NEARLY_BEST * pairs[0][0].inliers),
            key=lambda pair: pair[1].legibility,
        )
        for pairs in poses.values()
    ]


def _crops(comparison: _Comparison, same_pose: list[Candidate], pose: str) -> list[Candidate]:
    """Every known crop of the pose, by its most legible reference."""
    certain = any(candidate.pose_probability >= CERTAIN for candidate in same_pose)
    seen = {candidate.known.record.crop for candidate in same_pose}
    registered = list(same_pose)
    for known in comparison.shelf.of_pose(pose):
        if known.record.crop not in seen:
            seen.add(known.record.crop)
            candidate = comparison.register(known)
            # The more references of a pose agree, the surer it is; once it is certain, that costs time for nothing.
            registered.append(candidate if certain else comparison.pose(candidate))
    return [comparison.crop(candidate) for candidate in registered]


def _captions(comparison: _Comparison, same_pose: list[Candidate], lead: Candidate) -> list[Candidate]:
    """All records of the leading crop, each by its most legible references; the rest as they are."""
    done = {candidate.known.reference.id: candidate for candidate in same_pose}
    # The crop is the same, so the transform is nearly the same: it saves the search for features.
    start = lead.alignment.transform if lead.alignment else None
    for references in _of_crop(comparison.shelf, lead.known).values():
        for known in references[:REFERENCES_PER_RECORD]:
            candidate = done.get(known.reference.id) or comparison.same_crop(comparison.register(known, start), lead)
            done[known.reference.id] = candidate = comparison.caption(candidate)
            told = candidate.caption_probability
            if told is not None and not DOUBTFUL[0] < told < DOUBTFUL[1]:  # else a second reference may tell
                break
    likely = max(done.values(), key=lambda candidate: candidate.caption_probability or 0.0).known.record.record_id
    finish = {i for i, candidate in done.items() if candidate.known.record.record_id == likely}
    return [comparison.copy(comparison.pose(c)) if i in finish else c for i, c in done.items()]


def _of_crop(shelf: Shelf, lead: Known) -> dict[str, list[Known]]:
    """References of the lead's pose and crop by record, at most `CAPTIONS_COMPARED` records, the most legible first."""
    records: dict[str, list[Known]] = {}
    for known in shelf.of_pose(lead.record.pose):
        if known.record.crop == lead.record.crop:
            records.setdefault(known.record.record_id, []).append(known)
    return dict(islice(records.items(), CAPTIONS_COMPARED))
