"""Stage 2: a `Photo` in, the outlines of every card in it out.

Quads are proposed by two independent searches (long straight lines; regions that stand out), all judged by one
score, thinned to one outline a card, and refined on the photo's own pixels. Helpers live in `matcher.outlines`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matcher.outlines.frame import is_print_of_frame, whole_frame
from matcher.outlines.geometry import clockwise_portrait
from matcher.outlines.picture import Picture, reduce
from matcher.outlines.refine import FINE, refine
from matcher.outlines.search import search
from matcher.outlines.select import companions, reading_order
from matcher.photo import Photo
from matcher.settings import FaceSize

FOUND = 0.55
"""Score at which an outline counts as a card; below it the photo is said to hold none."""


SURE = 0.90
"""Score above which an outline is believed without asking whether the whole picture is one card."""


@dataclass(frozen=True)
class Outline:
    """Four corners of one card.

    corners: (4, 2) float32, TL TR BR BL of the card as portrait, in pixels of the upright photo,
             (0, 0) the outer corner of the first pixel.
    score:   0 to 1, how well edges and inside speak for a card.
    """

    corners: NDArray[np.float32]
    score: float

    def __post_init__(self) -> None:
        if self.corners.shape != (4, 2):
            raise ValueError(f"corners must be (4, 2), not {self.corners.shape}")


@dataclass(frozen=True)
class Outlines:
    """All outlines of one photo in reading order; falsy, with a reason, where there are none."""

    found: tuple[Outline, ...]
    reason: str = ""

    def __len__(self) -> int:
        return len(self.found)

    def __iter__(self) -> Iterator[Outline]:
        return iter(self.found)


def locate(photo: Photo, size: FaceSize | None = None) -> Outlines:
    """Find every card in the photo.

    size: the nominal card; its height gives the mm scale, its ratio what is expected (0.45 to 0.75 is accepted).
    Of a card's two upright readings the one nearer to upright in the photo is given; its content decides later.
    Gives a falsy `Outlines` with a reason in words where no card is seen. Raises nothing of its own.
    """
    size = size or FaceSize()
    picture = reduce(photo)
    quads, scores = search(picture, size)
    best = float(scores[0]) if len(scores) else 0.0
    if best < SURE or is_print_of_frame(picture, quads[0], size.aspect):
        whole = whole_frame(picture, size.aspect)
        if whole > FOUND:
            return Outlines((Outline(_frame_corners(photo), round(whole, 3)),))
    if best < FOUND or not len(quads):
        return Outlines((), _reason(best))
    alike = companions(quads, scores, FOUND)
    quads, scores = quads[alike], scores[alike]
    found = [_finish(photo, picture, quad, float(value), size) for quad, value in zip(quads, scores, strict=True)]
    return Outlines(tuple(found[i] for i in reading_order(np.stack([outline.corners for outline in found]))))


def _finish(photo: Photo, picture: Picture, quad: NDArray[np.float32], value: float, size: FaceSize) -> Outline:
    scaled = np.asarray(quad / np.array(picture.scale), dtype=np.float32)
    corners = clockwise_portrait(refine(photo.pixels, scaled, size.height_mm, FINE))
    return Outline(np.asarray(corners, dtype=np.float32), round(value, 3))


def _frame_corners(photo: Photo) -> NDArray[np.float32]:
    w, h = photo.width, photo.height
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32)
    return np.asarray(clockwise_portrait(corners), dtype=np.float32)


def _reason(best: float) -> str:
    if best < 0.01:
        return "no card found: nothing with four straight sides stands out from its surroundings"
    return f"no card found: the likeliest outline looks only {best:.0%} like a card's"
