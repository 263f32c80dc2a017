"""Cards by their edges alone, whatever is printed on them and in whatever colours: straight, whole, square, of a shape.

The classifiers (`quad_classifier`, `full_frame`) were fitted on old prints on their mounts; a printed card, a book or a
case is none. Here only geometry and the step of colour at the sides speak, with strict bounds on each: the reduced
picture and a format in, quads with scores out. Measured on real photographs: `lab.evaluation.real_photos`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.drawn_rectangles import only_drawn
from matcher.core.detect.geometry import area, clockwise_portrait, true_slant
from matcher.core.detect.proposals import LineQuads, distinct, versions
from matcher.core.detect.reduced_image import ReducedImage
from matcher.core.detect.region_proposals import region_quads
from matcher.core.detect.scoring import Evidence, measure, score, side_strength
from matcher.core.detect.settings import DetectSettings, EdgeSettings
from matcher.core.detect.suppression import suppress_overlaps
from matcher.core.shared_settings import FaceSize

Quads = NDArray[np.float32]
Scores = NDArray[np.float32]


def edge_quads(
    picture: ReducedImage, size: FaceSize | None, lines: LineQuads, settings: DetectSettings
) -> tuple[Quads, Scores]:
    """(n, 4, 2) quads in reduced pixels, portrait order, the best first, that share no card, and their scores.

    size: of the format, as portrait; None asks for any shape at all, and more of the sides.
    """
    bounds = settings.edges if size is not None else settings.odd_edges
    quads = np.concatenate(
        [lines.sharp, lines.softened, region_quads(picture, size.aspect if size else 1.0, settings.proposals.regions)]
    )
    if not len(quads):
        return quads, np.empty(0, np.float32)
    scores = _scores(_evidence(picture, quads), size)
    quads = quads[distinct(quads, scores, settings.proposals, settings.proposals.looked_at)]
    if not len(quads):
        return quads, np.empty(0, np.float32)
    if size is not None:
        quads = versions(picture, quads, size, settings.refinement)
    quads = clockwise_portrait(quads).astype(np.float32)
    evidence = _evidence(picture, quads)
    scores = np.where(_clear(picture, quads, evidence, size, bounds), _scores(evidence, size), 0).astype(np.float32)
    kept = suppress_overlaps(quads, scores, least=settings.found)
    return quads[kept], np.minimum(scores[kept], bounds.most_sure).astype(np.float32)


def _evidence(picture: ReducedImage, quads: Quads) -> Evidence:
    """As it is measured of any quad, but blind to whether the inside has a hue of old paper."""
    evidence = measure(picture, quads, FaceSize().height_mm)
    return replace(evidence, paper=np.ones_like(evidence.paper))


def _scores(evidence: Evidence, size: FaceSize | None) -> Scores:
    return score(evidence, size.aspect if size else np.clip(evidence.ratio, 0.2, 1.0))


def _clear(
    picture: ReducedImage, quads: Quads, evidence: Evidence, size: FaceSize | None, bounds: EdgeSettings
) -> NDArray[np.bool_]:
    """(n,): which quads are whole rectangles of the format's shape."""
    sides = np.sort(side_strength(evidence), axis=1)
    share = np.abs(area(quads)) / (picture.width * picture.height)
    clear = (sides[:, 0] >= bounds.weakest_side) & (sides[:, 1] >= bounds.other_sides)
    clear &= (evidence.contrast.min(axis=1) >= bounds.least_step) & (evidence.beyond <= bounds.beyond)
    clear &= (evidence.texture >= bounds.texture) & ~only_drawn(picture, quads, FaceSize().height_mm)
    clear &= (share >= bounds.least_share) & (share <= bounds.most_share)
    clear &= (true_slant(quads, picture.width, picture.height) <= bounds.slant) & (evidence.framed.max(axis=1) < 0.5)
    if size is not None:
        clear &= np.abs(np.log(np.maximum(evidence.ratio, 1e-3) / size.aspect)) <= bounds.shape
    return np.asarray(clear)
