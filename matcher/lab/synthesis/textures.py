"""Noise fields that drawn cards are made of: clouds, grain; in: a shape and an rng; out: float32 fields.

Every field is drawn on a grid that does not depend on the output's resolution and is then enlarged. So the
same seed gives the same stain at 300 dpi and in a 12-megapixel photo, and big pictures stay cheap.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.float32]


def enlarge(field: NDArray[np.float32], height: int, width: int) -> Field:
    """Resize a (h, w) or (h, w, c) float32 field to (height, width, ...); by area where it shrinks."""
    shrinks = field.shape[0] >= height and field.shape[1] >= width
    how = cv2.INTER_AREA if shrinks else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(field, (width, height), interpolation=how), dtype=np.float32)


def clouds(height: int, width: int, rng: np.random.Generator, cells: float, octaves: int = 4) -> Field:
    """(height, width) float32 fractal noise, mean 0, standard deviation 1.

    cells: lumps of the coarsest octave across the width; every octave doubles them and halves their strength.
    """
    finest = max(2, round(cells * 2 ** (octaves - 1)))
    grid_width = min(4 * finest, 256)
    grid_height = max(2, round(grid_width * height / width))
    total = np.zeros((grid_height, grid_width), np.float32)
    for octave in range(octaves):
        across = max(2, round(cells * 2**octave))
        down = max(2, round(across * height / width))
        lumps = rng.standard_normal((down + 1, across + 1), dtype=np.float32)
        grown = cv2.resize(lumps, (grid_width, grid_height), interpolation=cv2.INTER_CUBIC)
        total += np.asarray(grown, np.float32) * np.float32(0.5**octave)
    total = (total - total.mean()) / max(float(total.std()), 1e-6)
    return enlarge(total.astype(np.float32), height, width)


def grain(height: int, width: int, rng: np.random.Generator, sigma: float) -> Field:
    """(height, width) float32 white noise blurred by `sigma` pixels, mean 0, standard deviation 1."""
    noise = rng.standard_normal((height, width), dtype=np.float32)
    if sigma > 0:
        noise = np.asarray(cv2.GaussianBlur(noise, (0, 0), sigma), np.float32)
    return np.asarray(noise / max(float(noise.std()), 1e-6), np.float32)


def tiled(tile: NDArray[np.uint8], height: int, width: int) -> NDArray[np.uint8]:
    """Repeat a (h, w, ...) tile to (height, width, ...)."""
    down = -(-height // tile.shape[0])
    across = -(-width // tile.shape[1])
    repeats = (down, across) + (1,) * (tile.ndim - 2)
    return np.ascontiguousarray(np.tile(tile, repeats)[:height, :width])
