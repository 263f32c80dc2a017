"""One card's outline as a person has drawn it, or a table tells it, checked before it is believed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.card_quad import CardQuad, Detections
from matcher.core.detect.geometry import area, clockwise_portrait, is_convex, sides
from matcher.core.detect.settings import DetectSettings
from matcher.core.detect.turning import in_reading_order
from matcher.core.errors import BadTable, UnreadablePhoto
from matcher.core.photo import Photo

Corners = tuple[tuple[float, float], tuple[float, float], tuple[float, float], tuple[float, float]]


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


def outline_text(corners: Sequence[Sequence[float]]) -> str:
    """Four corners, TL TR BR BL of the upright card, as eight numbers: pixels of the upright photo, and all of them.

    >>> outline_text([(0, 0.5), (10, 0), (10, 20), (-1, 20)])
    '0 0.5 10 0 10 20 -1 20'
    """
    return " ".join(np.format_float_positional(np.float32(v), trim="-") for corner in corners for v in corner)


def corners_of_text(text: str) -> Corners:
    """The four corners that such a text tells. Raises BadTable bad_outline where it tells none.

    >>> corners_of_text("0 0.5 10 0 10 20 -1 20")
    ((0.0, 0.5), (10.0, 0.0), (10.0, 20.0), (-1.0, 20.0))
    """
    try:
        numbers = [float(one) for one in re.split(r"[\s,;]+", text.strip())]
    except ValueError:
        numbers = []
    if len(numbers) != 8 or not all(map(isfinite, numbers)):
        what = f"the outline {text[:60]!r} is not eight numbers"
        todo = "write x and y of the card's corners in pixels, clockwise from its upper left, or leave it blank"
        raise BadTable("bad_outline", what, todo)
    a, b, c, d = zip(numbers[::2], numbers[1::2], strict=True)
    return a, b, c, d
