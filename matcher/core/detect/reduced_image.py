"""The reduced picture that proposals and scores work on: colours, locally normalised gradient, thin edges."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.filters import shrink
from matcher.core.photo import Photo

LONG_SIDE = 800
"""Pixels; a card that fills 15 % of the frame is still 120 pixels high, its 1 mm border 2 pixels."""

NOISE_FLOOR = 0.7
"""Levels per pixel of gradient that sensor noise and JPEG leave in the reduced picture."""


@dataclass(frozen=True)
class ReducedImage:
    """A photo reduced to about LONG_SIDE.

    lab:   (h, w, 3) uint8, CIE L a b as OpenCV packs them, lightly smoothed.
    slope: (h, w, 2) float32, gradient x y of the strongest channel, divided by the local mean gradient.
    edges: (h, w) bool, thin edges.
    scale: reduced pixels per photo pixel, (x, y).
    """

    lab: NDArray[np.uint8]
    slope: NDArray[np.float32]
    edges: NDArray[np.bool_]
    scale: tuple[float, float]

    @property
    def width(self) -> int:
        return int(self.lab.shape[1])

    @property
    def height(self) -> int:
        return int(self.lab.shape[0])


def reduce(photo: Photo) -> ReducedImage:
    """Reduce a photo for the search."""
    factor = min(1.0, LONG_SIDE / max(photo.width, photo.height))
    shape = (max(8, round(photo.width * factor)), max(8, round(photo.height * factor)))
    # A linear rest is quicker; after a halving it leaves hardly more grain than areas would.
    small = shrink(photo.pixels, shape, cv2.INTER_LINEAR if factor <= 0.5 else cv2.INTER_AREA)
    lab = np.asarray(cv2.GaussianBlur(cv2.cvtColor(small, cv2.COLOR_RGB2LAB), (0, 0), 1.0), dtype=np.uint8)
    slope = _normalised(*_strongest_gradient(lab))
    edges = _thin(slope)
    scale = (shape[0] / photo.width, shape[1] / photo.height)
    return ReducedImage(lab, slope, edges, scale)


def _strongest_gradient(lab: NDArray[np.uint8]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Per pixel, the gradient of whichever of L, a, b changes most; chroma counts more, its range is smaller."""
    best_x = best_y = best = None
    for channel, weight in ((0, 1.0), (1, 1.6), (2, 1.6)):
        plane = np.ascontiguousarray(lab[..., channel])
        x = cv2.Scharr(plane, cv2.CV_32F, 1, 0, scale=weight / 32)
        y = cv2.Scharr(plane, cv2.CV_32F, 0, 1, scale=weight / 32)
        size = x * x + y * y
        if best is None:
            best_x, best_y, best = x, y, size
        else:
            stronger = (size > best).astype(np.uint8)
            cv2.copyTo(x, stronger, best_x)
            cv2.copyTo(y, stronger, best_y)
            cv2.max(best, size, best)
    return best_x, best_y  # type: ignore[return-value]


def _normalised(x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.float32]:
    size = cv2.magnitude(x, y)
    window = (LONG_SIDE // 25) | 1
    local = cv2.boxFilter(size, -1, (window, window), borderType=cv2.BORDER_REPLICATE)
    gain = 1.0 / (local + NOISE_FLOOR)
    return np.stack([x * gain, y * gain], axis=-1).astype(np.float32, copy=False)


def _thin(slope: NDArray[np.float32]) -> NDArray[np.bool_]:
    counts = np.clip(slope * 200, -32000, 32000).astype(np.int16)
    x, y = np.ascontiguousarray(counts[..., 0]), np.ascontiguousarray(counts[..., 1])
    return np.asarray(cv2.Canny(x, y, 160, 300, L2gradient=True) > 0)


def soften(picture: ReducedImage, window: int = 9) -> ReducedImage:
    """Half the size, and without whatever is thinner than half the window: print, grain, weave, drawn lines."""
    small = cv2.resize(picture.lab, (picture.width // 2, picture.height // 2), interpolation=cv2.INTER_AREA)
    lab = np.asarray(cv2.medianBlur(small, window), dtype=np.uint8)
    slope = _normalised(*_strongest_gradient(lab))
    scale = (picture.scale[0] * small.shape[1] / picture.width, picture.scale[1] * small.shape[0] / picture.height)
    return ReducedImage(lab, slope, _thin(slope), scale)
