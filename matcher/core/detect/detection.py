"""Stage 2: a `Photo` in, the outlines of every card in it out.

A page of many cards on one even ground is cut by the cards' common size. Otherwise quads are proposed by independent
searches (long straight lines; regions that stand out; the whole picture), judged alike, thinned to one outline a card,
and refined on the photo's own pixels. Helpers live in `matcher.core.detect`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.flatbed_layout import flatbed_quads
from matcher.core.detect.full_frame import fills_frame
from matcher.core.detect.geometry import clockwise_portrait, is_convex, sides
from matcher.core.detect.orientation import orientation
from matcher.core.detect.quad_search import Found, search_quads
from matcher.core.detect.reduced_image import ReducedImage, reduce
from matcher.core.detect.refinement import FINE, TOUCHING, Reach, refine
from matcher.core.detect.suppression import companions, reading_order
from matcher.core.errors import UnreadablePhoto
from matcher.core.photo import Photo
from matcher.core.settings import FaceSize

FOUND = 0.5
"""Score at which an outline counts as a card; below it the photo is said to hold none."""

ON_PAGE = 0.95
"""Score of a card found by the common size of all on its page."""

UPRIGHT_HELD = 1.5
"""Log odds that a card is shown upright rather than upside down, before it is looked at; an estimate, no source."""

CAMERA, FILLED = 0.0015, 0.9
"""How exactly a picture has a telephone's 9 to 16, and how likely it must then be a card that fills it: nobody cuts a
card to 9 to 16 exactly, so it is most often a camera's picture of something else."""

MOST_BEYOND = 0.5
"""A corner that a person has drawn may lie this far outside the photo, in long sides: a card may be cut off."""

LEAST_SIDE = 24.0
"""Shortest side of a drawn outline, pixels: below it, no picture can be compared."""


@dataclass(frozen=True)
class CardQuad:
    """Four corners of one card.

    corners: (4, 2) float32, TL TR BR BL of the card as portrait, in pixels of the upright photo,
             (0, 0) the outer corner of the first pixel.
    score:   0 to 1, how well edges and inside speak for a card.
    alternative: another outline of the same card where two remain nearly as likely, of the same form; None where one
             stands out. A match may decide between them.
    upright: 0 to 1, how likely the corners start at the card's upper left, by what is seen on it; 0.5 where not asked.
    back:    0 to 1, how likely this side is the card's back; None where not asked.
    """

    corners: NDArray[np.float32]
    score: float
    alternative: NDArray[np.float32] | None = None
    upright: float = 0.5
    back: float | None = None

    def __post_init__(self) -> None:
        if self.corners.shape != (4, 2):
            raise ValueError(f"corners must be (4, 2), not {self.corners.shape}")

    @property
    def turned(self) -> int:
        """Degrees (0, 90, 180, 270) clockwise by which the photo shows the card turned, to the nearest right angle."""
        across, down = self.corners[1] + self.corners[2] - self.corners[0] - self.corners[3]
        return round(float(np.degrees(np.arctan2(down, across))) / 90) % 4 * 90


@dataclass(frozen=True)
class Detections:
    """All outlines of one photo in reading order; falsy, with a reason, where there are none."""

    found: tuple[CardQuad, ...]
    reason: str = ""

    def __len__(self) -> int:
        return len(self.found)

    def __iter__(self) -> Iterator[CardQuad]:
        return iter(self.found)


def detect(photo: Photo, size: FaceSize | None = None, held: float = UPRIGHT_HELD) -> Detections:
    """Find every card in the photo.

    size: the nominal card; its height gives the mm scale, its ratio what is expected (0.45 to 0.75 is accepted).
    held: log odds that a card stands upright in this photo, before it is looked at.
    Of a card's two portrait readings the one is given that stands upright by what is seen on the card, or, where that
    tells little, the one nearer to upright in the photo.
    Gives a falsy `Detections` with a reason in words where no card is seen. Raises nothing of its own.
    """
    size = size or FaceSize()
    picture = reduce(photo)
    px_per_mm = photo.dpi / 25.4 * picture.scale[1] if photo.dpi else None
    page = flatbed_quads(picture, size, px_per_mm)
    if len(page.quads):
        reaches = [FINE if alone else TOUCHING for alone in page.alone]
        pairs = zip(page.quads, reaches, strict=True)
        cards = [CardQuad(_refined(photo, picture, quad, size, reach), ON_PAGE) for quad, reach in pairs]
        return _in_order(photo, cards, held)
    found = search_quads(picture, size, px_per_mm)
    if found.best < FOUND or _is_frame(picture, found.quads[0]):
        return _whole(photo, picture, size, found, held)
    alike = companions(found.quads, found.scores, FOUND)
    outlines = []
    for i in alike:
        second = found.second[i]
        other = None if second is None else _refined(photo, picture, second, size)
        corners = _refined(photo, picture, found.quads[i], size)
        outlines.append(CardQuad(corners, round(float(found.scores[i]), 3), other))
    return _in_order(photo, outlines, held)


def _whole(photo: Photo, picture: ReducedImage, size: FaceSize, found: Found, held: float) -> Detections:
    """Where no edge of a card is seen, the whole picture may still be one, cut to its edges."""
    chance = fills_frame(photo, picture, size)
    if chance < (FILLED if _is_view(photo) else FOUND):
        return Detections((), _reason(min(max(found.best, chance), FOUND - 0.01)))
    second = found.second[0] if len(found.quads) and _is_frame(picture, found.quads[0]) else None
    other = None if second is None else _refined(photo, picture, second, size)
    whole = np.array([[0, 0], [photo.width, 0], [photo.width, photo.height], [0, photo.height]], np.float32)
    outline = CardQuad(np.asarray(clockwise_portrait(whole), np.float32), round(chance, 3), other)
    return _in_order(photo, [outline], held)


def given_quads(photo: Photo, corners: NDArray[np.float64]) -> Detections:
    """One outline as a person has drawn it: (4, 2) corners in any order round the card, pixels of the upright photo.

    Raises UnreadablePhoto bad_outline where that cannot be a card in this photo.
    """
    beyond = MOST_BEYOND * max(photo.width, photo.height)
    far = np.array([photo.width, photo.height]) + beyond
    if not (np.isfinite(corners).all() and (corners >= -beyond).all() and (corners <= far).all()):
        raise _bad_outline(photo, "its corners lie outside the photo")
    if not is_convex(corners) or sides(corners).min() < LEAST_SIDE:
        raise _bad_outline(photo, f"no four-sided outline with sides of {LEAST_SIDE:.0f} pixels or more")
    return _in_order(photo, [CardQuad(np.asarray(clockwise_portrait(corners), np.float32), 1.0)])


def _bad_outline(photo: Photo, why: str) -> UnreadablePhoto:
    what = f"the outline given for this photo of {photo.width} x {photo.height} pixels is no card's: {why}"
    return UnreadablePhoto("bad_outline", what, "give the card's four corners, one after the other round it")


def _in_order(photo: Photo, outlines: list[CardQuad], held: float = UPRIGHT_HELD) -> Detections:
    order = reading_order(np.stack([outline.corners for outline in outlines]))
    return Detections(tuple(_right_way_up(photo, outlines[i], held) for i in order))


def _right_way_up(photo: Photo, outline: CardQuad, held: float) -> CardQuad:
    """Start the corners where the card's upper left is, by its content and by how people hold cards."""
    corners = outline.corners
    seen = orientation(photo.pixels, corners)
    given = held * _up(corners)[1] / -max(float(np.linalg.norm(_up(corners))), 1e-6)
    chance = 1 / (1 + np.exp(-(seen.odds + given)))
    if chance < 0.5:
        corners, chance = np.roll(corners, 2, axis=0), 1 - chance
    other = outline.alternative
    if other is not None and float(_up(other) @ _up(corners)) < 0:
        other = np.roll(other, 2, axis=0)
    return CardQuad(corners, outline.score, other, round(float(chance), 3), round(seen.back, 3))


def _up(corners: NDArray[np.float32]) -> NDArray[np.float32]:
    """From foot to head, (x, y)."""
    return np.asarray(corners[:2].sum(axis=0) - corners[2:].sum(axis=0), np.float32)


def _refined(
    photo: Photo, picture: ReducedImage, quad: NDArray[np.float32], size: FaceSize, reach: Reach = FINE
) -> NDArray[np.float32]:
    """The quad on the photo's own pixels; where it is the whole picture, there is no edge to look for."""
    scaled = np.asarray(quad / np.array(picture.scale), dtype=np.float32)
    if not _is_frame(picture, quad):
        scaled = refine(photo.pixels, scaled[None], size.height_mm, reach)[0]
    return np.asarray(clockwise_portrait(scaled), dtype=np.float32)


def _is_frame(picture: ReducedImage, quad: NDArray[np.float32]) -> bool:
    far = np.array([picture.width, picture.height], np.float32)
    return bool((np.minimum(np.abs(quad), np.abs(quad - far)) < 0.01).all())


def _is_view(photo: Photo) -> bool:
    """Whether the picture has a camera's proportions exactly."""
    short, long = sorted((photo.width, photo.height))
    return abs(16 * short / (9 * long) - 1) < CAMERA


def _reason(best: float) -> str:
    if best < 0.01:
        return "no card found: nothing with four straight sides stands out from its surroundings"
    return f"no card found: the likeliest outline looks only {best:.0%} like a card's"
