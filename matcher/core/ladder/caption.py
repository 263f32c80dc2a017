"""Rung 3, caption: the same printed words, or others?

A `Registered` pair of one pose and crop in, a `CaptionFinding` out. The strips where captions stand, foot and head of
the card, are each registered once more, since their place against the picture may differ by a hair, and compared letter
by letter: one changed letter is a small patch where both hold ink and disagree.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.calibration import Calibration, log_gap
from matcher.core.ladder.caption_strips import caption_strips, ink_of, register_strips
from matcher.core.ladder.change_detector import DifferenceMap, compare, difference_features, odds_features
from matcher.core.ladder.ink_correlation import correlate_ink
from matcher.core.ladder.registered import Registered, laid_over
from matcher.core.ladder.words_settings import CaptionSettings, StripSettings


@dataclass(frozen=True)
class CaptionFinding:
    """The caption strips' agreement.

    probability: that the words are the same; None where they are too faded, blurred or covered to compare.
    agreement:   ink-weighted mean correlation.
    worst:       largest shortfall of a letter-sized patch against what the noise allows; 0 is none.
    legibility:  (query, reference) ink energy over paper noise.
    hidden:      share of the reference's words that is torn off the query, or laid over on it.
    features:    what the probability was computed from.
    parts:       the strips as they were compared, for rivals to be compared by.
    """

    probability: float | None
    agreement: float
    worst: float
    legibility: tuple[float, float]
    features: dict[str, float]
    parts: tuple[DifferenceMap, ...] = field(default=(), repr=False)
    hidden: float = 0.0

    @property
    def words(self) -> str:
        if self.probability is None:
            return "the caption is too faded, blurred or covered to be compared"
        if self.probability >= 0.5:
            return "same words, as far as they can be made out"
        return f"other words: {'one letter or more' if self.agreement >= ALIKE else 'most letters'} printed differently"


ALIKE = 0.8
"""Agreement of the ink from which the words are the same but for a letter or two; by hand, for the wording alone."""


def judge_caption(pair: Registered, calibration: Calibration) -> CaptionFinding:
    """Compare the caption strips of two faces whose pictures are registered."""
    features, parts = compare_captions(pair)
    legible = is_legible(features, pair.settings.caption)
    probability = calibration.probability("caption", features) if legible else None
    ratios = (float(np.exp(features["ink_query"])), float(np.exp(features["ink_reference"])))
    hidden = _hidden_words(pair, parts)
    return CaptionFinding(probability, features["agreement"], features["worst"], ratios, features, parts, hidden)


def _hidden_words(pair: Registered, parts: tuple[DifferenceMap, ...]) -> float:
    """Of foot and head the one with more strokes on the reference: share of its strokes that the query cannot show.

    Where the query bears letters itself nothing lies over them: other words change the tone of their ground too.
    """
    settings = pair.settings.strips
    over = laid_over(pair.query.face.grey, pair.warped, settings) | ~pair.uncovered
    zones = caption_strips(pair.query.face.size, settings)
    bold = [_strokes(part.reference, settings) for part in parts]
    lettered = int(np.argmax([float(one.sum()) for one in bold]))
    total = float(bold[lettered].sum())
    if not total:
        return 0.0
    near = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * NEAR_PX + 1, 2 * NEAR_PX + 1))
    own = (_strokes(parts[lettered].query, settings) > 0).astype(np.uint8)
    hidden = over[zones[lettered]] & (cv2.dilate(own, near) == 0)
    return float(bold[lettered][hidden].sum()) / total


def _strokes(strip: NDArray[np.uint8], settings: StripSettings) -> NDArray[np.float32]:
    """A strip's ink where it is a letter's, else 0."""
    ink = np.abs(ink_of(strip, settings))
    return np.where(ink > STROKE * ink.max(), ink, np.float32(0)).astype(np.float32)


STROKE = 0.4
"""Share of the boldest stroke from which ink belongs to a letter; by hand."""

NEAR_PX = 9
"""Face pixels round a letter within which others of its words stand; by hand."""


def is_legible(features: dict[str, float], settings: CaptionSettings | None = None) -> bool:
    """Whether there is enough ink to see, on both cards and not covered, for an answer at all."""
    settings = settings or CaptionSettings()
    return features["ink"] >= settings.legible and features["covered"] < settings.most_covered


def compare_captions(pair: Registered) -> tuple[dict[str, float], tuple[DifferenceMap, ...]]:
    """Numbers about the words (agreement of the ink, its worst letter and word, legibility), and the strips."""
    settings = pair.settings
    strips = register_strips(pair)
    parts = tuple(compare("words", strip.query, strip.reference, strip.shown) for strip in strips)
    letters = correlate_ink(strips, settings.ink)
    agreement = letters.agreement
    worst, word = (letters.worst(settings.ink.letter_px * size) for size in (0.8, 2.0))
    surest = odds_features(parts, settings.change)
    features = {
        "letter": log_gap(worst, 0.06),
        "word": log_gap(word, 0.06),
        "whole": log_gap(1 - agreement, 0.02),
        "shortfall": log_gap(letters.shortfall, 0.03),
        "agreement": agreement,
        "worst": worst,
        "ink": min(letters.ink),
        "ink_query": letters.ink[0],
        "ink_reference": letters.ink[1],
        "covered": 1 - letters.shown,
        **difference_features(parts, settings.change),
        **surest,
        # A scratch is seen by one of the two, other words by both.
        "seen_twice": worst * max(0.0, max(surest.values()) - settings.caption.usual_odds),
    }
    return features, parts
