"""Local contrast normalisation: a faint print and a strong one of one negative come out nearly the same.

Greys in, (height, width) uint8 out. Features and alignment start from it.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

WINDOW_MM = 1.2
"""Gaussian sigma of local mean and contrast: between grain and a sitter's head."""

SMOOTH_PX = 1.0
"""Gaussian sigma that takes off grain and JPEG noise."""

_STEP = 4
_COARSE_FROM = 6.0
"""Slow fields are computed on every fourth pixel, or every second below this sigma: nothing is lost, and it is much
faster."""


def normalise(grey: NDArray[np.uint8], px_per_mm: float) -> NDArray[np.uint8]:
    """Take off the local mean and make the local contrast equal; 128 is the mean, 40 one local deviation."""
    values = np.asarray(cv2.GaussianBlur(grey.astype(np.float32), (0, 0), SMOOTH_PX), np.float32)
    sigma = WINDOW_MM * px_per_mm
    detail = values - slow(values, sigma)
    contrast = cv2.sqrt(slow(detail * detail, sigma))
    # The floor keeps bare paper from being blown up to full contrast: half the face's own median contrast.
    floor = 0.5 * float(np.median(contrast[::_STEP, ::_STEP])) + 0.3
    return np.asarray(np.clip(cv2.divide(detail, contrast + floor, scale=40.0) + 128.0, 0, 255), np.uint8)


def slow(values: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    """Gaussian blur of a large sigma (at least 3 pixels), by way of a reduced image."""
    height, width = values.shape
    step = _STEP if sigma >= _COARSE_FROM else 2
    small = cv2.resize(values, (max(1, width // step), max(1, height // step)), interpolation=cv2.INTER_AREA)
    blurred = cv2.GaussianBlur(small, (0, 0), sigma / step)
    return np.asarray(cv2.resize(blurred, (width, height), interpolation=cv2.INTER_LINEAR), np.float32)
