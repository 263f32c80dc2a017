"""Stage 2: a `Photo` in, the outlines of every card in it out.

A page of many cards on one even ground is cut by the cards' common size. Otherwise quads are proposed by independent
searches (long straight lines; regions that stand out; the full picture), scored alike, thinned to one outline a card,
and refined on the photo's own pixels. Helpers live in `matcher.core.detect`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.flatbed_layout import FlatbedPage, flatbed_quads
from matcher.core.detect.full_frame import fills_frame
from matcher.core.detect.geometry import area, clockwise_portrait, is_convex, sides
from matcher.core.detect.orientation import orientation
from matcher.core.detect.quad_search import RankedQuads, search_quads
from matcher.core.detect.reduced_image import ReducedImage, reduce
from matcher.core.detect.refinement import refine
from matcher.core.detect.settings import DetectSettings, Reach
from matcher.core.detect.suppression import companions, reading_order
from matcher.core.errors import UnreadablePhoto
from matcher.core.photo import Photo
from matcher.core.shared_settings import FaceSize


@dataclass(frozen=True)
class CardQuad:
    """Four corners of one card.

    corners: (4, 2) float32, TL TR BR BL of the card as portrait, in pixels of the upright photo,
             (0, 0) the outer corner of the first pixel.
    score:   0 to 1, how well edges and inside speak for a card.
    runner_up: another outline of the same card where two remain nearly as likely, of the same form; None where one
             stands out. A match may decide between them.
    upright: 0 to 1, how likely the corners start at the card's upper left, by what is seen on it; 0.5 where not asked.
    back:    0 to 1, how likely this side is the card's back; None where not asked.
    by_hand: the way up is a person's word; nothing turns the card.
    """

    corners: NDArray[np.float32]
    score: float
    runner_up: NDArray[np.float32] | None = None
    upright: float = 0.5
    back: float | None = None
    by_hand: bool = False

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
    """All outlines of one photo in reading order; falsy, with a reason, where there are none.

    unsure: where none was found, outlines that are more likely no card's, the likeliest first. A card on a patterned
            cloth may be among them: what lies inside can be matched, and so tell.
    """

    found: tuple[CardQuad, ...]
    reason: str = ""
    unsure: tuple[CardQuad, ...] = ()

    def __len__(self) -> int:
        return len(self.found)

    def __iter__(self) -> Iterator[CardQuad]:
        return iter(self.found)


def detect(photo: Photo, size: FaceSize | None = None, settings: DetectSettings = DetectSettings()) -> Detections:
    """Find every card in the photo.

    size: the nominal card; its height gives the mm scale, its ratio what is expected (0.45 to 0.75 is accepted).
    Of a card's two portrait readings the one is given that stands upright by what is seen on the card, or, where that
    tells little, the one nearer to upright in the photo.
    Gives a falsy `Detections` with a reason in words where no card is seen. Raises nothing of its own.
    """
    size = size or FaceSize()
    picture = reduce(photo, settings.reduction)
    return _Detector(photo, size, settings, picture).cards()


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
    return _in_order(photo, [card], settings.upright_log_odds)


@dataclass(frozen=True)
class _Detector:
    """One photo with what it is looked at by."""

    photo: Photo
    size: FaceSize
    settings: DetectSettings
    picture: ReducedImage

    def cards(self) -> Detections:
        """A page of cards; else cards whose edges are seen; else the full picture, if it may be one."""
        px_per_mm = self.photo.dpi / 25.4 * self.picture.scale[1] if self.photo.dpi else None
        page = flatbed_quads(self.picture, self.size, px_per_mm, self.settings.flatbed)
        if len(page.quads):
            return self._of_page(page)
        ranked = search_quads(self.picture, self.size, px_per_mm, self.settings)
        if ranked.best < self.settings.found or self._is_frame(ranked.quads[0]):
            return self._full_frame(ranked)
        outlines = []
        for i in companions(ranked.quads, ranked.scores, self.settings.found):
            runner_up = self._refined_or_none(ranked.runner_up[i])
            score = round(float(ranked.scores[i]), 3)
            outlines.append(CardQuad(self._refined(ranked.quads[i]), score, runner_up))
        return self._in_order(outlines)

    def _of_page(self, page: FlatbedPage) -> Detections:
        fine, touching = self.settings.refinement.fine, self.settings.refinement.touching
        pairs = zip(page.quads, page.alone, strict=True)
        refined = [self._refined(quad, fine if alone else touching) for quad, alone in pairs]
        return self._in_order([CardQuad(corners, self.settings.on_page) for corners in refined])

    def _full_frame(self, ranked: RankedQuads) -> Detections:
        """Where no edge of a card is seen, the full picture may still be one, cut to its edges."""
        photo, settings = self.photo, self.settings
        probability = fills_frame(photo, self.picture, self.size, settings.proposals)
        if probability < (settings.camera_filled if self._is_camera_frame() else settings.found):
            reason = _reason(min(max(ranked.best, probability), settings.found - 0.01))
            return Detections((), reason, self._unsure(ranked))
        first_is_frame = len(ranked.quads) and self._is_frame(ranked.quads[0])
        runner_up = self._refined_or_none(ranked.runner_up[0] if first_is_frame else None)
        frame = np.array([[0, 0], [photo.width, 0], [photo.width, photo.height], [0, photo.height]], np.float32)
        corners = np.asarray(clockwise_portrait(frame), np.float32)
        return self._in_order([CardQuad(corners, round(probability, 3), runner_up)])

    def _unsure(self, ranked: RankedQuads) -> tuple[CardQuad, ...]:
        """What a match may still show to be a card's outline."""
        settings = self.settings
        likely = [i for i, score in enumerate(ranked.scores) if score >= settings.unsure][: settings.most_unsure]
        quads = [CardQuad(self._refined(ranked.quads[i]), round(float(ranked.scores[i]), 3)) for i in likely]
        return tuple(_right_way_up(self.photo, one, settings.upright_log_odds) for one in quads)

    def _in_order(self, outlines: list[CardQuad]) -> Detections:
        return _in_order(self.photo, outlines, self.settings.upright_log_odds)

    def _refined(self, quad: NDArray[np.float32], reach: Reach | None = None) -> NDArray[np.float32]:
        """The quad on the photo's own pixels; where it is the full picture, there is no edge to look for."""
        refinement = self.settings.refinement
        scaled = np.asarray(quad / np.array(self.picture.scale), dtype=np.float32)
        if not self._is_frame(quad):
            reach = reach or refinement.fine
            scaled = refine(self.photo.pixels, scaled[None], self.size.height_mm, reach, refinement)[0]
        return np.asarray(clockwise_portrait(scaled), dtype=np.float32)

    def _refined_or_none(self, quad: NDArray[np.float32] | None) -> NDArray[np.float32] | None:
        return None if quad is None else self._refined(quad)

    def _is_frame(self, quad: NDArray[np.float32]) -> bool:
        far = np.array([self.picture.width, self.picture.height], np.float32)
        return bool((np.minimum(np.abs(quad), np.abs(quad - far)) < 0.01).all())

    def _is_camera_frame(self) -> bool:
        """Whether the picture has a camera's proportions exactly."""
        short, long = sorted((self.photo.width, self.photo.height))
        return abs(16 * short / (9 * long) - 1) < self.settings.camera_tolerance


def _bad_outline(photo: Photo, why: str) -> UnreadablePhoto:
    what = f"the outline given for this photo of {photo.width} x {photo.height} pixels is no card's: {why}"
    return UnreadablePhoto("bad_outline", what, "give the card's four corners, one after the other round it")


def _in_order(photo: Photo, outlines: list[CardQuad], upright_log_odds: float) -> Detections:
    order = reading_order(np.stack([outline.corners for outline in outlines]))
    return Detections(tuple(_right_way_up(photo, outlines[i], upright_log_odds) for i in order))


def _right_way_up(photo: Photo, outline: CardQuad, upright_log_odds: float) -> CardQuad:
    """Start the corners where the card's upper left is, by its content and by how people hold cards."""
    corners = outline.corners
    seen = orientation(photo.pixels, corners)
    prior = upright_log_odds * _up(corners)[1] / -max(float(np.linalg.norm(_up(corners))), 1e-6)
    upright = 1 / (1 + np.exp(-(seen.odds + prior)))
    if upright < 0.5 and not outline.by_hand:
        corners, upright = np.roll(corners, 2, axis=0), 1 - upright
    runner_up = outline.runner_up
    if runner_up is not None and float(_up(runner_up) @ _up(corners)) < 0:
        runner_up = np.roll(runner_up, 2, axis=0)
    return CardQuad(corners, outline.score, runner_up, round(float(upright), 3), round(seen.back, 3), outline.by_hand)


def _up(corners: NDArray[np.float32]) -> NDArray[np.float32]:
    """From foot to head, (x, y)."""
    return np.asarray(corners[:2].sum(axis=0) - corners[2:].sum(axis=0), np.float32)


def _reason(best: float) -> str:
    if best < 0.01:
        return "no card found: nothing with four straight sides stands out from its surroundings"
    return f"no card found: the best outline is only {best:.0%} likely to be a card's"
