"""Pictures made smaller: pixels in, fewer of them out, every one of the old averaged into the new."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray


def shrink(pixels: NDArray[np.uint8], size: tuple[int, int], rest: int = cv2.INTER_AREA) -> NDArray[np.uint8]:
    """(h, w, 3) uint8 brought down to `size` (width, height).

    Halved for as long as that is possible, since averaging 2 x 2 pixels is some ten times quicker than averaging areas
    of odd sizes; an odd last row or column is left out. rest: how what remains, less than a factor of two, is done.
    """
    while min(pixels.shape[1] / size[0], pixels.shape[0] / size[1]) >= 2:
        half = (pixels.shape[1] // 2, pixels.shape[0] // 2)
        even = pixels[: 2 * half[1], : 2 * half[0]]
        pixels = np.asarray(cv2.resize(even, half, interpolation=cv2.INTER_AREA), np.uint8)
    if pixels.shape[1::-1] == size:
        return pixels
    return np.asarray(cv2.resize(pixels, size, interpolation=rest), np.uint8)
