"""An outline turned so that it begins at its card's upper left: by what is seen on it and by how people hold cards."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.card_quad import CardQuad, Detections
from matcher.core.detect.orientation import orientation
from matcher.core.detect.suppression import reading_order
from matcher.core.photo import Photo
from matcher.core.shared_settings import FaceSize


def in_reading_order(photo: Photo, outlines: list[CardQuad], upright_log_odds: float) -> Detections:
    """All outlines of a photo the right way up, as a page is read."""
    order = reading_order(np.stack([outline.corners for outline in outlines]))
    return Detections(tuple(right_way_up(photo, outlines[i], upright_log_odds) for i in order))


def right_way_up(photo: Photo, outline: CardQuad, upright_log_odds: float) -> CardQuad:
    """Start the corners where the card's upper left is, by its content and by how people hold cards."""
    corners = outline.corners
    seen = orientation(photo, corners)
    prior = upright_log_odds * _up(corners)[1] / -max(float(np.linalg.norm(_up(corners))), 1e-6)
    upright = 1 / (1 + np.exp(-(seen.odds + prior)))
    if upright < 0.5 and not outline.by_hand:
        corners, upright = np.roll(corners, 2, axis=0), 1 - upright
    runner_up = outline.runner_up
    if runner_up is not None and float(_up(runner_up) @ _up(corners)) < 0:
        runner_up = np.roll(runner_up, 2, axis=0)
    outline = replace(outline, corners=corners, runner_up=runner_up, upright=round(float(upright), 3))
    return replace(outline, back=round(seen.back, 3), has_up=round(abs(seen.odds), 2))


def as_held(outline: CardQuad, size: FaceSize) -> CardQuad:
    """The outline as its card stands upright: a landscape card's starts at a corner beside that of the portrait one,
    the one that is nearer to upright in the photo."""
    if not size.landscape:
        return outline
    ways = [np.roll(outline.corners, turn, axis=0) for turn in (-1, 1)]
    turn = -1 if _up(ways[0])[1] <= _up(ways[1])[1] else 1
    corners = np.roll(outline.corners, turn, axis=0)
    runner_up = None if outline.runner_up is None else np.roll(outline.runner_up, turn, axis=0)
    return replace(outline, corners=corners, runner_up=runner_up, upright=0.5)


def _up(corners: NDArray[np.float32]) -> NDArray[np.float32]:
    """From foot to head, (x, y)."""
    return np.asarray(corners[:2].sum(axis=0) - corners[2:].sum(axis=0), np.float32)
