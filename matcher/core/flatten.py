"""Stage 3: a `Photo` and one outline in, a `Face` out: the card cut out, flattened, at a fixed scale.

Everything after this stage works at about 10 px/mm, whatever camera or scanner the picture came from.
The mask says which pixels may be believed: glare and what lies outside the photograph may not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.card_quad import CardQuad
from matcher.core.detect.lens import Bow, bow_of
from matcher.core.detect.warp import warp_quad
from matcher.core.dot_screen import printed_in_dots
from matcher.core.filters import normalise
from matcher.core.photo import Photo, to_grey
from matcher.core.shared_settings import FaceSize


@dataclass(frozen=True)
class GlareSettings:
    """What counts as burnt out."""

    level: int = 246
    """Darkest channel of a burnt-out highlight. Aged albumen paper is cream: its blue stays well below this; own
    choice."""
    core_mm: float = 0.4
    """Radius of the smallest highlight: about half a square millimetre; smaller ones are grain; own choice."""
    margin_mm: float = 0.5
    """A highlight's halo reaches a little further than its burnt-out core; own choice."""


@dataclass(frozen=True)
class Face:
    """A card's front, upright as far as known.

    pixels:  (height, width, 3) uint8 RGB at the fixed size of `FaceSize`.
    grey:    (height, width) uint8.
    trusted: (height, width) bool, False under glare and outside the photograph.
    size:    the nominal size that the pixels stand for; gives px per mm.
    outside: share of the face, 0 to 1, that lies outside the photograph; not trusted, but no glare either.
    turned:  degrees (0, 90, 180, 270) by which the outline's first reading was turned clockwise to get here.
    bow:     what the lens bowed, as it lies on the face; None where nothing did, or nobody knows.
    """

    pixels: NDArray[np.uint8]
    grey: NDArray[np.uint8]
    trusted: NDArray[np.bool_]
    size: FaceSize
    turned: int = 0
    outside: float = 0.0
    bow: Bow | None = None

    def __post_init__(self) -> None:
        expected = (self.size.height, self.size.width)
        for name, shape in (
            ("pixels", self.pixels.shape[:2]),
            ("grey", self.grey.shape),
            ("trusted", self.trusted.shape),
        ):
            if shape != expected:
                raise ValueError(f"{name} must be {expected}, not {shape}")

    @classmethod
    def from_pixels(
        cls, pixels: NDArray[np.uint8], size: FaceSize | None = None, glare: GlareSettings = GlareSettings()
    ) -> Face:
        """Wrap a stored face, (height, width, 3) uint8 RGB; the glare mask is computed anew.

        Raises ValueError where the pixels have not the size.
        """
        size = size or FaceSize()
        return cls(pixels, to_grey(pixels), ~_glare(pixels, size, glare), size)

    @cached_property
    def normal(self) -> NDArray[np.uint8]:
        """(height, width) uint8: `grey` with its local contrast made equal; computed once."""
        return normalise(self.grey, self.size.px_per_mm)

    @cached_property
    def in_dots(self) -> bool:
        """Whether it shows a halftone, or another picture that is made of dots; computed once."""
        return printed_in_dots(self.grey)

    def half_turn(self) -> Face:
        """The same face upside down."""
        return replace(
            self,
            pixels=np.ascontiguousarray(self.pixels[::-1, ::-1]),
            grey=np.ascontiguousarray(self.grey[::-1, ::-1]),
            trusted=np.ascontiguousarray(self.trusted[::-1, ::-1]),
            turned=(self.turned + 180) % 360,
            bow=self.bow.half_turned if self.bow else None,
        )


def flatten(
    photo: Photo, outline: CardQuad, size: FaceSize | None = None, glare: GlareSettings = GlareSettings()
) -> Face:
    """Cut the card out and flatten it.

    outline.corners: (4, 2) TL TR BR BL in photo pixels. Where the photo holds more pixels than the face
    needs, it is reduced by area first, so that film grain is averaged and not aliased.
    """
    size = size or FaceSize()
    pixels, covered = warp_quad(photo.pixels, outline.corners, (size.width, size.height), lambda: photo.half)
    burnt = _glare(pixels, size, glare)
    bow = bow_of(photo.pixels, outline.corners, (size.width, size.height), size.height_mm)
    return Face(pixels, to_grey(pixels), covered & ~burnt, size, outside=float(1 - covered.mean()), bow=bow)


def _glare(pixels: NDArray[np.uint8], size: FaceSize, settings: GlareSettings) -> NDArray[np.bool_]:
    """(height, width): burnt-out patches with their halo."""
    burnt = (cv2.min(cv2.min(pixels[..., 0], pixels[..., 1]), pixels[..., 2]) >= settings.level).astype(np.uint8)
    if not burnt.any():
        return np.zeros(burnt.shape, dtype=bool)
    opened = cv2.morphologyEx(burnt, cv2.MORPH_OPEN, _disc(size.px_per_mm * settings.core_mm))
    return np.asarray(cv2.dilate(opened, _disc(size.px_per_mm * settings.margin_mm)) > 0)


def _disc(radius: float) -> NDArray[np.uint8]:
    side = 2 * max(1, round(radius)) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)), dtype=np.uint8)
