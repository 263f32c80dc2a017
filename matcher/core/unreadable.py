"""Why a card cannot be compared, or its words cannot, in words: too small, burnt out, beyond the picture, a back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from matcher.core.condition import glare, residual_contrast
from matcher.core.detect.card_quad import CardQuad
from matcher.core.flatten import Face
from matcher.core.ladder.candidate import Confidence
from matcher.core.ladder.decision import Answer
from matcher.core.search.reference_index import Hit
from matcher.core.settings import Settings
from matcher.core.upright import resembles


def nothing_read(problem: str) -> Answer:
    """The answer for a card that was compared with nothing."""
    return Answer("unreadable", {}, Confidence(), (), (problem,))


def unreadable(face: Face, px_per_mm: float, settings: Settings) -> str:
    """Why this face need not be compared with anything; empty where it may."""
    limits, burnt = settings.thresholds, glare(face)
    if px_per_mm < limits.least_px_per_mm:
        height, needed = (round(scale * _longest_mm(face)) for scale in (px_per_mm, limits.least_px_per_mm))
        return (
            f"the card is too small in the picture, {height} pixels high, and at least {needed} are needed: "
            "send the full-size picture"
        )
    if burnt + face.outside > limits.most_glare >= burnt:
        return f"{100 * face.outside:.0f} % of the card lies outside the photo: show all four edges"
    if burnt > limits.most_glare:
        return f"{100 * burnt:.0f} % of the front is hidden by glare: tilt the card or move the lamp"
    contrast = residual_contrast(face)
    if contrast < limits.least_contrast:
        return "hardly any picture is left, or the photo is too dark: photograph it in better light"
    return ""


def back_of_card(outline: CardQuad, hits: Sequence[Hit], settings: Settings) -> str:
    """Why this is taken for a card's back; empty where it is none: no back resembles an enrolled front."""
    back = outline.back or 0.0
    if back < settings.thresholds.back or resembles(hits, settings):
        return ""
    return f"this looks like a card's back ({100 * back:.0f} %): photograph the front"


def bare_thing(outline: CardQuad) -> str:
    """Why this is offered as no more than something of a card's shape; empty where it may be a card."""
    if not (outline.bare and outline.odd):
        return ""
    return (
        "this has a card's edges, but neither a picture nor words are seen on it: it may be a board, a box or a check "
        "of cloth; if it is a card, draw its four corners"
    )


def without_words(answer: Answer, face: Face, px_per_mm: float, settings: Settings) -> Answer:
    """What is left of an answer where the picture is too small for words to be compared."""
    if answer.outcome not in ("known", "new_caption", "new_mark"):
        return answer
    height_px, larger = px_per_mm * _longest_mm(face), settings.thresholds.words_px_per_mm / px_per_mm
    small = (
        f"the card is {height_px:.0f} pixels high, too small to compare its words: "
        f"ask for a picture {larger:.1f} times larger"
    )
    kept = {name: value for name, value in answer.established.items() if name in ("pose", "crop")}
    confidence = replace(answer.confidence, caption=None, mark=None, record=None, copy=None)
    return replace(
        answer, outcome="undecided", established=kept, confidence=confidence, reasons=(*answer.reasons[:2], small)
    )


def px_per_mm(outline: CardQuad, face: Face) -> float:
    """The photo's resolution on the card: pixels of its two long sides over the mm of its face's."""
    left, right = (float(np.linalg.norm(outline.corners[a] - outline.corners[b])) for a, b in ((0, 3), (1, 2)))
    return (left + right) / 2 / _longest_mm(face)


def _longest_mm(face: Face) -> float:
    return max(face.size.width_mm, face.size.height_mm)
