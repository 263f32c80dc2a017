"""Up the ladder with the shortlist: a query's `View` and the index's `Hit`s in, `Candidate`s out.

The one place that knows which references are worth registering, and how far each of them climbs: one of every pose,
then one of every crop of the best pose, then one or two of every record of the best crop. What follows from their
findings is for `outcome` to say.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from matcher.core.align.alignment import Alignment, align
from matcher.core.align.view import View
from matcher.core.calibration import Calibration
from matcher.core.flatten import Face
from matcher.core.ladder.candidate import Candidate
from matcher.core.ladder.caption import judge_caption
from matcher.core.ladder.copy import judge_copy
from matcher.core.ladder.crop import judge_crop, known_crop
from matcher.core.ladder.fusion import fuse_by_pose
from matcher.core.ladder.pose import judge_pose
from matcher.core.reference_set import KnownReference, ReferenceSet
from matcher.core.search.reference_index import Hit

POSES_COMPARED = 4
"""Different poses of the shortlist that are registered: the right one is hardly ever further down."""

THOROUGHLY = 2
"""Poses on which the slower second search for a transform is spent; the right one is nearly always among them."""

CERTAIN = 0.97
FAR_FEWER = 0.35
"""A pose at `CERTAIN` spares those with less than this share of the shortlist's most inliers."""

NEARLY_BEST = 0.5
"""Share of a pose's most inliers that another reference of it needs to be taken instead, being more legible."""

IN_DOUBT = (0.03, 0.9)
REFERENCES_PER_POSE = 4
"""So many are asked about a pose that the first one leaves between these."""

CROP_IN_DOUBT = 0.9
CROPS_ASKED_AGAIN = 3
REFERENCES_PER_CROP = 3
"""Where no crop is found as surely as this, so many references of each of the nearest crops are asked: one of them may
have been trimmed, or outlined badly."""

REFERENCES_PER_RECORD = 2
DOUBTFUL = (0.1, 0.9)
"""Between these the first reference's word on a caption is not enough."""

CAPTIONS_COMPARED = 40
"""Records of one pose and crop: beyond any that a series is known to have, so that a new caption is new against all."""


def verify(view: View, references: ReferenceSet, calibration: Calibration, hits: Sequence[Hit]) -> list[Candidate]:
    """Register the shortlist's poses; then every crop of the best pose; then every caption of the best crop."""
    comparison = Verifier(view, references, calibration)
    candidates = _second_opinions(comparison, _poses(comparison, hits))
    judged = fuse_by_pose(candidates, calibration)
    if not judged:
        return candidates
    pose = max(judged, key=lambda name: judged[name].probability)
    same_pose = [candidate for candidate in candidates if candidate.record.pose == pose]
    others = [candidate for candidate in candidates if candidate.record.pose != pose]
    same_pose = _crops(comparison, same_pose, pose)
    lead = max(same_pose, key=lambda candidate: candidate.crop_probability)
    return others + _captions(comparison, same_pose, lead)


@dataclass(frozen=True)
class Verifier:
    """One query face against references, rung by rung."""

    view: View
    references: ReferenceSet
    calibration: Calibration

    @property
    def face(self) -> Face:
        return self.view.face

    def register(
        self, known: KnownReference, start: NDArray[np.float64] | None = None, thorough: bool = True
    ) -> Candidate:
        reference = View(self.references.face(known.id), self.references.description(known.id))
        return Candidate(known, align(self.view, reference, start=start, thorough=thorough))

    def pose(self, candidate: Candidate) -> Candidate:
        if not candidate.alignment or candidate.pose is not None:
            return candidate
        reference = self.references.face(candidate.reference.id)
        return replace(candidate, pose=judge_pose(self.face, reference, candidate.alignment, self.calibration))

    def crop(self, candidate: Candidate) -> Candidate:
        if not candidate.alignment:
            return candidate
        reference = self.references.face(candidate.reference.id)
        return replace(candidate, crop=judge_crop(self.face, reference, candidate.alignment, self.calibration))

    def same_crop(self, candidate: Candidate, lead: Candidate) -> Candidate:
        """Another reference of the lead's crop: what the lead has settled need not be measured again."""
        if not candidate.alignment or lead.crop is None:
            return candidate
        return replace(candidate, crop=known_crop(candidate.alignment, self.face.size, lead.crop.probability))

    def caption(self, candidate: Candidate) -> Candidate:
        if not candidate.alignment or candidate.crop is None:
            return candidate
        reference = self.references.face(candidate.reference.id)
        return replace(candidate, caption=judge_caption(self.face, reference, candidate.alignment, self.calibration))

    def copy(self, candidate: Candidate) -> Candidate:
        if not candidate.alignment or candidate.crop is None:
            return candidate
        reference = self.references.face(candidate.reference.id)
        found = judge_copy(self.face, reference, candidate.alignment, candidate.crop, self.calibration)
        return replace(candidate, copy=found)


def _poses(comparison: Verifier, hits: Sequence[Hit]) -> list[Candidate]:
    """One reference of each pose on the shortlist, the most promising first.

    Once one pose is all but certain, poses with far fewer matches are not registered any more: a near twin, the only
    rival that could still matter, shares nearly all of them.
    """
    candidates: list[Candidate] = []
    most = max((hit.inliers for hit in hits), default=0)
    for hit, known in _one_of_each_pose(comparison.references, hits):
        certain = any(candidate.pose_probability >= CERTAIN for candidate in candidates)
        if certain and hit.inliers < FAR_FEWER * most:
            candidates.append(Candidate(known, Alignment.failed("not registered: another pose is all but certain")))
        else:
            candidates.append(
                comparison.pose(comparison.register(known, thorough=not certain and len(candidates) < THOROUGHLY))
            )
    return candidates


def _second_opinions(comparison: Verifier, candidates: list[Candidate]) -> list[Candidate]:
    """Where one reference leaves its pose in doubt, others of that pose are asked as well."""
    asked = list(candidates)
    for pose, verdict in fuse_by_pose(candidates, comparison.calibration).items():
        if not IN_DOUBT[0] < verdict.probability < IN_DOUBT[1]:
            continue
        seen = {candidate.reference.id for candidate in candidates}
        others = [known for known in comparison.references.of_pose(pose) if known.id not in seen]
        asked += [comparison.pose(comparison.register(known)) for known in others[: REFERENCES_PER_POSE - 1]]
    return asked


def _one_of_each_pose(references: ReferenceSet, hits: Iterable[Hit]) -> list[tuple[Hit, KnownReference]]:
    """The most legible of each pose's references that match nearly best: a faint one hides another exposure."""
    poses: dict[str, list[tuple[Hit, KnownReference]]] = {}
    for hit in hits:
        known = references.known(hit.reference_id)
        if known and (known.record.pose in poses or len(poses) < POSES_COMPARED):
            poses.setdefault(known.record.pose, []).append((hit, known))
    return [
        max(
            (pair for pair in pairs if pair[0].inliers >= NEARLY_BEST * pairs[0][0].inliers),
            key=lambda pair: pair[1].legibility,
        )
        for pairs in poses.values()
    ]


def _crops(comparison: Verifier, same_pose: list[Candidate], pose: str) -> list[Candidate]:
    """Every known crop of the pose, each by one reference: the first that was registered, else the most legible."""
    registered = list(same_pose)
    seen = {candidate.record.crop for candidate in same_pose}
    for known in comparison.references.of_pose(pose):
        if known.record.crop not in seen:
            seen.add(known.record.crop)
            registered.append(comparison.register(known))
    measured: set[str] = set()
    for i, candidate in enumerate(registered):
        if candidate.alignment and candidate.record.crop not in measured:
            measured.add(candidate.record.crop)
            registered[i] = comparison.crop(candidate)
    return crops_again(comparison, registered)


def crops_again(comparison: Verifier, registered: list[Candidate]) -> list[Candidate]:
    """Where no crop is found for certain, others of its references are asked, until one of them is certain."""
    told = sorted((c for c in registered if c.crop), key=lambda c: c.crop_probability, reverse=True)
    if not told or told[0].crop_probability >= CROP_IN_DOUBT:
        return registered
    done = {candidate.reference.id: candidate for candidate in registered}
    asked = {candidate.reference.id for candidate in told}
    for first in told[:CROPS_ASKED_AGAIN]:
        for known in _others_of_crop(comparison.references, first.reference, asked):
            candidate = comparison.crop(done.get(known.id) or comparison.register(known))
            done[known.id] = candidate
            if candidate.crop_probability >= CROP_IN_DOUBT:
                return list(done.values())
    return list(done.values())


def _others_of_crop(references: ReferenceSet, first: KnownReference, asked: set[int]) -> list[KnownReference]:
    others = [known for known in references.of_pose(first.record.pose) if known.id not in asked]
    return [known for known in others if known.record.crop == first.record.crop][: REFERENCES_PER_CROP - 1]


def _captions(comparison: Verifier, same_pose: list[Candidate], lead: Candidate) -> list[Candidate]:
    """All records of the leading crop, each by its most legible references; the rest as they are."""
    done = {candidate.reference.id: candidate for candidate in same_pose}
    # The crop is the same, so the transform is nearly the same: it saves the search for features.
    start = lead.alignment.transform if lead.alignment else None
    for references in _of_crop(comparison.references, lead.reference).values():
        for known in references[:REFERENCES_PER_RECORD]:
            candidate = done.get(known.id) or comparison.register(known, start)
            if candidate.crop is None:
                candidate = comparison.same_crop(candidate, lead)
            done[known.id] = candidate = comparison.caption(candidate)
            told = candidate.caption_probability
            if told is not None and not DOUBTFUL[0] < told < DOUBTFUL[1]:  # else a second reference may tell
                break
    likely = max(done.values(), key=lambda candidate: candidate.caption_probability or 0.0).record.record_id
    finish = {i for i, candidate in done.items() if candidate.record.record_id == likely}
    return [comparison.copy(comparison.pose(c)) if i in finish else c for i, c in done.items()]


def _of_crop(references: ReferenceSet, lead: KnownReference) -> dict[str, list[KnownReference]]:
    """References of the lead's pose and crop by record, at most `CAPTIONS_COMPARED` records, the most legible first."""
    records: dict[str, list[KnownReference]] = {}
    for known in references.of_pose(lead.record.pose):
        if known.record.crop == lead.record.crop:
            records.setdefault(known.record.record_id, []).append(known)
    return dict(islice(records.items(), CAPTIONS_COMPARED))
