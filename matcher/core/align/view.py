"""One side of a registration: a `Face`, with its `Description` or without, in; out, each computed once, all that
`align` needs.

A query is registered on many references, and a reference may be tried twice: features and reduced pictures are kept.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.align.print_area import print_area
from matcher.core.align.registration import Layer
from matcher.core.align.settings import AlignSettings, PictureZoneSettings
from matcher.core.describe import Description, describe
from matcher.core.flatten import Face
from matcher.core.shared_settings import FaceSize

Features = tuple[NDArray[np.float32], NDArray[np.float32], NDArray[Any]]
"""(n, 2) points, (n,) angles in degrees, (n, d) descriptors."""


@dataclass(frozen=True)
class View:
    """A face, its description where that is known already, and what follows from both.

    within: (height, width), of what alone is to be registered; None for wherever a picture may be.
    """

    face: Face
    described: Description | None = None
    settings: AlignSettings = AlignSettings()
    within: NDArray[np.bool_] | None = None

    @cached_property
    def of_print(self) -> View | None:
        """The same of its photograph alone, without the mount around it; None where no mount is seen."""
        area = print_area(self.face, self.settings.print_area)
        return None if area is None else replace(self, within=area)

    @cached_property
    def description(self) -> Description:
        """The face's description: a start that is given may spare it."""
        return self.described or describe(self.face)

    @cached_property
    def orb(self) -> Features:
        """The description's features inside the picture."""
        found, zone = self.description, self._zone
        column, row = np.rint(found.points).astype(int).T if len(found.points) else np.empty((2, 0), int)
        inside = zone[row, column]
        return found.points[inside], found.angles[inside], found.descriptors[inside]

    @cached_property
    def sift(self) -> Features:
        """RootSIFT (Arandjelovic & Zisserman 2012) with a low contrast threshold for faint prints.

        Of the reduced face: SIFT doubles a picture before it looks at it.
        """
        numbers, reduction = self.settings.sift, self.settings.reduction
        sift = cv2.SIFT.create(
            nfeatures=numbers.features, contrastThreshold=numbers.contrast, edgeThreshold=numbers.edge
        )
        keypoints, rows = sift.detectAndCompute(self.reduced, self.reduced_mask)
        points = (np.array([k.pt for k in keypoints], np.float32).reshape(-1, 2) + 0.5) / reduction - 0.5
        angles = np.array([k.angle for k in keypoints], np.float32)
        if not keypoints:
            return points, angles, np.empty((0, 128), np.float32)
        roots = np.sqrt(rows / (np.abs(rows).sum(axis=1, keepdims=True) + 1e-6))
        return points, angles, roots.astype(np.float32)

    @cached_property
    def reduced(self) -> NDArray[np.uint8]:
        """(h, w) uint8: the contrast-normalised face at `settings.reduction`."""
        return self._reduced(self.face.normal)

    @cached_property
    def fine(self) -> Layer:
        """The reduced face, for registering."""
        return Layer(self.reduced, self.reduced_mask, self.settings.fine_spots)

    @cached_property
    def coarse(self) -> Layer:
        """The same at half its size once more: from there the way to the right place is seen from further off."""
        return Layer(self._reduced(self.reduced), self._reduced(self.reduced_mask), self.settings.coarse_spots)

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
        """(h, w) uint8: 255 where the reduced face shows picture that may be believed."""
        return self._reduced((self.face.trusted & self._zone).astype(np.uint8) * 255)

    @cached_property
    def _zone(self) -> NDArray[np.bool_]:
        zone = picture_zone(self.face.size, self.settings.zone)
        return zone if self.within is None else zone & self.within

    def _reduced(self, image: NDArray[np.uint8]) -> NDArray[np.uint8]:
        factor = self.settings.reduction
        return np.asarray(cv2.resize(image, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def picture_zone(size: FaceSize, settings: PictureZoneSettings = PictureZoneSettings()) -> NDArray[np.bool_]:
    """(height, width) bool: the part of a face where the photograph itself is, whatever the mount."""
    return _zone(size, settings, settings.head_mm)


def wide_zone(size: FaceSize, settings: PictureZoneSettings = PictureZoneSettings()) -> NDArray[np.bool_]:
    """(height, width) bool: the same with the head, where no caption stands there."""
    return _zone(size, settings, settings.border_mm)


def _zone(size: FaceSize, settings: PictureZoneSettings, head_mm: float) -> NDArray[np.bool_]:
    zone = np.zeros((size.height, size.width), dtype=bool)
    border, head, caption = (round(mm * size.px_per_mm) for mm in (settings.border_mm, head_mm, settings.caption_mm))
    zone[head : size.height - caption, border : size.width - border] = True
    return zone


def picture_box(size: FaceSize, settings: PictureZoneSettings = PictureZoneSettings()) -> tuple[slice, slice]:
    """Rows and columns of the smallest part of a face that holds the wide zone, in steps of `settings.box_px`."""
    step = settings.box_px
    rows, columns = (np.flatnonzero(wide_zone(size, settings).any(axis=axis)) for axis in (1, 0))
    top, left = (int(found[0]) // step * step for found in (rows, columns))
    height, width = (-(-(int(f[-1]) + 1 - s) // step) * step for f, s in ((rows, top), (columns, left)))
    return slice(top, min(top + height, size.height)), slice(left, min(left + width, size.width))


def picture_corners(size: FaceSize, settings: PictureZoneSettings = PictureZoneSettings()) -> NDArray[np.float64]:
    """(4, 2) float64, TL TR BR BL, of the part of any face where the picture is: middles of its corner pixels."""
    row, column = np.nonzero(picture_zone(size, settings))
    left, right, top, bottom = column.min(), column.max(), row.min(), row.max()
    return np.array([[left, top], [right, top], [right, bottom], [left, bottom]], dtype=np.float64)
