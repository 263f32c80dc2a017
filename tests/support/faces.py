"""Faces for tests, drawn by code: no picture files, no stage before `flatten`."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.flatten import Face
from matcher.core.settings import FaceSize

SIZE = FaceSize()


def picture(seed: int, height: int = 900, width: int = 520) -> NDArray[np.uint8]:
    """(height, width) uint8: blobs and strokes at all scales, different for each seed."""
    rng = np.random.default_rng(seed)
    canvas = np.full((height, width), 120, np.float32)
    for scale in (8, 20, 60):
        coarse = rng.normal(0, 1, (height // scale + 2, width // scale + 2)).astype(np.float32)
        canvas += 12 * cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC)
    for _ in range(60):
        centre = (int(rng.integers(width)), int(rng.integers(height)))
        axes = (int(rng.integers(4, 40)), int(rng.integers(4, 40)))
        cv2.ellipse(
            canvas, centre, axes, float(rng.uniform(0, 180)), 0, 360, float(rng.uniform(30, 220)), -1, cv2.LINE_AA
        )
    return np.clip(canvas, 0, 255).astype(np.uint8)


def face_of(
    negative: NDArray[np.uint8],
    transform: NDArray[np.float64] | None = None,
    contrast: float = 1.0,
    noise: float = 0.0,
    caption: str = "",
    seed: int = 0,
    caption_left: int = 50,
) -> Face:
    """A face that shows `negative` under `transform` (3, 3: face pixels to negative pixels), faded and noisy.

    caption_left: where the caption begins, in pixels from the card's left edge.
    """
    transform = np.array([[1.3, 0, 15], [0, 1.3, 10], [0, 0, 1.0]]) if transform is None else transform
    seen = cv2.warpPerspective(
        negative, transform, (SIZE.width, SIZE.height), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    ).astype(np.float32)
    if caption:
        seen[560:] = 235
        mask = np.zeros((80, SIZE.width), np.uint8)
        cv2.putText(mask, caption, (caption_left, 40), cv2.FONT_HERSHEY_SIMPLEX, 0.9, 255, 2)
        seen[560:] -= mask * 0.8
    faded = 215 - (235 - seen) * contrast
    faded += np.random.default_rng(seed).normal(0, noise, faded.shape) if noise else 0
    grey = np.clip(faded, 0, 255).astype(np.uint8)
    return Face.from_pixels(np.repeat(grey[..., None], 3, axis=2))


def moved_spot(
    negative: NDArray[np.uint8], centre: tuple[float, float], radius: float, by: tuple[float, float]
) -> NDArray[np.uint8]:
    """The negative of a moment later: what lies about a spot stands `by` further right and down, in pixels."""
    rows, columns = np.mgrid[0 : negative.shape[0], 0 : negative.shape[1]].astype(np.float32)
    share = np.exp(-((((columns - centre[0]) ** 2 + (rows - centre[1]) ** 2) / radius**2) ** 2)).astype(np.float32)
    to = (columns - share * np.float32(by[0]), rows - share * np.float32(by[1]))
    return np.asarray(cv2.remap(negative, *to, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT), np.uint8)


def window(zoom: float = 1.0, dx: float = 0.0, dy: float = 0.0, angle: float = 0.0) -> NDArray[np.float64]:
    """Face to negative: the usual window, magnified by `zoom` and moved by dx, dy face pixels, turned by degrees."""
    usual = np.array([[1.3, 0, 15], [0, 1.3, 10], [0, 0, 1.0]])
    middle = np.array([[1, 0, SIZE.width / 2], [0, 1, SIZE.height / 2], [0, 0, 1.0]])
    c, s = np.cos(np.radians(angle)) / zoom, np.sin(np.radians(angle)) / zoom
    turn = np.array([[c, -s, dx], [s, c, dy], [0, 0, 1.0]])
    return usual @ middle @ turn @ np.linalg.inv(middle)
