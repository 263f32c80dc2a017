"""Rung 3, caption: the same printed words, or others?

Two faces of one pose and crop and their `Alignment` in, a `CaptionFinding` out. The strips where captions stand, foot
and head of the card, are each registered once more, since their place against the picture may differ by a hair, and
compared letter by letter: one changed letter is a small patch where both hold ink and disagree.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from matcher.core.align.alignment import Alignment
from matcher.core.calibration import Calibration, log_gap
from matcher.core.flatten import Face
from matcher.core.ladder.caption_strips import register_strips, shown_by_both
from matcher.core.ladder.change_detector import DifferenceMap, compare, difference_features
from matcher.core.ladder.ink_correlation import LETTER_PX, correlate_ink

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
    parts: tuple[DifferenceMap, ...] = field(default=(), repr=False)

    @property
    def words(self) -> str:
        if self.probability is None:
            return "the caption is too faded, blurred or covered to be compared"
        told = f"the ink agrees to {self.agreement:.2f}, its worst letter falls short by {max(self.worst, 0.0):.2f}"
        return f"{'same' if self.probability >= 0.5 else 'other'} words: {told}"


def judge_caption(query: Face, reference: Face, alignment: Alignment, calibration: Calibration) -> CaptionFinding:
    """Compare the caption strips of two faces whose pictures are registered."""
    features, parts = compare_captions(query, reference, alignment)
    probability = calibration.probability("caption", features) if is_legible(features) else None
    ratios = (float(np.exp(features["ink_query"])), float(np.exp(features["ink_reference"])))
    return CaptionFinding(probability, features["agreement"], features["worst"], ratios, features, parts)


def is_legible(features: dict[str, float]) -> bool:
    """Whether there is enough ink to see, on both cards and not covered, for an answer at all."""
    return features["ink"] >= LEGIBLE and features["covered"] < 0.3


def compare_captions(
    query: Face, reference: Face, alignment: Alignment
) -> tuple[dict[str, float], tuple[DifferenceMap, ...]]:
    """Numbers about the words (agreement of the ink, its worst letter and word, legibility), and the strips."""
    strips = register_strips(query, reference, alignment.transform, shown_by_both(query, reference, alignment))
    parts = tuple(compare("words", strip.mine, strip.theirs, strip.shown) for strip in strips)
    letters = correlate_ink(strips)
    agreement = letters.agreement
    worst, word = (letters.worst(LETTER_PX * size) for size in (0.8, 2.0))
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
        **difference_features(parts),
    }
    return features, parts
