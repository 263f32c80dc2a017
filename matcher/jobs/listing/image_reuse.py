"""Two pictures, each with a card's outline, in; whether they are one picture file, cut or toned anew, out.

Both are laid over each other by the card's corners and then by what they show. One file keeps its grain, its light and
what lies round the card; two photos of one card, or of two copies of it, do not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

CARD_PX = 480
"""Height of the card at which the pictures are compared: small enough to outlive compression, with its grain."""

ROUND_SHARE = 0.35
"""How far round the card is looked, as a share of its size."""

FINE, COARSE = 1.0, 3.0
"""Gaussian sigmas (px) between which grain lies."""

AWAY_PX, WINDOW_PX = 14, 17
"""How far from the card its surroundings begin, beyond its own shadow; the windows in which they are compared."""

LEAST_ROUND = 0.06
"""Share of the card's area that must show something round it on both, to count."""

LEAST_AGREEING = 25
"""Matched features that must agree on one similarity, for it to be worth refining."""

PLAIN = 0.7
"""Standard deviation (grey levels) of a window's grain below which there is nothing to compare."""

Floats = NDArray[np.float32]


@dataclass(frozen=True)
class Framing:
    """grey: (h, w) uint8. corners: (4, 2) float32 TL TR BR BL of the upright card, pixels."""

    grey: NDArray[np.uint8]
    corners: NDArray[np.float32]

    def mirrored(self) -> Framing:
        """As in a mirror, the card still read from its left top corner."""
        corners = self.corners.astype(np.float32).copy()
        corners[:, 0] = self.grey.shape[1] - corners[:, 0]
        return Framing(np.ascontiguousarray(self.grey[:, ::-1]), corners[[1, 0, 3, 2]])

    def half_turned(self) -> Framing:
        """The card read upside down; the picture stays."""
        return replace(self, corners=np.roll(self.corners, 2, axis=0))


@dataclass(frozen=True)
class FileAgreement:
    """inside, round: correlation of the grain on the card, and round it; None where nothing can be compared there.

    bend: by how much the transform from one picture to the other is no mere shift, turn and change of size.
    """

    inside: float
    round: float | None
    bend: float


SAME_INSIDE, SAME_ROUND, SAME_ALONE, MOST_BEND = 0.7, 0.4, 0.85, 0.01
"""Set on pictures that nothing is reported on: see RESULTS.md, 'Listings'."""


def is_same_file(found: FileAgreement) -> bool:
    """Whether two pictures are one file: grain inside and round the card agree and nothing is bent."""
    if found.bend > MOST_BEND:
        return False
    if found.round is None:
        return found.inside >= SAME_ALONE
    return found.inside >= SAME_INSIDE and found.round >= SAME_ROUND


def agreement_of(one: Framing, other: Framing) -> FileAgreement:
    """Lay `one` over `other` and compare their grain."""
    theirs, corners = _reduced(other, min(1.0, CARD_PX / _height(other.corners)))
    mine, own = _reduced(one, min(1.0, _height(corners) / _height(one.corners)))
    box = _box(corners, theirs.shape)
    theirs = np.ascontiguousarray(theirs[box[1] : box[3], box[0] : box[2]])
    by_corners = cv2.getPerspectiveTransform(own, corners - box[:2].astype(np.float32))
    found = _measured(mine, theirs, corners - box[:2], np.asarray(by_corners, np.float64))
    if is_same_file(found) or (by_features := _by_features(mine, theirs)) is None:
        return found
    # Corners of one file may be found a little elsewhere: too far for ECC to set right.
    other_found = _measured(mine, theirs, corners - box[:2], by_features)
    return max(found, other_found, key=lambda one: one.inside)


def _measured(
    mine: NDArray[np.uint8], theirs: NDArray[np.uint8], corners: NDArray[np.float32], start: NDArray[np.float64]
) -> FileAgreement:
    """The agreement under the transform that refining `start` gives; corners: of the card in `theirs`."""
    transform = _refined(mine, theirs, start)
    laid = np.asarray(cv2.warpPerspective(mine, transform, theirs.shape[::-1], flags=cv2.INTER_LINEAR), np.uint8)
    shown = cv2.warpPerspective(np.full(mine.shape, 255, np.uint8), transform, theirs.shape[::-1]) == 255
    shown = cv2.erode(shown.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    card = np.zeros(theirs.shape, np.uint8)
    cv2.fillConvexPoly(card, np.round(corners).astype(np.int32), 1)
    grains = _grain(laid), _grain(theirs)
    inside = _correlation(*grains, (cv2.erode(card, np.ones((9, 9))) > 0) & shown)
    apart = 2 * AWAY_PX + 1
    round_it = (cv2.dilate(card, np.ones((apart, apart))) == 0) & shown
    return FileAgreement(inside, _around(*grains, round_it, LEAST_ROUND * card.sum()), _bend(transform, theirs.shape))


def _around(one: Floats, other: Floats, where: NDArray[np.bool_], least: float) -> float | None:
    """Median correlation of windows that show something on both; None where too little does.

    A plain lid or table gives none, and a median is not led by the few windows that a strong edge crosses.
    """
    weight = where.astype(np.float32)

    def mean(values: Floats) -> Floats:
        return np.asarray(cv2.blur(values * weight, (WINDOW_PX, WINDOW_PX)), np.float32)

    share = np.maximum(mean(np.ones_like(one)), 1e-3)
    (a, b), together = (mean(one) / share, mean(other) / share), mean(one * other) / share
    spread_1, spread_2 = mean(one * one) / share - a * a, mean(other * other) / share - b * b
    told = where & (share > 0.6) & (spread_1 > PLAIN**2) & (spread_2 > PLAIN**2)
    if told.sum() < least:
        return None
    return float(np.median((together - a * b)[told] / np.sqrt(spread_1[told] * spread_2[told])))


def _by_features(mine: NDArray[np.uint8], theirs: NDArray[np.uint8]) -> NDArray[np.float64] | None:
    """The similarity on which the pictures' features agree; None where too few do."""
    orb = cv2.ORB.create(nfeatures=1200, fastThreshold=8)
    (points, words), (others, other_words) = (orb.detectAndCompute(grey, None) for grey in (mine, theirs))
    if not points or not others:
        return None
    matches = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(words, other_words)
    if len(matches) < LEAST_AGREEING:
        return None
    source = np.array([points[match.queryIdx].pt for match in matches], np.float32)
    target = np.array([others[match.trainIdx].pt for match in matches], np.float32)
    found, inliers = cv2.estimateAffinePartial2D(source, target, ransacReprojThreshold=2.0)
    if found is None or inliers.sum() < LEAST_AGREEING:
        return None
    return np.vstack([np.asarray(found, np.float64), [0.0, 0.0, 1.0]])


def _refined(mine: NDArray[np.uint8], theirs: NDArray[np.uint8], start: NDArray[np.float64]) -> NDArray[np.float64]:
    """The transform from `mine` to `theirs`, by ECC; the start where that does not converge."""
    back = np.linalg.inv(start).astype(np.float32)
    back /= back[2, 2]
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 40, 1e-5)
    covered = cv2.warpPerspective(np.full(mine.shape, 255, np.uint8), start, theirs.shape[::-1])
    try:
        _, found = cv2.findTransformECC(theirs, mine, back, cv2.MOTION_HOMOGRAPHY, criteria, covered, 5)
    except cv2.error:
        return start
    return np.asarray(np.linalg.inv(np.asarray(found, np.float64)))


def _grain(grey: NDArray[np.uint8]) -> Floats:
    values = grey.astype(np.float32)
    return np.asarray(cv2.GaussianBlur(values, (0, 0), FINE) - cv2.GaussianBlur(values, (0, 0), COARSE), np.float32)


def _correlation(one: Floats, other: Floats, where: NDArray[np.bool_]) -> float:
    if where.sum() < 100:
        return 0.0
    a, b = one[where] - one[where].mean(), other[where] - other[where].mean()
    return float((a * b).sum() / (np.sqrt((a * a).sum() * (b * b).sum()) + 1e-6))


def _bend(transform: NDArray[np.float64], shape: tuple[int, ...]) -> float:
    """How far a homography is from a similarity: what becomes of a square in the middle, as a share of its side."""
    height, width = shape
    middle, half = np.array([width / 2, height / 2]), 0.3 * min(width, height)
    square = (middle + half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])).astype(np.float32)
    back = cv2.perspectiveTransform(square[None], np.linalg.inv(transform))[0]
    # The similarity that fits best (Umeyama 1991, without reflection): corners as complex numbers, least squares.
    a, b = (corners @ np.array([1, 1j]) for corners in (square.astype(float), back.astype(float)))
    factor = np.vdot(a - a.mean(), b - b.mean()) / np.vdot(a - a.mean(), a - a.mean())
    left = np.abs(b - b.mean() - factor * (a - a.mean())).max()
    return float(left / max(float(np.abs(b[1] - b[0])), 1e-6))


def _height(corners: NDArray[np.float32]) -> float:
    sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    return float(max(sides[1] + sides[3], sides[0] + sides[2]) / 2)


def _reduced(framing: Framing, scale: float) -> tuple[NDArray[np.uint8], NDArray[np.float32]]:
    if scale >= 1:
        return framing.grey, framing.corners
    size = (max(1, round(framing.grey.shape[1] * scale)), max(1, round(framing.grey.shape[0] * scale)))
    grey = cv2.resize(framing.grey, size, interpolation=cv2.INTER_AREA)
    factor = np.array(size, np.float32) / np.array(framing.grey.shape[::-1], np.float32)
    return np.asarray(grey, np.uint8), (framing.corners * factor).astype(np.float32)


def _box(corners: NDArray[np.float32], shape: tuple[int, ...]) -> NDArray[np.int64]:
    """The card with its surroundings, within the picture: left, top, right, bottom."""
    low, high = corners.min(axis=0), corners.max(axis=0)
    margin = ROUND_SHARE * (high - low)
    low = np.clip(np.floor(low - margin), 0, np.array(shape[::-1]) - 2)
    high = np.clip(np.ceil(high + margin), low + 2, np.array(shape[::-1]))
    return np.concatenate([low, high]).astype(np.int64)
