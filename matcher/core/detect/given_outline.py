"""One card's outline as a person has drawn it, checked before it is believed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.card_quad import CardQuad, Detections
from matcher.core.detect.geometry import area, clockwise_portrait, is_convex, sides
from matcher.core.detect.settings import DetectSettings
from matcher.core.detect.turning import in_reading_order
from matcher.core.errors import UnreadablePhoto
from matcher.core.photo import Photo


def given_quads(
    photo: Photo, corners: NDArray[np.float64], settings: DetectSettings = DetectSettings(), upright: bool = False
) -> Detections:
    """One outline as a person has drawn it: (4, 2) corners in any order round the card, pixels of the upright photo.

    upright: they begin at the card's upper left and go clockwise, and that way up is not to be doubted.
    Raises UnreadablePhoto bad_outline where that cannot be a card in this photo.
    """
    beyond = settings.most_beyond * max(photo.width, photo.height)
    far = np.array([photo.width, photo.height]) + beyond
    if not (np.isfinite(corners).all() and (corners >= -beyond).all() and (corners <= far).all()):
        raise _bad_outline(photo, "its corners lie outside the photo")
    least = settings.least_side_px
    if not is_convex(corners) or sides(corners).min() < least:
        raise _bad_outline(photo, f"no four-sided outline with sides of {least:.0f} pixels or more")
    if upright and area(corners) < 0:
        raise _bad_outline(photo, "its corners go round the card against the clock, as in a mirror")
    taken = corners if upright else clockwise_portrait(corners)
    card = CardQuad(np.asarray(taken, np.float32), 1.0, by_hand=upright)
    return in_reading_order(photo, [card], settings.upright_log_odds)


def _bad_outline(photo: Photo, why: str) -> UnreadablePhoto:
    what = f"the outline given for this photo of {photo.width} x {photo.height} pixels is no card's: {why}"
    return UnreadablePhoto("bad_outline", what, "give the card's four corners, one after the other round it")
