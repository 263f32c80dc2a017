"""Is the full picture one card? A photo in, 0 to 1 out.

Pictures in sales are often cut to the card, or a little inside of it: there is no table, and often no edge, that could
tell. What does: how much its rim looks like a card's (`quad_classifier`), how surely something on it has a right way
up and how little it looks like a bare board (`orientation`), and that detail lies in some places and not in others;
grain, weave and print are everywhere. Weighed by a logistic model fitted on staged pictures (`scripts/fit_detection`).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.geometry import Array, clockwise_portrait, nearest_shape
from matcher.core.detect.orientation import orientation
from matcher.core.detect.proposal_settings import ProposalSettings
from matcher.core.detect.proposals import frame_quad
from matcher.core.detect.quad_classifier import UNEVEN, classify_quads, tones
from matcher.core.detect.reduced_image import ReducedImage
from matcher.core.nets import weight_file
from matcher.core.nets.runtime import infer
from matcher.core.photo import Photo

WEIGHTS = weight_file("full_frame.onnx")

LEAST = 1e-4
"""Scores of the classifier nearer to 0 or 1 than this count as that; part of what the model was fitted to."""


def fills_frame(
    photo: Photo, picture: ReducedImage, shapes: Array, settings: ProposalSettings = ProposalSettings()
) -> float:
    """How likely the full picture is one card, 0 to 1; 0 where it has not a card's proportions, or shows nothing."""
    measured = full_frame_measurements(photo, picture, shapes, settings)
    return float(infer(WEIGHTS, measurements=measured)[0]) if len(measured) else 0.0


def full_frame_measurements(
    photo: Photo, picture: ReducedImage, shapes: Array, settings: ProposalSettings = ProposalSettings()
) -> NDArray[np.float32]:
    """(0 or 1, 4): log odds of the rim, how sure the way up is, how like a back it looks, how uneven its detail is.

    shapes: (k,) widths over heights that cards may have; the nearest counts.
    """
    own = min(picture.width, picture.height) / max(picture.width, picture.height)
    nearest = nearest_shape(np.array([own]), shapes)
    quads = clockwise_portrait(frame_quad(picture, nearest, settings))
    if not len(quads):
        return np.empty((0, 4), np.float32)
    score = float(np.clip(classify_quads(picture, quads, nearest)[0], LEAST, 1 - LEAST))
    seen = orientation(photo, np.asarray(quads[0] / np.array(picture.scale), np.float32))
    uneven = float(tones(picture, quads)[0, UNEVEN])
    return np.array([[np.log(score / (1 - score)), np.log1p(abs(seen.odds)), seen.back, uneven]], np.float32)
