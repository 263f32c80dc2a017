"""One card that is plain to see: by its region or what the network takes for it, without the search for lines, or none.

Most photos show one card on a table. Where the best of a few outlines is as good as certain by all that the classifier
weighs, has the very shape, and nothing beside it may be another card, a longer search would find the same.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.geometry import Array, clockwise_portrait, inside, nearest_shape, true_ratio, true_slant
from matcher.core.detect.proposals import distinct, edged, first_score, versions
from matcher.core.detect.quad_classifier import HEIGHT_MM, classify_quads
from matcher.core.detect.reduced_image import ReducedImage
from matcher.core.detect.scoring import measure
from matcher.core.detect.settings import DetectSettings

Quads = NDArray[np.float32]


def first_look(
    picture: ReducedImage, shapes: Array, outlines: Quads, settings: DetectSettings
) -> tuple[Quads, NDArray[np.float32]] | None:
    """(1, 4, 2) the card's quad in reduced pixels and (1,) its score; None where a longer search is needed.

    shapes: (k,) widths over heights, as portrait. outlines: (n, 4, 2) quads that may be cards.
    """
    looking = settings.first_look
    quads = edged(picture, outlines, settings.proposals, looking.measured)
    scores = first_score(picture, quads, shapes)
    chosen = distinct(quads, scores, settings.proposals, looking.looked_at)
    if not chosen:
        return None
    pool = versions(picture, quads[chosen], shapes, settings.refinement, settings.proposals.lying)
    pool = clockwise_portrait(pool).astype(np.float32)
    sure = classify_quads(picture, pool, shapes)
    best = int(sure.argmax())
    card = pool[best : best + 1]
    if sure[best] < looking.sure or not _has_shape(picture, card, shapes, settings):
        return None
    if measure(picture, card, HEIGHT_MM).texture[0] < settings.choice.plain_label:
        return None  # it may be a label upon a card
    if any(_beside(card[0], one) for one in quads[scores > looking.another]):
        return None
    return card, sure[best : best + 1]


def _has_shape(picture: ReducedImage, card: Quads, shapes: Array, settings: DetectSettings) -> bool:
    """Whether it is a rectangle of a nominal shape, the tilt taken out."""
    ratio = true_ratio(card, picture.width, picture.height)
    off = abs(float(np.log(ratio / nearest_shape(ratio, shapes))[0]))
    slant = float(true_slant(card, picture.width, picture.height)[0])
    return off < settings.choice.shape_tolerance and slant < settings.choice.rectangle


def _beside(card: Quads, other: Quads) -> bool:
    return not (inside(other.mean(axis=0), card) or inside(card.mean(axis=0), other))
