"""Rung 3, caption: the same printed words, or others?

Two faces of one pose and crop and their `Alignment` in, a `CaptionFinding` out. The strips where captions stand, foot
and head of the card, are each registered once more, since their place against the picture may differ by a hair, and
compared letter by letter: one changed letter is a small patch where both hold ink and disagree.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.align import Alignment, lay_over
from matcher.contrast import slow
from matcher.flatten import Face
from matcher.ladder.confidence import Calibration, log_gap
from matcher.settings import FaceSize

Floats = NDArray[np.float32]

FOOT_MM = 10.0
HEAD_MM = 8.0
"""Height of the strip that holds a caption, at the foot or at the head of the card."""

SIDE_MM = 2.2
RIM_MM = 1.3
"""Left out of the strips: cut edges, the mount's border, wear."""

HIDDEN = (4.0, 14.0)
"""A spot is covered (by a thumb, say) where its slow tone is off by so many robust deviations and grey levels."""

SEARCH_MM = (1.6, 0.8)
"""How far, across and down, the words may sit from where the picture's alignment puts them."""

FINE_PX = 6.0
"""The fine registration may move the strip by no more than this: more means that it has lost its way."""

STROKE = (0.8, 4.5)
"""Gaussian sigmas (face pixels) of the band that holds pen and type strokes."""

SEAM_PX = 4

INK_QUANTILE = 94
"""Per cent: a caption of two or three lines covers somewhat more than the rest of both strips."""

LETTER_PX = 5.0
"""Gaussian sigma of the window that compares: about one letter of a name."""

LEGIBLE = 2.0
"""Log of ink's energy over the paper's noise, needed on both cards: below it rehearsals told nothing apart."""


@dataclass(frozen=True)
class CaptionFinding:
    """The caption strips' agreement.

    probability: that the words are the same; None where they are too faded, blurred or covered to compare.
    agreement:   ink-weighted mean correlation.
    worst:       largest shortfall of a letter-sized patch against what the noise allows; 0 is none.
    legibility:  (query, reference) ink energy over paper noise.
    """

    probability: float | None
    agreement: float
    worst: float
    legibility: tuple[float, float]
    features: dict[str, float]

    @property
    def words(self) -> str:
        if self.probability is None:
            return "the caption is too faded, blurred or covered to be compared"
        told = f"the ink agrees to {self.agreement:.2f}, its worst letter falls short by {max(self.worst, 0.0):.2f}"
        return f"{'same' if self.probability >= 0.5 else 'other'} words: {told}"


def judge_caption(query: Face, reference: Face, alignment: Alignment, calibration: Calibration) -> CaptionFinding:
    """Compare the caption strips of two faces whose pictures are registered."""
    features = caption_features(query, reference, alignment)
    probability = calibration.probability("caption", features) if is_legible(features) else None
    ratios = (float(np.exp(features["ink_query"])), float(np.exp(features["ink_reference"])))
    return CaptionFinding(probability, features["agreement"], features["worst"], ratios, features)


def is_legible(features: dict[str, float]) -> bool:
    """Whether there is enough ink to see, on both cards and not covered, for an answer at all."""
    return features["ink"] >= LEGIBLE and features["covered"] < 0.3


def caption_features(query: Face, reference: Face, alignment: Alignment) -> dict[str, float]:
    """Numbers about the words: agreement of the ink, its worst letter and word, legibility on both sides.

    Both strips are measured as one: against the ink of a caption, the bare backdrop of the other strip weighs nothing,
    and whatever picture it shows is the same on both cards.
    """
    laid, covered = lay_over(reference, alignment)
    shown = query.trusted & covered & ~_hidden(query.grey, laid)
    letters = _letters(*_both_strips(_ink(query.grey), _ink(laid), shown.astype(np.float32), query.size))
    gap = (letters.expected - letters.correlation) * letters.weight
    inked = float(letters.weight.sum()) + 1e-6
    agreement = float((letters.correlation * letters.weight).sum()) / inked
    worst, word = (_worst(gap, letters.weight, LETTER_PX * size) for size in (0.8, 2.0))
    ink = min(letters.ink)
    gap_of = {
        "letter": log_gap(worst, 0.06),
        "word": log_gap(word, 0.06),
        "whole": log_gap(1 - agreement, 0.02),
        "shortfall": log_gap(float(gap.sum()) / inked, 0.03),
    }
    return {
        **gap_of,
        # The clearer the ink, the more a gap says.
        **{f"{name}_by_ink": value * ink for name, value in gap_of.items() if name != "shortfall"},
        "agreement": agreement,
        "worst": worst,
        "ink": ink,
        "ink_query": letters.ink[0],
        "ink_reference": letters.ink[1],
        "covered": 1 - letters.shown,
    }


def caption_strips(size: FaceSize) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    """(rows, columns) of the face's foot and head, where captions stand; the worn outer rim is left out."""
    side, rim, foot, head = (round(mm * size.px_per_mm) for mm in (SIDE_MM, RIM_MM, FOOT_MM, HEAD_MM))
    across = slice(side, size.width - side)
    return (slice(size.height - foot, size.height - rim), across), (slice(rim, head), across)


def _both_strips(mine: Floats, theirs: Floats, shown: Floats, size: FaceSize) -> tuple[Floats, Floats, Floats]:
    """Both sides' ink and the mask, (rows of all strips, columns), each strip registered on its own."""
    parts: list[tuple[Floats, Floats, Floats]] = []
    for strip in caption_strips(size):
        moved, mask = _register(mine[strip], theirs[strip], shown[strip], size)
        # A masked seam keeps one strip's windows out of the other's.
        mask[-SEAM_PX:] = 0
        parts.append((mine[strip], moved, mask))
    first, second, masks = (np.vstack(part).astype(np.float32) for part in zip(*parts, strict=True))
    return first, second, masks


def _hidden(grey: NDArray[np.uint8], laid: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Where something lies over the query's card: its slow tone cannot be the reference's under any one fading."""
    mine, theirs = (slow(g.astype(np.float32), 10.0) for g in (grey, laid))
    slope, level = np.polyfit(theirs[::8, ::8].ravel(), mine[::8, ::8].ravel(), 1)
    rest = np.abs(mine - (slope * theirs + level))
    deviations, levels = HIDDEN
    limit = max(levels, deviations * 1.48 * float(np.median(rest)))
    spread = cv2.dilate((rest > limit).astype(np.uint8), np.ones((15, 15), np.uint8))
    return np.asarray(spread > 0)


def _ink(grey: NDArray[np.uint8]) -> Floats:
    values = grey.astype(np.float32)
    fine, coarse = (cv2.GaussianBlur(values, (0, 0), sigma) for sigma in STROKE)
    return np.asarray(fine - coarse, np.float32)


def _register(mine: Floats, theirs: Floats, mask: Floats, size: FaceSize) -> tuple[Floats, Floats]:
    """Move `theirs` to where it correlates best: first by whole pixels, then by a fine affine transform.

    The picture's transform is known best in the picture's middle; at the strips it may be off by a pixel or two.
    """
    across, down = (round(mm * size.px_per_mm) for mm in SEARCH_MM)
    framed = cv2.copyMakeBorder(theirs, down, down, across, across, cv2.BORDER_CONSTANT, value=0)
    scores = cv2.matchTemplate(framed, mine * mask, cv2.TM_CCORR_NORMED)
    _, _, _, (x, y) = cv2.minMaxLoc(scores)
    move = np.array([[1, 0, x - across], [0, 1, y - down]], np.float32)
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 20, 1e-3)
    with suppress(cv2.error):  # no convergence: the whole pixels stand
        seen = (mask > 0).astype(np.uint8) * 255
        _, finer = cv2.findTransformECC(mine, theirs, move.copy(), cv2.MOTION_AFFINE, criteria, seen, 3)
        if np.abs(finer - move).max() < FINE_PX:
            move = np.asarray(finer, np.float32)
    canvas = (mine.shape[1], mine.shape[0])
    moved = cv2.warpAffine(theirs, move, canvas, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    filled = cv2.warpAffine(np.ones_like(theirs), move, canvas, flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP)
    return np.asarray(moved, np.float32), np.asarray(mask * filled, np.float32)


@dataclass(frozen=True)
class _Letters:
    """Maps over the strip: correlation in letter-sized windows, what the noise allows, ink that both hold; the log
    of each side's ink energy over its paper's, and the share of the strip that is shown on both."""

    correlation: Floats
    expected: Floats
    weight: Floats
    ink: tuple[float, float]
    shown: float


def _letters(mine: Floats, theirs: Floats, mask: Floats) -> _Letters:
    """Compare the inks, best over a pixel of slack: type on paper is never flattened to better than that."""

    def mean(values: Floats) -> Floats:
        return np.asarray(cv2.GaussianBlur(values * mask, (0, 0), LETTER_PX), np.float32)

    energies = mean(mine * mine), mean(theirs * theirs)
    best = np.full(mine.shape, -1.0, np.float32)
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            moved = np.roll(theirs, (dy, dx), (0, 1))
            scale = np.sqrt(np.maximum(energies[0] * mean(moved * moved), 1e-6))
            best = np.maximum(best, mean(mine * moved) / scale)
    shown = mask > 0
    papers = [float(np.percentile(e[shown], 12)) + 0.02 if shown.any() else 1.0 for e in energies]
    signals = [np.maximum(e - paper, 0) for e, paper in zip(energies, papers, strict=True)]
    expected = np.sqrt(np.prod([s / (e + 1e-6) for s, e in zip(signals, energies, strict=True)], axis=0))
    # Ink that both hold: a scratch or a fold on one card says nothing, a changed letter has ink on both.
    inks = [np.minimum(s / (float(np.percentile(s, INK_QUANTILE)) + 1e-6), 1.0) for s in signals]
    weight = np.where(shown, np.minimum(*inks), 0.0).astype(np.float32)
    legible = [
        float(np.log((np.percentile(e, INK_QUANTILE) + 0.02) / p)) for e, p in zip(energies, papers, strict=True)
    ]
    return _Letters(best, expected.astype(np.float32), weight, (legible[0], legible[1]), float(shown.mean()))


def _worst(gap: Floats, weight: Floats, sigma: float) -> float:
    """Largest shortfall over any patch of `sigma` pixels that holds ink."""
    gaps, inks = (cv2.GaussianBlur(values, (0, 0), sigma) for values in (gap, weight))
    typical = 0.3 * float(np.percentile(inks, INK_QUANTILE)) + 1e-6
    return float((gaps / (inks + typical)).max())
