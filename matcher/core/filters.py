"""Filters that several stages share: equal local contrast, a wide blur, pictures made smaller.

Pixels in, pixels out. Features and registration start from `normalise`: a faint print and a strong one of one negative
come out of it nearly the same.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]
Pixels = NDArray[np.uint8]

_STEP = 4
_COARSE_FROM = 6.0
"""Wide blurs are computed on every fourth pixel, or every second below this sigma: nothing is lost, and it is much
faster."""


@dataclass(frozen=True)
class NormaliseSettings:
    """How local contrast is made equal; part of the description's fingerprint."""

    window_mm: float = 1.2
    """Gaussian sigma of local mean and contrast: between grain and a sitter's head; own choice, right record first in
    59 of 60 queries at 10 to 30 % residual contrast."""
    smooth_px: float = 1.0
    """Gaussian sigma that takes off grain and JPEG noise; own choice."""
    floor_share: float = 0.5
    """Share of the face's median contrast below which contrast is not raised, so that bare paper stays bare; own
    choice."""
    floor_levels: float = 0.3
    """The same for a face without any contrast, grey levels; own choice."""
    gain: float = 40.0
    """Levels that one local deviation becomes: three of them, either way, fit into 8 bits; own choice."""


def normalise(grey: Pixels, px_per_mm: float, settings: NormaliseSettings = NormaliseSettings()) -> Pixels:
    """(height, width) uint8 with the local mean taken off and the local contrast made equal, in (height, width) uint8.

    128 is the mean, 40 levels one local deviation. px_per_mm: scale of `grey`.
    """
    values = np.asarray(cv2.GaussianBlur(grey.astype(np.float32), (0, 0), settings.smooth_px), np.float32)
    sigma = settings.window_mm * px_per_mm
    detail = values - slow(values, sigma)
    contrast = cv2.sqrt(slow(detail * detail, sigma))
    floor = settings.floor_share * float(np.median(contrast[::_STEP, ::_STEP])) + settings.floor_levels
    return np.asarray(np.clip(cv2.divide(detail, contrast + floor, scale=settings.gain) + 128.0, 0, 255), np.uint8)


def slow(values: Floats, sigma: float) -> Floats:
    """Gaussian blur of (height, width) float32 by a large sigma, at least 3 pixels, by way of a reduced image."""
    height, width = values.shape
    step = _STEP if sigma >= _COARSE_FROM else 2
    small = cv2.resize(values, (max(1, width // step), max(1, height // step)), interpolation=cv2.INTER_AREA)
    blurred = cv2.GaussianBlur(small, (0, 0), sigma / step)
    return np.asarray(cv2.resize(blurred, (width, height), interpolation=cv2.INTER_LINEAR), np.float32)


def shrink(pixels: Pixels, size: tuple[int, int], last_step: int = cv2.INTER_AREA) -> Pixels:
    """(h, w, 3) uint8 brought down to `size` (width, height), every pixel averaged into the new ones.

    Halved for as long as that is possible, since averaging 2 x 2 pixels is some ten times quicker than averaging areas
    of odd sizes; an odd last row or column is left out.
    last_step: OpenCV's interpolation for what remains, less than a factor of two.
    """
    while min(pixels.shape[1] / size[0], pixels.shape[0] / size[1]) >= 2:
        pixels = halved(pixels)
    if pixels.shape[1::-1] == size:
        return pixels
    return np.asarray(cv2.resize(pixels, size, interpolation=last_step), np.uint8)


def halved(pixels: Pixels) -> Pixels:
    """(h // 2, w // 2, 3) uint8: every 2 x 2 pixels averaged to one; an odd last row or column is left out."""
    size = (pixels.shape[1] // 2, pixels.shape[0] // 2)
    even = pixels[: 2 * size[1], : 2 * size[0]]
    return np.asarray(cv2.resize(even, size, interpolation=cv2.INTER_AREA), np.uint8)
