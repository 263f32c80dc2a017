"""The search in the reduced picture: a pool of quads, judged alike, thinned to one a card, with a second guess."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.drawn_rectangles import only_drawn
from matcher.core.detect.geometry import NEXT, Array, area, height, slant, true_ratio, true_slant
from matcher.core.detect.proposals import propose_quads
from matcher.core.detect.quad_classifier import classify_quads
from matcher.core.detect.reduced_image import ReducedImage
from matcher.core.detect.suppression import suppress_overlaps
from matcher.core.settings import FaceSize

Quads = NDArray[np.float32]
Scores = NDArray[np.float32]

OTHER_READING = 0.93
"""Intersection over union below which a second outline on the same card is a guess of its own."""

SAME = 0.008
"""Share of its height within which all corners of one quad lie near another's: the two say the same."""

WHOLE = 0.98
"""Share of the picture's area from which a quad is the picture itself."""

RIMMED = (0.6, 0.88)
"""Shares of the picture's area that a card with a rim of the lid around it fills; a print on its mount fills more."""

RIM = 0.01
"""Share of the picture's long side that is left on every side of such a card; what reaches the picture's own edge is
a print without its mount or its words."""

CARD, SEEN = 0.4, 0.2
"""Scores from which another quad is a rival to the whole picture, and to quads that have not the nominal size."""

SHAPELY, TRUE_SIZE = 0.035, 0.06
"""Largest difference, as a natural logarithm, from the nominal proportions, and from the nominal size on a scan."""

SQUARE = 0.05
"""Largest cosine of a corner of a scanned card: a flatbed knows no perspective, and scissors cut within 3 degrees."""

RECTANGLE, NO_RECTANGLE = 0.03, 0.07
"""Cosines between a card's sides, the tilt taken out: of what a camera may well see, and of what it hardly can; the
focal length is a guess, hence the gap."""

BORDER_PX = 2.5
"""So near, in reduced pixels, a side is the picture's border."""

NEAR, ALIKE = 0.2, 0.8
"""Two quads lie in one place whose middles are no further apart than this share of the height; the one that contradicts
the other has at least this share of its area: a print is no rival of its mount."""

FITTING, SETTLED = 4.0, 0.8
"""By how much the nominal size, both ways, raises the odds of a quad that does not score this much by itself; chance
gives that size far more seldom."""

UNLIKELY = 0.3
"""What is left of the score of a quad that such a rival contradicts."""

NEARLY = 0.2
"""By how much less a second outline may score and still be worth a try."""


@dataclass(frozen=True)
class Found:
    """quads: (n, 4, 2) in reduced pixels, portrait order, one a card, best first; scores: (n,) 0 to 1.

    second: for each, the next best outline of the same card, or None where there is no doubt.
    """

    quads: Quads
    scores: Scores
    second: tuple[Quads | None, ...]

    @property
    def best(self) -> float:
        return float(self.scores[0]) if len(self.scores) else 0.0


def search_quads(picture: ReducedImage, size: FaceSize, px_per_mm: float | None = None) -> Found:
    """Look for cards; px_per_mm: of the reduced picture, where a scan's resolution tells it."""
    quads = propose_quads(picture, size)
    scores = _together(quads, classify_quads(picture, quads, size))
    fits = of_nominal_size(quads, size, px_per_mm)
    # A faded card on a pale lid looks drawn, its shadow being the stroke; but what is drawn seldom has a card's shape.
    drawn = only_drawn(picture, quads, size.height_mm) & ~_of_nominal_shape(picture, quads, size)
    scores = np.where(drawn, UNLIKELY * scores, scores).astype(np.float32)
    scores = _inside_first(picture, quads, scores, size)
    scores = likely_first(picture, quads, scores, size)
    scores = _true_to_size(scores, fits)
    kept = suppress_overlaps(quads, scores, least=0.0)
    second = tuple(_second(quads, scores, int(i)) for i in kept)
    return Found(quads[kept], scores[kept], second)


def _inside_first(picture: ReducedImage, quads: Quads, scores: Scores, size: FaceSize) -> Scores:
    """The whole picture is the card only where no card is seen in it: a scan shows a rim of the lid."""
    full = area(quads) > WHOLE * picture.width * picture.height if len(quads) else np.zeros(0, bool)
    if not full.any():
        return scores
    share = area(quads) / (picture.width * picture.height)
    inside = (share > RIMMED[0]) & (share < RIMMED[1]) & (scores >= CARD) & _of_nominal_shape(picture, quads, size)
    far = np.array([picture.width, picture.height]) - quads
    inside &= np.minimum(quads, far).min(axis=(1, 2)) > RIM * max(picture.width, picture.height)
    return np.where(full & inside.any(), UNLIKELY * scores, scores).astype(np.float32)


def likely_first(picture: ReducedImage, quads: Quads, scores: Scores, size: FaceSize) -> Scores:
    """Where a quad of the nominal shape, all sides within the picture, is as good as certain, another in its place is
    unlikely that is no rectangle, or whose side is the picture's own border: a side of it has followed another line."""
    if not len(quads):
        return scores
    leaning = true_slant(quads, picture.width, picture.height)
    bordered = _on_border(picture, quads)
    good = (leaning < RECTANGLE) & ~bordered & (scores >= SETTLED) & _of_nominal_shape(picture, quads, size)
    centre, reach = quads.mean(axis=1), NEAR * height(quads)
    near = np.abs(centre[:, None] - centre[None, good]).max(axis=-1) < reach[:, None]
    larger = area(quads)[good] > ALIKE * area(quads)[:, None]
    astray = (leaning > NO_RECTANGLE) | bordered
    return np.where(astray & (near & larger).any(axis=1), UNLIKELY * scores, scores).astype(np.float32)


def _on_border(picture: ReducedImage, quads: Quads) -> NDArray[np.bool_]:
    """(n,): which quads have a side, both of its corners, on the picture's border or beyond."""
    far = np.array([picture.width, picture.height], np.float32)
    out = np.concatenate([quads < BORDER_PX, far - quads < BORDER_PX], axis=2)  # (n, 4, 4): corners, borders
    return np.asarray((out & out[:, NEXT]).reshape(len(quads), -1).any(axis=1))


def _of_nominal_shape(picture: ReducedImage, quads: Quads, size: FaceSize) -> NDArray[np.bool_]:
    """(n,): which quads have the nominal proportions, the tilt taken out."""
    if not len(quads):
        return np.zeros(0, bool)
    ratio = true_ratio(quads, picture.width, picture.height)
    return np.asarray(np.abs(np.log(ratio / size.aspect)) < SHAPELY)


def of_nominal_size(quads: Quads, size: FaceSize, px_per_mm: float | None) -> NDArray[np.bool_]:
    """(n,): which quads have the nominal size, both ways, and square corners; none where no scan's resolution tells."""
    if not len(quads) or not px_per_mm:
        return np.zeros(len(quads), bool)
    wide = 0.5 * (np.linalg.norm(quads[:, 1] - quads[:, 0], axis=1) + np.linalg.norm(quads[:, 2] - quads[:, 3], axis=1))
    fits = np.abs(np.log(wide / (size.width_mm * px_per_mm))) < TRUE_SIZE
    fits &= np.abs(np.log(height(quads) / (size.height_mm * px_per_mm))) < TRUE_SIZE
    return np.asarray(fits & (slant(quads) < SQUARE))


def _true_to_size(scores: Scores, fits: NDArray[np.bool_]) -> Scores:
    """Where some quad has the nominal size on a scan, it is likelier and others are unlikely; cards of another size
    than the nominal have no such rival, and a telephone's meaningless resolution fits nothing."""
    best = float(scores[fits].max(initial=0.0))
    if best < SEEN:
        return scores
    if best < SETTLED:
        odds = FITTING * scores / (1 - np.minimum(scores, SETTLED))
        return np.where(fits, odds / (1 + odds), UNLIKELY * scores).astype(np.float32)
    return np.where(fits, scores, UNLIKELY * scores).astype(np.float32)


def _together(quads: Quads, scores: Scores) -> Scores:
    """The odds of quads that say the same, added up: the judge divides them between such quads."""
    if not len(quads):
        return scores
    odds = scores / np.maximum(1 - scores, 1e-4)
    near = np.abs(quads[:, None] - quads[None]).max(axis=(2, 3)) < SAME * height(quads)[:, None]
    total = near @ odds
    # The likeliest of a group speaks for it.
    return np.asarray(total / (1 + total) + 1e-4 * (scores - 1), np.float32)


def _second(quads: Quads, scores: Scores, best: int) -> Quads | None:
    for i in np.argsort(-scores):
        if scores[i] < scores[best] - NEARLY:
            return None
        if 0.3 < overlap(quads[best], quads[i]) < OTHER_READING:
            return np.asarray(quads[i], np.float32)
    return None


def overlap(one: Array, other: Array) -> float:
    """Intersection over union of two convex quads (4, 2)."""
    shared, _ = cv2.intersectConvexConvex(np.asarray(one, np.float32), np.asarray(other, np.float32))
    union = abs(float(area(one))) + abs(float(area(other))) - float(shared)
    return float(shared) / max(union, 1e-6)
