"""How well outlines hit the true cards of one scene; in: a `Staged` scene and outlines; out: a `CardHit` a card.

The Jaccard index is that of the SmartDoc competition (Burie et al., ICDAR 2015): intersection over union, measured
in the card's own plane, so that a tilted card's near and far edges weigh alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.card_quad import CardQuad
from matcher.lab.synthesis.staging import Staged, TrueCard

FOUND = 0.90
"""Jaccard index from which a card counts as found: about 2 mm off on one side of it."""


@dataclass(frozen=True)
class CardHit:
    """One true card: Jaccard index (0 where missed), mm from each legible true corner, whether the right way up.

    back: whether it is a card's back; seen_back: how likely its outline takes it for one.
    """

    jaccard: float
    corners_mm: tuple[float, ...]
    upright: bool
    outline: int
    back: bool = False
    seen_back: float = 0.0

    @property
    def found(self) -> bool:
        return self.jaccard >= FOUND


def compare(scene: Staged, outlines: Sequence[CardQuad]) -> tuple[list[CardHit], int]:
    """A `CardHit` for every card of the scene, and how many outlines hit none."""
    hits = [_best(card, outlines) for card in scene.cards]
    used = {hit.outline for hit in hits if hit.jaccard > 0.5}
    return hits, len(outlines) - len(used)


def jaccard(card: TrueCard, outline: NDArray[np.float32]) -> float:
    """Intersection over union of an outline (4, 2) with a true card, in the card's plane."""
    flat = _in_plane(card, outline)
    if not np.isfinite(flat).all() or abs(_area(flat)) < 1e-3 or not cv2.isContourConvex(flat[:, None]):
        return 0.0
    true = _rectangle(card)
    shared, _ = cv2.intersectConvexConvex(flat, true)
    union = abs(_area(flat)) + abs(_area(true)) - shared
    return float(shared / union)


def _best(card: TrueCard, outlines: Sequence[CardQuad]) -> CardHit:
    scores = [jaccard(card, outline.corners) for outline in outlines]
    if not scores or max(scores) <= 0:
        return CardHit(0.0, (), False, -1, card.back)
    best = int(np.argmax(scores))
    flat, true = _in_plane(card, outlines[best].corners), _rectangle(card)
    away = [np.linalg.norm(np.roll(flat, turn, axis=0) - true, axis=1) for turn in range(4)]
    turn = int(np.argmin([a.sum() for a in away]))
    legible = tuple(float(a) for a, seen in zip(away[turn], card.legible, strict=True) if seen)
    return CardHit(scores[best], legible, turn == 0, best, card.back, outlines[best].back or 0.0)


def _rectangle(card: TrueCard) -> NDArray[np.float32]:
    w, h = card.size_mm
    return np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32)


def _in_plane(card: TrueCard, outline: NDArray[np.float32]) -> NDArray[np.float32]:
    """(4, 2) mm on the card."""
    to_plane = cv2.getPerspectiveTransform(card.corners.astype(np.float32), _rectangle(card))
    return np.asarray(cv2.perspectiveTransform(outline.astype(np.float32)[None], to_plane)[0], np.float32)


def _area(quad: NDArray[np.float32]) -> float:
    x, y = quad[:, 0], quad[:, 1]
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
