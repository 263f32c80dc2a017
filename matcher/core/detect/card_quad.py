"""The carriers of stage `detect`: the outline of one card, and all outlines of one photo."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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
    has_up:  how surely what is seen on it has a way up, whichever that is: log odds; None where not asked.
    by_hand: the way up is a person's word; nothing turns the card.
    sizes:   of the formats that the card may have, the likeliest first; none where not asked, or where no format that
             was looked for has its shape.
    odd:     it is offered as something of its shape, not called a card: it has the shape of no format that was looked
             for, or is a heap, or is bare and bears no words either (`ocr.way_up`).
    heap:    it is odd since cards seem to lie over each other there.
    bare:    nothing that has a way up is seen on it, nor a card by any other means than its edges and its shape: a
             board, a check of cloth. Words, a match, or a person who draws its corners may still tell that it is one.
    """

    corners: NDArray[np.float32]
    score: float
    runner_up: NDArray[np.float32] | None = None
    upright: float = 0.5
    back: float | None = None
    has_up: float | None = None
    by_hand: bool = False
    sizes: tuple[FaceSize, ...] = ()
    odd: bool = False
    heap: bool = False
    bare: bool = False

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

    unsure: where none was found, or `odd` ones alone, outlines that are more likely no card's, the likeliest first. A
            card on a patterned cloth may be among them: what lies inside can be matched, and so tell.
    """

    found: tuple[CardQuad, ...]
    reason: str = ""
    unsure: tuple[CardQuad, ...] = ()

    def __len__(self) -> int:
        return len(self.found)

    def __iter__(self) -> Iterator[CardQuad]:
        return iter(self.found)
