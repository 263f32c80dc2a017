"""What simpler ways would answer, on the same flattened face: the query's face in, the nearest record out.

hash: the 64-bit perceptual hash of `imagehash`, nearest in Hamming distance. features: ORB and RANSAC against every
reference, the most inliers. Neither can say 'new' but by its distance or count, which is kept as its score.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import imagehash
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from matcher.catalogue.reference_set import CatalogueReferences
from matcher.core.align.alignment import match_features
from matcher.core.describe import Description
from matcher.core.flatten import Face
from matcher.core.reference_set import KnownReference


@dataclass(frozen=True)
class BaselineAnswer:
    """The record that a baseline names, with its pose and how sure it is (higher is surer)."""

    record_id: str
    pose: str
    score: float


@dataclass(frozen=True)
class Baselines:
    """All references as the baselines hold them: hashes (n, 64) bool, descriptions, and whose they are."""

    known: tuple[KnownReference, ...]
    hashes: NDArray[np.bool_]
    descriptions: tuple[Description, ...]

    @classmethod
    def of(cls, references: CatalogueReferences) -> Baselines:
        pairs = [(references.known(number), text) for number, text in references.catalogue.descriptions()]
        known = tuple(one for one, _ in pairs if one is not None)
        hashes = np.array([_hash(references.face(one.id)) for one in known])
        return cls(known, hashes, tuple(text for one, text in pairs if one is not None))

    def nearest_hash(self, face: Face) -> BaselineAnswer:
        distances = (self.hashes != _hash(face)).sum(axis=1)
        return self._answer(int(np.argmin(distances)), -float(distances.min()))

    def most_inliers(self, text: Description) -> BaselineAnswer:
        inliers = np.array(list(self._inliers(text)))
        return self._answer(int(np.argmax(inliers)), float(inliers.max()))

    def hash_score(self, face: Face, reference: Face) -> float:
        return -float((_hash(face) != _hash(reference)).sum())

    def _inliers(self, text: Description) -> Iterable[int]:
        for theirs in self.descriptions:
            yield inliers(text, theirs)

    def _answer(self, index: int, score: float) -> BaselineAnswer:
        record = self.known[index].record
        return BaselineAnswer(record.record_id, record.pose, score)


def inliers(text: Description, theirs: Description) -> int:
    """RANSAC inliers between two descriptions."""
    query, reference = ((d.points, d.angles, d.descriptors) for d in (text, theirs))
    return match_features(query, reference)[1]


def _hash(face: Face) -> NDArray[np.bool_]:
    return np.asarray(imagehash.phash(Image.fromarray(face.pixels)).hash, bool).ravel()
