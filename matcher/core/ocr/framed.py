"""Does a line stand in a frame, a box, an oval or a ribbon, as issuers set their marks? A strip of a card and where in
it a line was found in, yes or no out.

Letters make a stroke here and there; a frame's upper and lower edge go through from one end of the line to the other.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.ocr.settings import FramedSettings

Floats = NDArray[np.float32]


def is_framed(strip: NDArray[np.uint8], corners: NDArray[np.float32], settings: FramedSettings | None = None) -> bool:
    """Whether an edge goes through above the middle of a line's letters, and another below.

    strip: (rows, columns), in which the line lies level; corners: (4, 2), of the line in it, pixels.
    """
    settings = settings or FramedSettings()
    (left, top), (right, bottom) = corners.min(axis=0), corners.max(axis=0)
    height = bottom - top
    aside, around = settings.ends * (right - left), settings.around * height
    rows = slice(max(0, round(top - around)), round(bottom + around))
    columns = slice(max(0, round(left + aside)), round(right - aside))
    steps = _steps(np.ascontiguousarray(strip[rows, columns]), settings)
    if steps.size == 0:
        return False
    through = _goes_through(steps, settings)
    middle = (top + bottom) / 2 - rows.start
    near, above = settings.middle * height, np.flatnonzero(through)
    return bool((above < middle - near).any() and (above > middle + near).any())


def _steps(grey: NDArray[np.uint8], settings: FramedSettings) -> Floats:
    """(rows, columns): by how much it grows lighter from row to row, in shares of a bold stroke's step."""
    if min(grey.shape) < settings.least_px:
        return np.zeros((0, 0), np.float32)
    smooth = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), settings.blur_px)
    steps = np.asarray(cv2.Sobel(smooth, cv2.CV_32F, 0, 1), np.float32)
    bold = float(np.percentile(np.abs(steps), settings.bold_percent))
    return np.asarray(steps / max(bold, 1.0), np.float32)


def _goes_through(steps: Floats, settings: FramedSettings) -> NDArray[np.bool_]:
    """(rows,): whether nearly all columns have the same step there, or a hair above or below: a line leans a little."""
    tall = np.ones((2 * settings.lean_px + 1, 1), np.uint8)
    shares = [cv2.dilate((sign * steps >= settings.step).astype(np.uint8), tall).mean(axis=1) for sign in (1.0, -1.0)]
    return np.asarray(np.maximum(*shares) >= settings.share)
