"""A line of letters on a card, as it was read: what it says, and where it stands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matcher.core.shared_settings import FaceSize

BoxMm = tuple[float, float, float, float]
"""Left, top, right, bottom on the upright card, mm of its face."""

MIDDLE = 0.2
"""Share of the width by which a line's middle may lie off the card's and still stand in the centre; by hand."""


SURE_FORM = 0.8
"""Certainty from which a line's form is told: of 63 marks on 107 drawn references, in frames by a hand that the network
had not seen, all are told, one wrongly; of 183 lines of captions 178, two of them as framed."""


@dataclass(frozen=True)
class CardLine:
    """One line.

    words:     as printed, as far as the reader could tell.
    certainty: the reader's own, 0 to 1; not calibrated.
    box_mm:    where it stands.
    along:     whether it stands upright along a side.
    form:      bare "line", "box", "oval" or "ribbon": the frame in which it is seen to stand, as issuers set marks.
    formed:    how surely, 0 to 1; 0 where that was not looked at.
    """

    words: str
    certainty: float
    box_mm: BoxMm
    along: bool = False
    form: str = "line"
    formed: float = 0.0

    @property
    def form_told(self) -> str:
        """Its form where that is sure enough to be told, else empty."""
        return self.form if self.formed >= SURE_FORM else ""

    @property
    def framed(self) -> bool:
        """Whether it surely stands in a frame, as no caption does."""
        return self.form_told not in ("", "line")

    @property
    def broad_mm(self) -> float:
        """From one edge of the line to the other, across its words."""
        left, top, right, bottom = self.box_mm
        return right - left if self.along else bottom - top

    def place(self, size: FaceSize) -> str:
        """Where it stands, in words.

        >>> CardLine("Brell & Co.", 0.9, (22.0, 58.0, 34.0, 60.0)).place(FaceSize())
        'foot right'
        """
        left, top, right, bottom = self.box_mm
        across = (left + right) / 2 / size.width_mm - 0.5
        if self.along:
            return "left side" if across < 0 else "right side"
        end = "head" if (top + bottom) / 2 < size.height_mm / 2 else "foot"
        return f"{end} {'centre' if abs(across) <= MIDDLE / 2 else 'left' if across < 0 else 'right'}"


def share_of(box: BoxMm, other: BoxMm) -> float:
    """Share of the smaller of two boxes that lies in the other."""
    wide = min(box[2], other[2]) - max(box[0], other[0])
    high = min(box[3], other[3]) - max(box[1], other[1])
    least = min((one[2] - one[0]) * (one[3] - one[1]) for one in (box, other))
    return max(0.0, wide) * max(0.0, high) / max(least, 1e-6)


def moved_box(box: BoxMm, move: NDArray[np.float64]) -> BoxMm:
    """The box round a box that was moved by (3, 3), mm to mm."""
    left, top, right, bottom = box
    corners = np.array([[left, top, 1], [right, top, 1], [right, bottom, 1], [left, bottom, 1]]) @ move.T
    placed = corners[:, :2] / corners[:, 2:]
    (x0, y0), (x1, y1) = placed.min(axis=0), placed.max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def wider(box: BoxMm, by: float) -> BoxMm:
    """A box with so many mm more on each side."""
    left, top, right, bottom = box
    return left - by, top - by, right + by, bottom + by
