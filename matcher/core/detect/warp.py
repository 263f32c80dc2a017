"""A card cut out of a photo and flattened: pixels and an outline in, a rectangle of any size out."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.geometry import Array, sides
from matcher.core.filters import shrink

Pixels = NDArray[np.uint8]


def warp_quad(
    pixels: Pixels, corners: Array, size: tuple[int, int], half: Callable[[], Pixels] | None = None
) -> tuple[Pixels, NDArray[np.bool_]]:
    """The rectangle of `size` (width, height), and which of its pixels the photo shows.

    pixels: (h, w, 3) or (h, w) uint8. corners: (4, 2) TL TR BR BL, (0, 0) the outer corner of the first pixel. Where
    the photo holds more pixels than are asked for, it is reduced by area first, so that film grain is averaged and not
    aliased.
    half: gives the pixels at half the size, where others need them as well; the answer is the same.
    """
    window, placed = _window(pixels, np.asarray(corners, np.float32), max(size), half)
    target = np.array([[0, 0], [size[0], 0], [size[0], size[1]], [0, size[1]]], np.float32)
    # Corners are on pixel edges; the warp counts pixel centres from zero: hence the halves.
    move = cv2.getPerspectiveTransform(placed - 0.5, target - 0.5)
    flat = cv2.warpPerspective(window, move, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(flat, np.uint8), _covered(window, placed, move, size)


def _covered(
    window: Pixels, placed: NDArray[np.float32], move: cv2.typing.MatLike, size: tuple[int, int]
) -> NDArray[np.bool_]:
    """(height, width) which pixels of the rectangle the window shows: all, where the outline lies within it."""
    room = np.array(window.shape[1::-1], np.float32) - 0.5
    if (placed > 0.5).all() and (placed < room).all():
        return np.ones(size[::-1], bool)
    inside = np.full(window.shape[:2], 255, np.uint8)
    return np.asarray(cv2.warpPerspective(inside, move, size, flags=cv2.INTER_NEAREST) > 0)


def _window(
    pixels: Pixels, corners: NDArray[np.float32], longest: int, half: Callable[[], Pixels] | None
) -> tuple[Pixels, NDArray[np.float32]]:
    """The photo's part around the outline at 1 to 1.5 times the scale that is asked for, and the outline in it.

    It begins and ends at even pixels, so that halving it is halving the photo.
    """
    whole = (pixels.shape[1], pixels.shape[0])
    low = np.clip(np.floor(corners.min(axis=0)) - 4, 0, np.array(whole) - 1).astype(int) // 2 * 2
    high = np.clip((np.ceil(corners.max(axis=0)) + 4) // 2 * 2 + 2, low + 1, whole).astype(int)
    scale = min(1.0, 1.25 * longest / max(float(sides(corners).max()), 1.0))
    asked = [max(1, round(float(extent) * scale)) for extent in high - low]
    if half and scale <= 0.5:
        window = half()[low[1] // 2 : high[1] // 2, low[0] // 2 : high[0] // 2]
    else:
        window = pixels[low[1] : high[1], low[0] : high[0]]
    if scale < 0.8:
        window = shrink(window, (asked[0], asked[1]))
    factor = np.array(window.shape[1::-1], np.float32) / (high - low).astype(np.float32)
    return window, ((corners - low) * factor).astype(np.float32)
