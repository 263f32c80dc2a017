"""The pool of quads that are judged: proposals from lines and regions, the best of them moved onto edges near them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matcher.outlines.caption import to_nominal, with_caption
from matcher.outlines.geometry import clockwise_portrait
from matcher.outlines.lines import line_quads
from matcher.outlines.picture import Picture, soften
from matcher.outlines.refine import WIDE, refine
from matcher.outlines.regions import region_quads
from matcher.outlines.scoring import measure, score
from matcher.settings import FaceSize

Quads = NDArray[np.float32]

PLAIN = 0.95
"""First score above which the second, coarser search for lines is not needed."""

WORTH_A_LOOK = 0.03
"""First score below which a proposal is not even moved onto the edges near it."""

LOOKED_AT = 14
"""Proposals, at most, that are moved onto edges."""

BLANK = 3.0
"""Spread of lightness, levels, below which a picture shows nothing."""

FRAME_TOLERANCE = 0.16
"""Largest difference, as a natural logarithm, between a picture's proportions and those of a card that fills it."""

ALIKE = 0.025
"""Share of its size within which all corners of one proposal lie near another's: one of the two is enough."""


def pool(picture: Picture, size: FaceSize) -> Quads:
    """(n, 4, 2) quads in reduced pixels, portrait order."""
    quads, scores = _proposals(picture, size)
    versions = [_versions(picture, quad, size) for quad in quads[_distinct(quads, scores)]]
    found = np.concatenate([*_frame(picture, size), *versions, np.empty((0, 4, 2), np.float32)])
    return np.asarray(clockwise_portrait(found), np.float32)


def _frame(picture: Picture, size: FaceSize) -> list[Quads]:
    """The whole picture, where it has about a card's proportions: pictures of lots are often cut to the card."""
    w, h = picture.width, picture.height
    if abs(np.log(min(w, h) / max(w, h) / size.aspect)) > FRAME_TOLERANCE or picture.lab[..., 0].std() < BLANK:
        return []
    return [np.array([[[0, 0], [w, 0], [w, h], [0, h]]], np.float32)]


def _proposals(picture: Picture, size: FaceSize) -> tuple[Quads, NDArray[np.float32]]:
    quads = np.concatenate([line_quads(picture, 60), region_quads(picture, size.aspect)])
    scores = _first_score(picture, quads, size)
    if scores.max(initial=0) < PLAIN:
        more = (2 * line_quads(soften(picture), 40)).astype(np.float32)
        quads = np.concatenate([quads, more])
        scores = np.concatenate([scores, _first_score(picture, more, size)])
    return quads, scores


def _first_score(picture: Picture, quads: Quads, size: FaceSize) -> NDArray[np.float32]:
    if not len(quads):
        return np.empty(0, np.float32)
    return score(measure(picture, quads, size.height_mm), size.aspect)


def _distinct(quads: Quads, scores: NDArray[np.float32]) -> list[int]:
    """Indices, best first, of proposals that differ from each other."""
    kept: list[int] = []
    for i in np.argsort(-scores):
        if scores[i] < WORTH_A_LOOK or len(kept) >= LOOKED_AT:
            break
        reach = ALIKE * float(np.ptp(quads[i], axis=0).max())
        if not kept or np.abs(quads[kept] - quads[i]).max(axis=(1, 2)).min() > reach:
            kept.append(int(i))
    return kept


def _versions(picture: Picture, quad: Quads, size: FaceSize) -> Quads:
    """(2 to 5, 4, 2): as it is; on the edges near it; lengthened over a plain strip or to the nominal proportions."""
    snapped = refine(picture.lab, quad, size.height_mm, WIDE)
    versions = [quad, snapped]
    longer = with_caption(picture, snapped, size.height_mm, size.aspect)
    if not np.array_equal(longer, snapped):
        versions.append(longer)
    for stretched in to_nominal(picture, snapped, size.aspect):
        versions.append(refine(picture.lab, stretched, size.height_mm, WIDE))
    return np.stack(versions)
