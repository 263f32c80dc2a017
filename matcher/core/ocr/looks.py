"""One place on a card, cut out of a picture, level, and read: a `Card` and a box in, a `Look` out.

Places are in mm on a reference, so that a line is looked at alike on the reference and on any card laid over it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.card_lines import BoxMm
from matcher.core.detect.warp import warp_quad
from matcher.core.ocr.every_line import Searched
from matcher.core.ocr.reader import Reader
from matcher.core.ocr.reading import stretched
from matcher.core.ocr.settings import LinePairSettings
from matcher.core.ocr.spelling import Frames
from matcher.core.shared_settings import FaceSize

Grey = NDArray[np.uint8]
Transform = NDArray[np.float64]
Corners = NDArray[np.float64]


@dataclass(frozen=True)
class Look:
    """One line in its place on one card: its words, the reader's own certainty of them, what was seen frame by
    frame."""

    words: str
    certainty: float
    frames: Frames


@dataclass(frozen=True)
class Card:
    """A card in a picture: the picture's grey, and the (3, 3) transform from mm on the reference to its pixels."""

    grey: Grey
    to_pixels: Transform
    size: FaceSize


@dataclass(frozen=True)
class Looks:
    """What was seen of one card so far. References of one printing have their lines in the same places of it: each
    place is read once, and each zone searched once."""

    seen: list[tuple[Corners, int, Look]] = field(default_factory=list)
    searched: Searched = field(default_factory=dict)

    def at(self, library: Reader, card: Card, box: BoxMm, quarters: int, settings: LinePairSettings) -> Look:
        """As `look_at`, or what was seen where its box lay nearly the same."""
        placed = _placed(card, box)
        near_px = settings.same_place_mm * _px_per_mm(placed, box)
        for corners, turned, look in self.seen:
            if turned == quarters and np.linalg.norm(corners - placed, axis=1).max() <= near_px:
                return look
        look = look_at(library, card, box, quarters, settings)
        self.seen.append((placed, quarters, look))
        return look


def look_at(library: Reader, card: Card, box: BoxMm, quarters: int, settings: LinePairSettings) -> Look:
    """What is read in a box of the card, mm on the reference, a little wider than the line that was found there."""
    strip, corners = _cut_out(card, box, quarters, settings)
    return Look(*library.read(strip, corners, settings.squeezed))


def within_look(look: Look, box: BoxMm, settings: LinePairSettings, span: tuple[int, int] | None = None) -> BoxMm:
    """The part of a level box, mm, in which letters were read. span: of the first and behind the last of them, counted
    as in `Frames.named`; all of them if none is given."""
    begins, count = look.frames.begins, len(look.frames.probabilities)
    if not begins:
        return box
    start, end = span or (0, len(begins))
    letter = (begins[-1] - begins[0]) / max(len(begins) - 1, 1)
    ends = begins[start] / count, min(1.0, (begins[end - 1] + letter) / count)
    first, last = share_of_box(ends, box, 0, settings)
    wide = box[2] - box[0]
    return box[0] + max(0.0, first) * wide, box[1], box[0] + min(1.0, last) * wide, box[3]


def share_of_box(
    span: tuple[float, float], box: BoxMm, quarters: int, settings: LinePairSettings
) -> tuple[float, float]:
    """Shares of a look's frames as shares of the line's box, which was looked at a little wider, and read with blank
    beside it."""
    long = box[3] - box[1] if quarters else box[2] - box[0]
    wide, room = max(1.0, settings.squeezed), settings.wider_mm[0] / max(long, 1e-6)
    first, last = (min(share * wide, 1.0) * (1 + 2 * room) - room for share in span)
    return first, last


def mm_to_face(size: FaceSize) -> Transform:
    """(3, 3), mm on a card to pixels of its face."""
    return np.diag([size.width / size.width_mm, size.height / size.height_mm, 1.0])


def _placed(card: Card, box: BoxMm) -> Corners:
    """(4, 2): where a box's corners lie in the picture, TL TR BR BL."""
    left, top, right, bottom = box
    corners = np.array([[[left, top], [right, top], [right, bottom], [left, bottom]]], np.float64)
    return np.asarray(cv2.perspectiveTransform(corners, card.to_pixels)[0])


def _px_per_mm(placed: Corners, box: BoxMm) -> float:
    return float(np.linalg.norm(placed[1] - placed[0])) / max(box[2] - box[0], 1e-6)


def _cut_out(card: Card, box: BoxMm, quarters: int, settings: LinePairSettings) -> tuple[Grey, NDArray[np.float32]]:
    """(rows, columns) uint8: a box of the card with some room, level, its contrast stretched; and the box's corners.

    Beyond the card its edge is carried on, so that what it lies on changes nothing.
    """
    along, across = settings.wider_mm
    wide, high = (across, along) if quarters else (along, across)
    room = settings.room_mm
    whole = (box[0] - wide - room, box[1] - high - room, box[2] + wide + room, box[3] + high + room)
    edge = (0.0, 0.0, card.size.width_mm, card.size.height_mm)
    left, top = max(whole[0], edge[0]), max(whole[1], edge[1])
    right, bottom = min(whole[2], edge[2]), min(whole[3], edge[3])
    kept = (left, top, right, bottom)
    placed = _placed(card, kept)
    scale = settings.px_per_mm
    canvas = (max(2, round((right - left) * scale)), max(2, round((bottom - top) * scale)))
    strip = warp_quad(card.grey, placed, canvas)[0]
    beyond = [round(abs(a - b) * scale) for a, b in zip(kept, whole, strict=True)]
    framed = cv2.copyMakeBorder(strip, beyond[1], beyond[3], beyond[0], beyond[2], cv2.BORDER_REPLICATE)
    turned = np.ascontiguousarray(np.rot90(framed, quarters), np.uint8)
    level = stretched(turned, settings.tone_mm * scale)
    inset, (rows, columns) = round(room * scale), level.shape
    near, right_px, below = float(inset), float(columns - inset), float(rows - inset)
    return level, np.array([[near, near], [right_px, near], [right_px, below], [near, below]], np.float32)
