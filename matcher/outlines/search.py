"""The search in the reduced picture: propose quads, judge them all alike, keep one a card, move it onto the edges."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matcher.outlines.caption import to_nominal, with_caption
from matcher.outlines.geometry import area, clockwise_portrait
from matcher.outlines.lines import line_quads
from matcher.outlines.picture import Picture, soften
from matcher.outlines.refine import WIDE, refine
from matcher.outlines.regions import region_quads
from matcher.outlines.scoring import measure, score, side_strength
from matcher.outlines.select import one_a_card, wrappings
from matcher.settings import FaceSize

Quads = NDArray[np.float32]
Scores = NDArray[np.float32]

PLAIN = 0.95
"""Score above which the second, coarser search for lines is not needed."""

WORTH_A_LOOK = 0.2
"""Score below which a proposal is not even moved onto the edges near it."""

MOST_CARDS = 40
"""On one photo; a flatbed page holds about 24."""

LARGER = 3.0
"""Log odds per log of area. A print is framed more sharply than its mount: of two good outlines the larger gains."""

LONGER = 1.6
"""Log odds that the lengthened versions of a quad gain: a caption's strip is framed less sharply than its picture."""


CLEAN = 0.3
"""Strength that the short sides of a lengthened quad must have; glare may take the better part of one."""


def search(picture: Picture, size: FaceSize) -> tuple[Quads, Scores]:
    """(n, 4, 2) outlines in reduced pixels, portrait order, one a card, best first; and their (n,) scores."""
    quads = np.concatenate([line_quads(picture, 60), region_quads(picture, size.aspect)])
    scores, contrast = _judge(picture, quads, size)
    if scores.max(initial=0) < PLAIN:
        more = (2 * line_quads(soften(picture), 40)).astype(np.float32)
        more_scores, more_contrast = _judge(picture, more, size)
        quads, scores = np.concatenate([quads, more]), np.concatenate([scores, more_scores])
        contrast = np.concatenate([contrast, more_contrast])
    scores = np.where(wrappings(quads, scores, contrast, size.height_mm), 0, scores)
    least = max(WORTH_A_LOOK, 0.25 * float(scores.max(initial=0)))
    chosen = one_a_card(quads, scores, least, limit=MOST_CARDS)
    if not len(chosen):
        return quads[:0], scores[:0]
    quads, scores = _onto_edges(picture, quads[chosen], size)
    kept = one_a_card(quads, scores, least=0.0)
    return quads[kept], scores[kept]


def _judge(picture: Picture, quads: Quads, size: FaceSize) -> tuple[Scores, Scores]:
    """(n,) scores and (n,) mean steps of colour across the sides."""
    if not len(quads):
        return np.empty(0, np.float32), np.empty(0, np.float32)
    evidence = measure(picture, quads, size.height_mm)
    return score(evidence, size.aspect), evidence.contrast.mean(axis=1)


def _onto_edges(picture: Picture, quads: Quads, size: FaceSize) -> tuple[Quads, Scores]:
    """Each quad moved to the outer edges near it, and over a caption it has left out, if it then looks like a card."""
    versions = [_versions(picture, quad, size) for quad in quads]
    moved = clockwise_portrait(np.concatenate(versions)).astype(np.float32)
    evidence = measure(picture, moved, size.height_mm)
    after = score(evidence, size.aspect)
    clean = side_strength(evidence)[:, ::2].min(axis=1)
    ends = np.cumsum([len(some) for some in versions])
    parts = [slice(end - len(some), end) for end, some in zip(ends.tolist(), versions, strict=True)]
    best = np.array([_best(moved[part], after[part], clean[part]) for part in parts])
    best += np.array([part.start for part in parts])
    return moved[best], after[best]


def _best(quads: Quads, scores: Scores, clean: Scores) -> int:
    """Index of the version to keep, of those that `_versions` gave for one quad.

    clean: how sharp the weaker short side is.
    """
    certain = np.clip(scores, 1e-4, 1 - 1e-4)
    odds = np.log(certain / (1 - certain))
    worth = odds + LARGER * np.log(np.abs(area(quads)))
    near = int(worth[:2].argmax())
    # However sharp the picture's frame, a fair outline around picture and caption is preferred to it.
    surplus = max(float(odds[near]) - float(np.log(PLAIN / (1 - PLAIN))), 0.0)
    worth[2:] = np.where(clean[2:] > CLEAN, worth[2:] + surplus + LONGER, -np.inf)
    worth[1 - near] = -np.inf
    return int(worth.argmax())


def _versions(picture: Picture, quad: Quads, size: FaceSize) -> Quads:
    """(2 to 5, 4, 2): as it is; on the edges near it; lengthened over a plain strip or to the nominal proportions."""
    snapped = refine(picture.lab, quad, size.height_mm, WIDE)
    longer = with_caption(picture, snapped, size.height_mm, size.aspect)
    versions = [quad, snapped] if np.array_equal(longer, snapped) else [quad, snapped, longer]
    for stretched in to_nominal(picture, snapped, size.aspect):
        versions.append(refine(picture.lab, stretched, size.height_mm, WIDE))
    return np.stack(versions)
