"""One side of a registration: a `Face`, with its `Description` or without, in; out, each computed once, all that
`align` needs.

A query is registered on many references, and a reference may be tried twice: features and reduced pictures are kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.align.registration import Layer
from matcher.core.describe import Description, describe
from matcher.core.flatten import Face
from matcher.core.settings import FaceSize

BORDER_MM = 2.0
"""Mount border and cut-edge wear: left out at the sides."""

HEAD_MM = 6.0
"""Left out at the head: some captions stand there, and would be taken for a part of the picture that has moved."""

CAPTION_MM = 8.5
"""The usual printed strip below the picture, with its dividing line; left out at the foot."""

BOX_PX = 8
"""The comparator halves the picture three times."""

REDUCTION = 0.5
"""Scale of the reduced pictures: registering gains nothing from finer ones, and is four times faster."""

Features = tuple[NDArray[np.float32], NDArray[np.float32], NDArray[Any]]
"""(n, 2) points, (n,) angles in degrees, (n, d) descriptors."""


@dataclass(frozen=True)
class View:
    """A face, its description where that is known already, and what follows from both."""

    face: Face
    described: Description | None = None

    @cached_property
    def text(self) -> Description:
        """The face's description: a start that is given may spare it."""
        return self.described or describe(self.face)

    @cached_property
    def orb(self) -> Features:
        """The description's features inside the picture."""
        text, zone = self.text, picture_zone(self.face.size)
        column, row = np.rint(text.points).astype(int).T if len(text.points) else np.empty((2, 0), int)
        inside = zone[row, column]
        return text.points[inside], text.angles[inside], text.descriptors[inside]

    @cached_property
    def sift(self) -> Features:
        """RootSIFT (Arandjelovic & Zisserman 2012) with a low contrast threshold for faint prints.

        Of the reduced face: SIFT doubles a picture before it looks at it.
        """
        sift = cv2.SIFT.create(nfeatures=500, contrastThreshold=0.015, edgeThreshold=12)
        keypoints, rows = sift.detectAndCompute(self.reduced, self.reduced_mask)
        points = (np.array([k.pt for k in keypoints], np.float32).reshape(-1, 2) + 0.5) / REDUCTION - 0.5
        angles = np.array([k.angle for k in keypoints], np.float32)
        if not keypoints:
            return points, angles, np.empty((0, 128), np.float32)
        roots = np.sqrt(rows / (np.abs(rows).sum(axis=1, keepdims=True) + 1e-6))
        return points, angles, roots.astype(np.float32)

    @cached_property
    def reduced(self) -> NDArray[np.uint8]:
        """The contrast-normalised face at `REDUCTION`."""
        return _reduced(self.face.normal)

    @cached_property
    def fine(self) -> Layer:
        """The reduced face, for registering."""
        return Layer(self.reduced, self.reduced_mask, enough=5000)

    @cached_property
    def coarse(self) -> Layer:
        """The same at half its size once more: from there the way to the right place is seen from further off."""
        return Layer(_reduced(self.reduced), _reduced(self.reduced_mask), enough=1500)

    @cached_property
    def detail(self) -> tuple[float, float]:
        """Variance of the reduced picture, and the sum of its squared slopes, both ways' mean; 0 without a picture."""
        inside = self.reduced_mask > 0
        if not inside.any():
            return 0.0, 0.0
        picture = cv2.GaussianBlur(self.reduced, (0, 0), 1.0).astype(np.float64)
        slopes = sum(0.5 * np.square(np.gradient(picture, axis=axis)[inside]) for axis in (0, 1))
        return float(picture[inside].var()), max(float(np.sum(slopes)), 1e-9)

    @cached_property
    def reduced_mask(self) -> NDArray[np.uint8]:
        """255 where the reduced face shows picture that may be believed."""
        return _reduced((self.face.trusted & picture_zone(self.face.size)).astype(np.uint8) * 255)


def picture_zone(size: FaceSize) -> NDArray[np.bool_]:
    """(height, width) bool: the part of a face where the photograph itself is, whatever the mount."""
    return _zone(size, HEAD_MM)


def wide_zone(size: FaceSize) -> NDArray[np.bool_]:
    """The same with the head, where no caption stands there."""
    return _zone(size, BORDER_MM)


def _zone(size: FaceSize, head_mm: float) -> NDArray[np.bool_]:
    zone = np.zeros((size.height, size.width), dtype=bool)
    border, head, caption = (round(mm * size.px_per_mm) for mm in (BORDER_MM, head_mm, CAPTION_MM))
    zone[head : size.height - caption, border : size.width - border] = True
    return zone


def picture_box(size: FaceSize) -> tuple[slice, slice]:
    """Rows and columns of the smallest part of a face that holds the wide zone, in steps of `BOX_PX`."""
    rows, columns = (np.flatnonzero(wide_zone(size).any(axis=axis)) for axis in (1, 0))
    top, left = (int(found[0]) // BOX_PX * BOX_PX for found in (rows, columns))
    height, width = (-(-(int(f[-1]) + 1 - s) // BOX_PX) * BOX_PX for f, s in ((rows, top), (columns, left)))
    return slice(top, min(top + height, size.height)), slice(left, min(left + width, size.width))


def picture_corners(size: FaceSize) -> NDArray[np.float64]:
    """(4, 2) TL TR BR BL of the part of any face where the picture is."""
    row, column = np.nonzero(picture_zone(size))
    left, right, top, bottom = column.min(), column.max(), row.min(), row.max()
    return np.array([[left, top], [right, top], [right, bottom], [left, bottom]], dtype=np.float64)


def _reduced(image: NDArray[np.uint8]) -> NDArray[np.uint8]:
    half = cv2.resize(image, None, fx=REDUCTION, fy=REDUCTION, interpolation=cv2.INTER_AREA)
    return np.asarray(half, dtype=np.uint8)
