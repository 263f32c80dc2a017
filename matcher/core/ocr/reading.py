"""What do the words on the card say? Evidence for captions beside the comparison of inks.

A `Photo`, one outline and the face's size in, an `OcrReading` out. Foot and head of the card, where captions stand, are
cut from the photo at a finer scale than the face's, and read, the largest lines first, until enough has been read.
Reading is an optional extra; without it an `OcrReading` is false and says so. A reading is compared with catalogue
words in `caption_match.py`; alone it decides nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.card_quad import CardQuad
from matcher.core.detect.warp import warp_quad
from matcher.core.filters import slow
from matcher.core.ladder.caption_strips import caption_strips
from matcher.core.ladder.words_settings import StripSettings
from matcher.core.ocr.reader import Reader, reader
from matcher.core.ocr.settings import OcrSettings, ReadingSettings
from matcher.core.ocr.spelling import Frames
from matcher.core.photo import Photo
from matcher.core.shared_settings import FaceSize

MISSING = "captions were not read: install the extra with pip install 'platekin[reading]'"

NOTHING_READ = "no words could be read"

Place = Literal["foot", "head"]


@dataclass(frozen=True)
class OcrLine:
    """One line as read.

    words:     as printed, as far as the reader could tell.
    certainty: the reader's own, 0.5 to 1; not calibrated.
    place:     the strip it stands in.
    frames:    what the reader saw, of which the words are the likeliest; None where that is not known.
    """

    words: str
    certainty: float
    place: Place
    frames: Frames | None = field(default=None, repr=False, compare=False)


@dataclass(frozen=True)
class OcrReading:
    """The lines of a card, foot first, each strip from top to bottom; false, with a reason, where there are none."""

    lines: tuple[OcrLine, ...] = ()
    reason: str = ""

    def __bool__(self) -> bool:
        return bool(self.lines)

    @property
    def words(self) -> str:
        """For people.

        >>> OcrReading((OcrLine("J. Kelwick", 0.97, "foot"), OcrLine("HARLE WHEELERS", 0.9, "foot"))).words
        "read as 'J. Kelwick', 'HARLE WHEELERS'"
        """
        return read_as([line.words for line in self.lines]) if self.lines else self.reason


def read_as(words: Sequence[str]) -> str:
    """Lines that were read, for people."""
    return f"read as {', '.join(map(repr, words))}" if words else NOTHING_READ


def can_read(settings: OcrSettings | None = None) -> bool:
    """Whether the extra `reading` is installed and works; loads it."""
    return reader((settings or OcrSettings()).reader) is not None


Enough = Callable[[Sequence[OcrLine]], bool]
"""Says of the lines read so far whether the others need not be read."""


def read_caption(
    photo: Photo,
    outline: CardQuad,
    size: FaceSize | None = None,
    turned: int = 0,
    enough: Enough | None = None,
    head_worded: bool = False,
    settings: OcrSettings | None = None,
) -> OcrReading:
    """Read foot and head of one card.

    outline.corners: (4, 2) TL TR BR BL in photo pixels.
    turned:          degrees (0, 90, 180, 270) clockwise that stand the outline's reading upright, as in `Face.turned`.
    enough:          when to stop; if not given, all lines are read.
    head_worded:     whether a caption seems to stand at the head: what is read at the foot may then be on a jersey.
    """
    settings, size = settings or OcrSettings(), size or FaceSize()
    rules, library = settings.reading, reader(settings.reader)
    if library is None:
        return OcrReading(reason=MISSING)
    enough = enough or _never

    def lines_at(place: Place) -> list[OcrLine]:
        return _lines(library, reading_strip(photo, outline, size, place, turned, rules), place, enough, rules)

    lines = lines_at("foot")
    settled = sum(line.certainty >= rules.firm for line in lines) >= rules.enough_lines and not head_worded
    if not settled and not enough(lines):
        lines += lines_at("head")
    return OcrReading(tuple(lines), "" if lines else NOTHING_READ)


def _never(lines: Sequence[OcrLine]) -> bool:
    return False


def _lines(
    library: Reader, strip: NDArray[np.uint8], place: Place, enough: Enough, settings: ReadingSettings
) -> list[OcrLine]:
    """The strip's lines from top to bottom, read from the largest type to the smallest: names are largest."""
    read: dict[int, OcrLine] = {}
    boxes = library.find(strip)
    for number in sorted(range(len(boxes)), key=lambda number: -_height(boxes[number])):
        words, certainty, frames = library.read(strip, boxes[number])
        letters = sum(character.isalnum() for character in words)
        if certainty >= settings.least_certainty and letters >= settings.least_letters:
            read[number] = OcrLine(words, certainty, place, frames)
        if enough(list(read.values())):
            break
    return [read[number] for number in sorted(read)]


def _height(box: NDArray[np.float32]) -> float:
    return float(np.linalg.norm(box[3] - box[0]))


def reading_strip(
    photo: Photo,
    outline: CardQuad,
    size: FaceSize,
    place: Place,
    turned: int = 0,
    settings: ReadingSettings | None = None,
) -> NDArray[np.uint8]:
    """(rows, columns) uint8 grey of foot or head, upright, at `px_per_mm`, its contrast stretched."""
    settings = settings or ReadingSettings()
    foot, head = caption_strips(size, StripSettings(rim_mm=settings.rim_mm))
    rows, columns = foot if place == "foot" else head
    across, down = (columns.start, columns.stop), (rows.start, rows.stop)
    strip = np.array([[across[0], down[0]], [across[1], down[0]], [across[1], down[1]], [across[0], down[1]]])
    face = np.array([[0, 0], [size.width, 0], [size.width, size.height], [0, size.height]], np.float32)
    corners = np.roll(outline.corners, turned // 90, axis=0).astype(np.float32)
    placed = cv2.perspectiveTransform(strip[None].astype(np.float64), cv2.getPerspectiveTransform(face, corners))[0]
    scale = settings.px_per_mm / size.px_per_mm
    canvas = (round((across[1] - across[0]) * scale), round((down[1] - down[0]) * scale))
    return stretched(warp_quad(photo.grey, placed, canvas)[0], settings.tone_mm * settings.px_per_mm)


def stretched(grey: NDArray[np.uint8], tone_px: float) -> NDArray[np.uint8]:
    """Slow tones taken off, and the rest spread over all levels, so that faded ink is black again."""
    values = grey.astype(np.float32)
    flat = values - slow(values, tone_px)
    low, high = np.percentile(flat, [0.5, 99.5])
    return np.asarray(np.clip((flat - low) * (255 / max(float(high - low), 1.0)), 0, 255), np.uint8)
