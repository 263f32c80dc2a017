"""What do the words on the card say? A second witness for captions, beside the comparison of inks.

A `Photo`, one outline and the face's size in, a `Reading` out. Foot and head of the card, where captions stand, are
cut from the photo at its own resolution, which is finer than the face's, and read by a library whose models lie in its
package: nothing is fetched. Reading is an optional extra; without it a `Reading` is false and says so. A reading
compares with catalogue words in `witness.py`; alone it decides nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.contrast import slow
from matcher.ladder.strips import caption_strips
from matcher.locate import Outline
from matcher.photo import Photo
from matcher.settings import FaceSize

READ_PX_PER_MM = 24.0
"""Scale at which strips are read: small type of 1 mm is then 24 px high, enough for the reader's 48 px lines."""

TONE_MM = 3.0
"""Stains and lighting are wider than this (Gaussian sigma), letters are narrower."""

SEARCH_SIDE = 640
"""Longer side, in pixels, of the picture in which lines are searched; they are read at the full scale."""

ENOUGH_LINES, FIRM = 2, 0.8
"""With so many lines read so surely at the foot, the words do not stand at the head: it need not be searched."""

LEAST_LETTERS = 3
"""A line of fewer letters and digits is a stain or a bit of backdrop more often than a word."""

MISSING = "captions were not read: install the extra with pip install 'platekin[reading]'"

Place = Literal["foot", "head"]


@dataclass(frozen=True)
class Line:
    """One line as read.

    words:     as printed, as far as the reader could tell.
    certainty: the reader's own, 0.5 to 1; not calibrated.
    place:     the strip it stands in.
    """

    words: str
    certainty: float
    place: Place


@dataclass(frozen=True)
class Reading:
    """The lines of a card, foot first, each strip from top to bottom; false, with a reason, where there are none."""

    lines: tuple[Line, ...] = ()
    reason: str = ""

    def __bool__(self) -> bool:
        return bool(self.lines)

    @property
    def words(self) -> str:
        """For people.

        >>> Reading((Line("J. Kelwick", 0.97, "foot"), Line("HARLE WHEELERS", 0.9, "foot"))).words
        "read as 'J. Kelwick', 'HARLE WHEELERS'"
        """
        if not self.lines:
            return self.reason
        return f"read as {', '.join(repr(line.words) for line in self.lines)}"


def can_read() -> bool:
    """Whether the extra `reading` is installed and works."""
    return _reader() is not None


def read_caption(photo: Photo, outline: Outline, size: FaceSize | None = None, turned: int = 0) -> Reading:
    """Read foot and head of one card.

    outline.corners: (4, 2) TL TR BR BL in photo pixels.
    turned:          degrees (0, 90, 180, 270) clockwise that stand the outline's reading upright, as in `Face.turned`.
    """
    reader = _reader()
    if reader is None:
        return Reading(reason=MISSING)
    foot, head = reading_strips(photo, outline, size or FaceSize(), turned)
    lines = _lines(reader, foot, "foot")
    if sum(line.certainty >= FIRM for line in lines) < ENOUGH_LINES:
        lines += _lines(reader, head, "head")
    return Reading(tuple(lines), "" if lines else "no words could be read")


def reading_strips(
    photo: Photo, outline: Outline, size: FaceSize, turned: int = 0
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """(rows, columns) uint8 greys of foot and head, upright, at READ_PX_PER_MM, their contrast stretched."""
    corners = np.roll(outline.corners, turned // 90, axis=0)
    scale = READ_PX_PER_MM / size.px_per_mm
    foot, head = (
        _stretched(_rectified(photo.grey, corners, size, rows, columns, scale))
        for rows, columns in caption_strips(size)
    )
    return foot, head


def _rectified(
    grey: NDArray[np.uint8], corners: NDArray[np.float32], size: FaceSize, rows: slice, columns: slice, scale: float
) -> NDArray[np.uint8]:
    """One strip of the card cut out of the photo, `scale` times as large as on the face."""
    window, placed = _window(grey, corners, scale * size.height)
    edges = np.array([[0, 0], [size.width, 0], [size.width, size.height], [0, size.height]], np.float64)
    target = (edges - (columns.start, rows.start)) * scale
    # Corners are on pixel edges; the warp counts pixel centres from zero: hence the halves.
    transform = cv2.getPerspectiveTransform((placed - 0.5).astype(np.float32), (target - 0.5).astype(np.float32))
    canvas = (round((columns.stop - columns.start) * scale), round((rows.stop - rows.start) * scale))
    cut = cv2.warpPerspective(window, transform, canvas, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(cut, np.uint8)


def _window(
    grey: NDArray[np.uint8], corners: NDArray[np.float32], height: float
) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """The photo's part round the card, reduced by area where it is much finer than asked; the corners in it."""
    low = np.clip(np.floor(corners.min(axis=0)) - 4, 0, np.array(grey.shape[::-1]) - 1).astype(int)
    high = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 4, grey.shape[::-1])
    high = np.maximum(high, low + 1)
    window = grey[low[1] : high[1], low[0] : high[0]]
    longest = float(np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1).max())
    factor = min(1.0, 1.25 * height / max(longest, 1.0))
    if factor < 0.8:
        reduced = (max(1, round(window.shape[1] * factor)), max(1, round(window.shape[0] * factor)))
        window = np.asarray(cv2.resize(window, reduced, interpolation=cv2.INTER_AREA), np.uint8)
    return window, (corners - low) * (np.array(window.shape[::-1]) / (high - low))


def _stretched(grey: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Slow tones taken off, and the rest spread over all levels, so that faded ink is black again."""
    values = grey.astype(np.float32)
    flat = values - slow(values, TONE_MM * READ_PX_PER_MM)
    low, high = np.percentile(flat, [0.5, 99.5])
    return np.asarray(np.clip((flat - low) * (255 / max(float(high - low), 1.0)), 0, 255), np.uint8)


@lru_cache(maxsize=1)
def _reader() -> Any:
    """The library's reader, loaded once a process; None where the extra is missing."""
    try:
        from rapidocr import RapidOCR

        return RapidOCR(
            params={
                "Global.log_level": "error",
                "Global.use_cls": False,  # which way up the card stands is known
                "Global.use_vertical_padding": False,
                "Rec.rec_batch_num": 1,  # a batch pads every line to the longest: half as slow again
                "Det.limit_type": "max",
                "Det.limit_side_len": SEARCH_SIDE,
                "EngineConfig.onnxruntime.intra_op_num_threads": 1,
                "EngineConfig.onnxruntime.inter_op_num_threads": 1,
            }
        )
    except ImportError:
        return None


def _lines(reader: Any, strip: NDArray[np.uint8], place: Place) -> list[Line]:
    found = reader(np.ascontiguousarray(np.repeat(strip[..., None], 3, axis=2)))
    if found.txts is None:
        return []
    # The library sorts boxes from top to bottom, then from left to right.
    return [
        Line(" ".join(words.split()), float(certainty), place)
        for words, certainty in zip(found.txts, found.scores, strict=True)
        if sum(character.isalnum() for character in words) >= LEAST_LETTERS
    ]
