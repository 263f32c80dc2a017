"""One query face laid directly over chosen references: every rung's finding for it, with the truth beside.

The shortlist would spare most of these pairs; asked directly, each query gives pairs of one negative and, where its
sitter has other exposures enrolled, pairs of two. Every rung is asked wherever its question makes sense.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from matcher.catalogue.reference_set import CatalogueReferences
from matcher.core.align.alignment import Alignment, align
from matcher.core.align.view import View
from matcher.core.calibration import Calibration
from matcher.core.describe import describe
from matcher.core.flatten import Face
from matcher.core.ladder.caption import judge_caption
from matcher.core.ladder.copy import judge_copy
from matcher.core.ladder.crop import crop_features, judge_crop
from matcher.core.ladder.pose import judge_pose
from matcher.core.ladder.registered import Registered
from matcher.core.reference_set import KnownReference
from matcher.lab.evaluation.baselines import Baselines, inliers
from matcher.lab.evaluation.draw import placed, view_of
from matcher.lab.evaluation.plan import PlannedCopy, PlannedQuery
from matcher.lab.evaluation.windows import true_window

SAME_POSE, NEAR = 3, 3
"""At most so many pairs of each sort a query."""


@dataclass(frozen=True)
class PairJudge:
    """What pairs are judged with: the open catalogue, the confidence, and the copy behind each reference's name."""

    references: CatalogueReferences
    calibration: Calibration
    copies: Mapping[str, PlannedCopy]
    poses: Mapping[str, str]
    baselines: Baselines

    def of_query(self, query: PlannedQuery, face: Face) -> list[dict[str, Any]]:
        """The pairs of one query; face: upright."""
        query_view = View(face, describe(face))
        return [self._judged(query, query_view, known) for known in self._chosen(query)]

    def _chosen(self, query: PlannedQuery) -> Iterator[KnownReference]:
        """References of the query's own negative, its own record and crop first, and of its near exposures."""
        shown = query.copy.shows
        same = sorted(
            self.references.of_pose(shown.pose) if shown.pose else (),
            key=lambda known: (known.record.record_id != query.record_id, known.record.crop != shown.crop_name),
        )
        yield from same[:SAME_POSE]
        near = [self.poses[name] for name in shown.negative.near if name in self.poses]
        # Another start for each query, so that not always the same exposures are compared.
        start = query.seed % len(near) if near else 0
        for pose in (near[start:] + near[:start])[:NEAR]:
            yield from self.references.of_pose(pose)[:1]

    def _judged(self, query: PlannedQuery, query_view: View, known: KnownReference) -> dict[str, Any]:
        reference_view = View(self.references.face(known.id), self.references.description(known.id))
        found = align(query_view, reference_view)
        same = known.record.pose == query.copy.shows.pose
        row: dict[str, Any] = {
            "record_id": known.record.record_id,
            "reference": self.references.row(known.id).name,
            "same_pose": same,
            "moved": bool(query.copy.shows.negative.moved) and not same,
            "reference_contrast": self.copies[self.references.row(known.id).name].age.residual_contrast,
            "method": found.method,
            "reason": found.reason,
            "hash": self.baselines.hash_score(query_view.face, reference_view.face),
            "inliers": inliers(query_view.description, reference_view.description),
            **self._rungs(query_view.face, reference_view.face, found),
        }
        return row | (self._truth(query, known) if same else {})

    def _rungs(self, face: Face, reference: Face, found: Alignment) -> dict[str, Any]:
        """Probabilities and features by rung; a pair that cannot be laid over each other is none of them."""
        if not found:
            return {"pose": 0.0}
        pair = Registered.of(face, reference, found)
        pose, crop = judge_pose(pair, self.calibration), judge_crop(pair, self.calibration)
        caption, copy = judge_caption(pair, self.calibration), judge_copy(pair, crop, self.calibration)
        return {
            "pose": pose.probability if pose else 0.0,
            "crop": crop.probability,
            "caption": caption.probability,
            "copy": copy.probability,
            "window": asdict(crop.window),
            "features": {
                "pose": pose.features if pose else {},
                "crop": crop_features(pair),
                "caption": caption.features,
                "copy": copy.features,
            },
        }

    def _truth(self, query: PlannedQuery, known: KnownReference) -> dict[str, Any]:
        """What is true of a pair of one negative."""
        shown, copy = query.copy.shows, self.copies[self.references.row(known.id).name]
        same_crop = shown.crop_name == known.record.crop
        view = view_of(query.copy)
        words = (shown.caption.name, shown.caption.club.upper())
        return {
            "same_crop": same_crop,
            "same_caption": words == (known.record.caption, known.record.club.upper()),
            "same_record": query.record_id == known.record.record_id,
            "same_copy": copy.copy_id == query.copy.copy_id,
            "true_window": asdict(true_window(view.shape, placed(query.copy), placed(copy))),
        }
