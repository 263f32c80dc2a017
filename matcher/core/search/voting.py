"""Neighbours of a face's descriptors in, references that agree on one transform out.

Votes of single descriptors are cheap but blind to geometry, and cards share mount, issuer's line and backdrop, so the
voted references are checked by how many votes agree on one similarity transform.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.describe import Description
from matcher.core.search.settings import VotingSettings


@dataclass(frozen=True)
class Hit:
    """One reference on the shortlist.

    votes:    sum of descriptor votes, each at most 1.
    inliers:  votes that agree on one similarity transform.
    turned:   True where they agree on a half turn: the face is upside down.
    """

    reference_id: int
    votes: float
    inliers: int
    turned: bool


@dataclass(frozen=True)
class Neighbours:
    """The nearest descriptors of each of n query descriptors, nearest first.

    distances:  (n, k) int32, bits that differ.
    references: (n, k) int64, whose descriptor it is; -1: there is none.
    rows:       (n, k) int64, which of that reference's.
    """

    distances: NDArray[np.int32]
    references: NDArray[np.int64]
    rows: NDArray[np.int64]

    @classmethod
    def none(cls, queries: int) -> Neighbours:
        """Of so many query descriptors, none with a neighbour."""
        empty = np.empty((queries, 0), np.int64)
        return cls(empty.astype(np.int32), empty, empty)

    @classmethod
    def ordered(
        cls, distances: NDArray[np.int32], references: NDArray[np.int64], rows: NDArray[np.int64]
    ) -> Neighbours:
        """Nearest first, and by reference and row where distances are equal: FAISS leaves that order to chance."""
        order = np.lexsort((rows, references, np.where(references < 0, np.iinfo(np.int32).max, distances)))
        return cls(
            np.take_along_axis(distances, order, axis=1),
            np.take_along_axis(references, order, axis=1),
            np.take_along_axis(rows, order, axis=1),
        )

    def without_last_ties(self) -> Neighbours:
        """Without those exactly as far as the last of a full row: which of these were taken was left to chance."""
        if not self.distances.shape[1]:
            return self
        full = self.references[:, -1] >= 0
        tied = full[:, None] & (self.distances >= self.distances[:, -1:])
        return Neighbours(self.distances, np.where(tied, -1, self.references), self.rows)


PointsOf = Callable[[Sequence[int]], Mapping[int, NDArray[np.float32]]]
"""(n, 2) float32 points, in face pixels, of each reference asked for."""


def shortlist(
    description: Description,
    neighbours: Neighbours,
    by_hash: Sequence[int],
    points_of: PointsOf,
    limit: int,
    settings: VotingSettings = VotingSettings(),
) -> tuple[Hit, ...]:
    """The references most like this description, best first, at most `limit`.

    neighbours: of the description's descriptors, row by row.
    by_hash: references that are to be on it whatever the descriptors say, if there is room.
    """
    votes = _Votes.of(neighbours, settings.far_bits)
    ranked = votes.most(settings.checked)
    ranked += [reference for reference in by_hash if reference not in ranked]
    cast = {reference: votes.cast_for(reference) for reference in ranked}
    points = points_of([reference for reference in ranked if len(cast[reference][1])])
    hits = [
        Hit(reference, total, *_agreeing(description, points.get(reference), pairs, settings))
        for reference, (total, pairs) in cast.items()
    ]
    return tuple(sorted(hits, key=lambda hit: (-hit.inliers, -hit.votes))[:limit])


@dataclass(frozen=True)
class _Votes:
    """All votes, sorted by reference: in a large catalogue most references have some, and few are looked at.

    names, totals: (r,) references that have votes, ascending, and their sums. starts: (r + 1,) where each one's begin.
    pairs:         (v, 2) query row and reference row behind each vote.
    """

    names: NDArray[np.int64]
    totals: NDArray[np.float64]
    starts: NDArray[np.int64]
    pairs: NDArray[np.int64]

    @classmethod
    def of(cls, neighbours: Neighbours, far_bits: int) -> _Votes:
        """Each query descriptor votes once for a reference, by the nearest of that reference's descriptors."""
        query, rank = np.nonzero((neighbours.references >= 0) & (neighbours.distances <= far_bits))
        reference, row = neighbours.references[query, rank], neighbours.rows[query, rank]
        # Neighbours come nearest first, and `unique` keeps the first of equals.
        _, first = np.unique(reference * len(neighbours.references) + query, return_index=True)
        reference, query, row, rank = reference[first], query[first], row[first], rank[first]
        names, starts = np.unique(reference, return_index=True)
        weights = 1.0 - neighbours.distances[query, rank] / (far_bits + 1)
        totals = np.add.reduceat(weights, starts) if len(names) else np.empty(0)
        return cls(names, totals, np.append(starts, len(query)), np.stack([query, row], axis=1))

    def most(self, count: int) -> list[int]:
        """The references with the most votes, at most `count`."""
        return [int(name) for name in self.names[np.argsort(-self.totals, kind="stable")[:count]]]

    def cast_for(self, reference: int) -> tuple[float, NDArray[np.int64]]:
        """(sum of votes, (n, 2) pairs) of one reference; 0 and none where it has none."""
        at = int(np.searchsorted(self.names, reference))
        if at == len(self.names) or self.names[at] != reference:
            return 0.0, np.empty((0, 2), np.int64)
        return float(self.totals[at]), self.pairs[self.starts[at] : self.starts[at + 1]]


def _agreeing(
    description: Description, points: NDArray[np.float32] | None, matched: NDArray[np.int64], settings: VotingSettings
) -> tuple[int, bool]:
    """Votes, (n, 2) query row and reference row, that agree on one similarity; whether it is a half turn."""
    if points is None or len(matched) < settings.fewest:
        return 0, False
    source = description.points[matched[:, 0]]
    target = np.ascontiguousarray(points[matched[:, 1]])
    transform, inliers = cv2.estimateAffinePartial2D(
        source,
        target,
        ransacReprojThreshold=settings.agree_px,
        maxIters=settings.trials,
        confidence=settings.confidence,
        refineIters=0,
    )
    smallest, largest = settings.smallest_scale, settings.largest_scale
    if transform is None or not smallest < np.hypot(transform[0, 0], transform[1, 0]) < largest:
        return 0, False
    return int(inliers.sum()), bool(transform[0, 0] < 0)
