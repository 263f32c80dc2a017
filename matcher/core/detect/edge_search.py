"""Cards by their edges alone, whatever is printed on them and in whatever colours: straight, whole, square, of a shape.

The classifiers (`quad_classifier`, `full_frame`) were fitted on old prints on their mounts; a printed card, a book or a
case is none. Here only geometry and the step of colour at the sides speak, with strict bounds on each: the reduced
picture and shapes in, quads with scores out. Measured on real photographs: `lab.evaluation.real_photos`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.choice_settings import ChoiceSettings, EdgeSettings
from matcher.core.detect.drawn_rectangles import only_drawn
from matcher.core.detect.geometry import Array, area, clockwise_portrait, nearest_shape, true_slant
from matcher.core.detect.proposals import LineQuads, distinct, versions
from matcher.core.detect.reduced_image import ReducedImage
from matcher.core.detect.region_proposals import region_quads
from matcher.core.detect.scoring import Evidence, measure, plain_share, score, side_strength
from matcher.core.detect.settings import DetectSettings
from matcher.core.detect.suppression import suppress_overlaps
from matcher.core.shared_settings import FaceSize

Quads = NDArray[np.float32]
Scores = NDArray[np.float32]


def edge_quads(
    picture: ReducedImage,
    shapes: Array | None,
    lines: LineQuads,
    settings: DetectSettings,
    around: Callable[[Quads], bool] | None = None,
) -> tuple[Quads, Scores]:
    """(n, 4, 2) quads in reduced pixels, portrait order, the best first, that share no card, and their scores.

    shapes: (k,) widths over heights, as portrait; None asks for any shape at all, and more of the sides.
    around: which quads (4, 2) count, where others were found already; all if not given.
    """
    bounds = settings.edges if shapes is not None else settings.odd_edges
    parts = np.ones(1) if shapes is None else shapes
    of_regions = region_quads(picture, parts, settings.proposals.regions)
    quads = np.concatenate([lines.sharp, lines.softened, of_regions])
    if not len(quads):
        return quads, np.empty(0, np.float32)
    scores = _scores(_evidence(picture, quads), shapes)
    quads = quads[distinct(quads, scores, settings.proposals, settings.proposals.looked_at)]
    if not len(quads):
        return quads, np.empty(0, np.float32)
    if shapes is not None:
        quads = versions(picture, quads, shapes, settings.refinement, settings.proposals.lying)
    quads = clockwise_portrait(quads).astype(np.float32)
    evidence = _evidence(picture, quads)
    scores = np.where(_clear(picture, quads, evidence, shapes, bounds), _scores(evidence, shapes), 0).astype(np.float32)
    kept = scores >= settings.found
    quads, scores = quads[kept], scores[kept]
    if around is not None:
        kept = np.array([around(quad) for quad in quads], bool)
        quads, scores = quads[kept], scores[kept]
    capped = np.minimum(scores, bounds.most_sure).astype(np.float32)
    # The larger outline is taken, as long as both are clear: a print has its mount's shape, a panel may have another's.
    best = suppress_overlaps(quads, scores if shapes is None else capped, least=settings.found)
    return quads[best], capped[best]


def _evidence(picture: ReducedImage, quads: Quads) -> Evidence:
    """As it is measured of any quad, but blind to whether the inside has a hue of old paper."""
    evidence = measure(picture, quads, FaceSize().height_mm)
    return replace(evidence, paper=np.ones_like(evidence.paper))


def _scores(evidence: Evidence, shapes: Array | None) -> Scores:
    own = np.clip(evidence.ratio, 0.2, 1.0)
    return score(evidence, own if shapes is None else nearest_shape(evidence.ratio, shapes))


def _clear(
    picture: ReducedImage, quads: Quads, evidence: Evidence, shapes: Array | None, bounds: EdgeSettings
) -> NDArray[np.bool_]:
    """(n,): which quads are whole rectangles of the format's shape."""
    sides = np.sort(side_strength(evidence), axis=1)
    share = np.abs(area(quads)) / (picture.width * picture.height)
    clear = (sides[:, 0] >= bounds.weakest_side) & (sides[:, 1] >= bounds.other_sides)
    clear &= (evidence.contrast.min(axis=1) >= bounds.least_step) & (evidence.beyond <= bounds.beyond)
    clear &= evidence.apart >= bounds.apart
    clear &= (evidence.texture >= bounds.texture) & ~only_drawn(picture, quads, FaceSize().height_mm)
    clear[clear] = plain_share(picture, quads[clear]) < ChoiceSettings.plain
    clear &= (share >= bounds.least_share) & (share <= bounds.most_share)
    clear &= (true_slant(quads, picture.width, picture.height) <= bounds.slant) & (evidence.framed.max(axis=1) < 0.5)
    if shapes is not None:
        nominal = nearest_shape(evidence.ratio, shapes)
        clear &= np.abs(np.log(np.maximum(evidence.ratio, 1e-3) / nominal)) <= bounds.shape
    return np.asarray(clear)
