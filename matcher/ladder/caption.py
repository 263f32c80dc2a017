"""Rung 3, caption: the same printed words, or others?

Two faces of one pose and crop and their `Alignment` in, a `CaptionFinding` out. The strip where the reference has its
caption (a blank one at the foot or the head, or words written into the picture's foot) is registered once more on
its own, since its place against the picture may differ by a hair, and compared letter by letter: one changed
letter is a small patch where both hold ink and disagree.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.align import Alignment
from matcher.contrast import slow
from matcher.flatten import Face
from matcher.ladder.confidence import Calibration
from matcher.settings import FaceSize

Floats = NDArray[np.float32]

FOOT_MM = 10.0
HEAD_MM = 8.0
"""Height of the strip that holds a caption, at the foot or at the head of the card."""

BLANK = 0.35
"""A strip is blank paper where its slow tones vary by less than this share of the picture's."""

HIDDEN = (4.0, 14.0)
"""A spot is covered (by a thumb, say) where its slow tone is off by so many robust deviations and grey levels."""

SEARCH_MM = (1.6, 0.8)
"""How far, across and down, the words may sit from where the picture's alignment puts them."""

STROKE = (0.8, 4.5)
"""Gaussian sigmas (face pixels) of the band that holds pen and type strokes."""

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
        if self.probability >= 0.5:
            return (
                f"same words: the ink agrees to {self.agreement:.2f}, its worst letter falls short by {self.worst:.2f}"
            )
        return f"other words: the ink agrees to {self.agreement:.2f}, its worst letter falls short by {self.worst:.2f}"


def judge_caption(query: Face, reference: Face, alignment: Alignment, calibration: Calibration) -> CaptionFinding:
    """Compare the caption strips of two faces whose pictures are registered."""
    features = caption_features(query, reference, alignment)
    probability = calibration.probability("caption", features) if is_legible(features) else None
    ratios = (float(np.exp(features["ink_query"])), float(np.exp(features["ink_reference"])))
    return CaptionFinding(probability, features["agreement"], features["worst"], ratios, features)


def is_legible(features: dict[str, float]) -> bool:
    """Whether there is enough ink to see, on both cards and not covered, for an answer at all."""
    return features["ink"] >= LEGIBLE and features["covered"] < 0.25


def caption_features(query: Face, reference: Face, alignment: Alignment) -> dict[str, float]:
    """Numbers about the strip: agreement of the ink, its worst column, legibility on both sides."""
    strip = caption_strip(reference)
    laid, covered = _laid_over(reference, alignment, query.size)
    mine, theirs = _ink(query.grey)[strip], _ink(laid)[strip]
    mask = query.trusted[strip] & covered[strip] & ~_hidden(query.grey, laid)[strip]
    theirs, shown = _register(mine, theirs, mask.astype(np.float32), query.size)
    letters = _letters(mine, theirs, shown)
    gap = (letters.expected - letters.correlation) * letters.weight
    inked = float(letters.weight.sum()) + 1e-6
    worst, ink = _worst(gap, letters.weight, LETTER_PX * 0.8), min(letters.ink)
    return {
        "agreement": float((letters.correlation * letters.weight).sum() / inked),
        "shortfall": float(gap.sum() / inked),
        "worst": worst,
        "worst_by_ink": worst * ink,
        "ink": ink,
        "worst_word": _worst(gap, letters.weight, LETTER_PX * 2.0),
        "ink_query": letters.ink[0],
        "ink_reference": letters.ink[1],
        "covered": float(1 - mask.mean()),
    }


def caption_strip(face: Face) -> tuple[slice, slice]:
    """Rows and columns of the face where its caption stands."""
    side, rim = round(1.2 * face.size.px_per_mm), round(0.6 * face.size.px_per_mm)
    foot, head = (round(mm * face.size.px_per_mm) for mm in (FOOT_MM, HEAD_MM))
    across = slice(side, face.size.width - side)
    at_foot, at_head = slice(face.size.height - foot, face.size.height - rim), slice(rim, head)
    return (at_head, across) if _is_blank(face, "head") and not _is_blank(face, "foot") else (at_foot, across)


def _is_blank(face: Face, end: str) -> bool:
    """Whether a strip at one end is bare paper with words: bright, and of one slow tone."""
    tones = slow(face.grey.astype(np.float32), 6.0)
    px = face.size.px_per_mm
    near, far, side = round(2.0 * px), round(4.8 * px), round(4.0 * px)
    picture = tones[round(10 * px) : -round(10 * px), side:-side]
    strip = (tones[near:far] if end == "head" else tones[-far:-near])[:, side:-side]
    spread = float(np.subtract(*np.percentile(picture, [95, 5])))
    bright = float(np.median(strip)) > float(np.percentile(picture, 70))
    return bright and float(np.subtract(*np.percentile(strip, [90, 10]))) < BLANK * spread


def _hidden(grey: NDArray[np.uint8], laid: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Where something lies over the query's card: its slow tone cannot be the reference's under any one fading."""
    mine, theirs = (slow(g.astype(np.float32), 10.0) for g in (grey, laid))
    slope, level = np.polyfit(theirs[::8, ::8].ravel(), mine[::8, ::8].ravel(), 1)
    rest = np.abs(mine - (slope * theirs + level))
    deviations, levels = HIDDEN
    limit = max(levels, deviations * 1.48 * float(np.median(rest)))
    spread = cv2.dilate((rest > limit).astype(np.uint8), np.ones((15, 15), np.uint8))
    return np.asarray(spread > 0)


def _laid_over(reference: Face, alignment: Alignment, size: FaceSize) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    canvas, inverse = (size.width, size.height), cv2.WARP_INVERSE_MAP
    laid = cv2.warpPerspective(
        reference.grey, alignment.transform, canvas, flags=cv2.INTER_LINEAR | inverse, borderMode=cv2.BORDER_REPLICATE
    )
    trusted = reference.trusted.astype(np.uint8)
    covered = cv2.warpPerspective(trusted, alignment.transform, canvas, flags=cv2.INTER_NEAREST | inverse)
    return np.asarray(laid, np.uint8), np.asarray(covered > 0)


def _ink(grey: NDArray[np.uint8]) -> Floats:
    values = grey.astype(np.float32)
    fine, coarse = (cv2.GaussianBlur(values, (0, 0), sigma) for sigma in STROKE)
    return np.asarray(fine - coarse, np.float32)


def _register(mine: Floats, theirs: Floats, mask: Floats, size: FaceSize) -> tuple[Floats, Floats]:
    """Shift `theirs` by whole pixels to where it correlates best, within the search range."""
    across, down = (round(mm * size.px_per_mm) for mm in SEARCH_MM)
    framed = cv2.copyMakeBorder(theirs, down, down, across, across, cv2.BORDER_CONSTANT, value=0)
    scores = cv2.matchTemplate(framed, mine * mask, cv2.TM_CCORR_NORMED)
    _, _, _, (x, y) = cv2.minMaxLoc(scores)
    height, width = mine.shape
    moved = framed[y : y + height, x : x + width]
    blank = np.zeros_like(framed)
    blank[down : down + height, across : across + width] = 1
    return np.asarray(moved, np.float32), mask * blank[y : y + height, x : x + width]


@dataclass(frozen=True)
class _Letters:
    """Maps over the strip: correlation in letter-sized windows, what the noise allows, ink that both hold; and the
    log of each side's ink energy over its paper's."""

    correlation: Floats
    expected: Floats
    weight: Floats
    ink: tuple[float, float]


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
    inks = [np.minimum(s / (float(np.percentile(s, 90)) + 1e-6), 1.0) for s in signals]
    weight = np.where(shown, np.minimum(*inks), 0.0).astype(np.float32)
    legible = [float(np.log((np.percentile(e, 90) + 0.02) / p)) for e, p in zip(energies, papers, strict=True)]
    return _Letters(best, expected.astype(np.float32), weight, (legible[0], legible[1]))


def _worst(gap: Floats, weight: Floats, sigma: float) -> float:
    """Largest shortfall over any patch of `sigma` pixels that holds ink."""
    gaps, inks = (cv2.GaussianBlur(values, (0, 0), sigma) for values in (gap, weight))
    typical = 0.3 * float(np.percentile(inks, 90)) + 1e-6
    return float((gaps / (inks + typical)).max())
