"""The pool of quads that are judged: proposals from lines and regions, the best of them moved onto edges near them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.caption_extension import to_nominal, with_caption
from matcher.core.detect.geometry import clockwise_portrait
from matcher.core.detect.line_proposals import line_quads
from matcher.core.detect.reduced_image import ReducedImage, soften
from matcher.core.detect.refinement import WIDE, refine
from matcher.core.detect.region_proposals import region_quads
from matcher.core.detect.sampling import outward, side_points
from matcher.core.detect.scoring import measure, score
from matcher.core.settings import FaceSize

Quads = NDArray[np.float32]

PLAIN = 0.95
"""First score above which the second, coarser search for lines is not needed."""

WORTH_A_LOOK = 0.03
"""First score below which a proposal is not even moved onto the edges near it."""

MEASURED = 70
"""Proposals, at most, that are measured."""

EDGE_WEIGHTS = np.array([0.5, 0.7, 0.9, 0.9], np.float32)
"""Of a proposal's four sides, weakest first: one or two may be faint."""

LOOKED_AT = 12
"""Proposals, at most, that are moved onto edges."""

BLANK = 3.0
"""Spread of lightness, levels, below which a picture shows nothing."""

FRAME_TOLERANCE = 0.16
"""Largest difference, as a natural logarithm, between a picture's proportions and those of a card that fills it."""

ALIKE = 0.025
"""Share of its size within which all corners of one proposal lie near another's: one of the two is enough."""


def propose_quads(picture: ReducedImage, size: FaceSize) -> Quads:
    """(n, 4, 2) quads in reduced pixels, portrait order."""
    quads, scores = _proposals(picture, size)
    versions = _versions(picture, quads[_distinct(quads, scores)], size)
    found = np.concatenate([frame_quad(picture, size), versions])
    return np.asarray(clockwise_portrait(found), np.float32)


def frame_quad(picture: ReducedImage, size: FaceSize) -> Quads:
    """(0 or 1, 4, 2): the whole picture, where it has about a card's proportions: pictures of lots are often cut to the
    card."""
    w, h = picture.width, picture.height
    if abs(np.log(min(w, h) / max(w, h) / size.aspect)) > FRAME_TOLERANCE or picture.lab[..., 0].std() < BLANK:
        return np.empty((0, 4, 2), np.float32)
    return np.array([[[0, 0], [w, 0], [w, h], [0, h]]], np.float32)


def _proposals(picture: ReducedImage, size: FaceSize) -> tuple[Quads, NDArray[np.float32]]:
    quads = _edged(picture, np.concatenate([line_quads(picture, 60), region_quads(picture, size.aspect)]))
    scores = _first_score(picture, quads, size)
    if scores.max(initial=0) < PLAIN:
        more = (2 * line_quads(soften(picture), 40)).astype(np.float32)
        quads = np.concatenate([quads, more])
        scores = np.concatenate([scores, _first_score(picture, more, size)])
    return quads, scores


def _edged(picture: ReducedImage, quads: Quads) -> Quads:
    """The MEASURED quads along whose sides the gradient is strongest: a look so quick that all can have it."""
    if len(quads) <= MEASURED:
        return quads
    offsets = np.array([-2, -1, 0, 1, 2], np.float32)
    points = side_points(quads, np.linspace(0.06, 0.94, 12, dtype=np.float32))[..., None, :]
    normal = outward(quads)[:, :, None, None]
    x, y = np.moveaxis(points + offsets[:, None] * normal, -1, 0).astype(np.int32)
    slope = picture.slope[np.clip(y, 0, picture.height - 1), np.clip(x, 0, picture.width - 1)]
    along = np.abs((slope * normal).sum(axis=-1)).max(axis=-1)
    side = np.sort(np.minimum(along, 1.5).mean(axis=2), axis=1)
    return np.asarray(quads[np.sort(np.argsort(-(side @ EDGE_WEIGHTS))[:MEASURED])])


def _first_score(picture: ReducedImage, quads: Quads, size: FaceSize) -> NDArray[np.float32]:
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


def _versions(picture: ReducedImage, quads: Quads, size: FaceSize) -> Quads:
    """Of each quad: as it is; on the edges near it; lengthened over a plain strip or to the nominal proportions."""
    snapped = refine(picture.lab, quads, size.height_mm, WIDE)
    longer = [with_caption(picture, quad, size.height_mm, size.aspect) for quad in snapped]
    changed = [new for new, old in zip(longer, snapped, strict=True) if not np.array_equal(new, old)]
    stretched = [new for quad in snapped for new in to_nominal(picture, quad, size.aspect)]
    none = np.empty((0, 4, 2), np.float32)
    ends = refine(picture.lab, np.array(stretched, np.float32).reshape(-1, 4, 2), size.height_mm, WIDE)
    return np.concatenate([quads, snapped, np.stack(changed) if changed else none, ends])
