"""Colours sampled across the sides of quads: the common raw material of scoring and refinement."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.geometry import NEXT, Array


def across_sides(pixels: NDArray[np.uint8], quads: Array, positions: Array, offsets: Array) -> NDArray[np.float32]:
    """(n, 4, s, o, 3) colours at `positions` (0 to 1) along the sides, `offsets` pixels across, outwards positive.

    pixels: (h, w, 3) uint8. quads: (n, 4, 2), clockwise, (0, 0) the outer corner of the first pixel.
    offsets: (o,) or (n, o). Outside the picture the nearest pixel is repeated.
    """
    quads = np.asarray(quads, np.float32)
    points = side_points(quads, np.asarray(positions, np.float32))[..., None, :]
    shift = np.broadcast_to(offsets, (len(quads), np.shape(offsets)[-1])).astype(np.float32)[:, None, None, :, None]
    return sample(pixels, points + shift * outward(quads)[:, :, None, None, :])


def sample(pixels: NDArray[np.uint8], points: Array) -> NDArray[np.float32]:
    """(..., 3) float32 colours of pixels (h, w, 3) uint8 at points (..., 2), bilinear.

    Points count from the outer corner of the first pixel.
    """
    shape = points.shape[:-1]
    flat = np.ascontiguousarray(points.reshape(-1, 2), dtype=np.float32) - np.float32(0.5)
    # remap wants images below 32768 pixels a side: fold the list of points into rows.
    columns = min(len(flat), 4096)
    padding = -len(flat) % columns
    folded = np.pad(flat, ((0, padding), (0, 0))).reshape(-1, columns, 2)
    x, y = np.ascontiguousarray(folded[..., 0]), np.ascontiguousarray(folded[..., 1])
    colours = cv2.remap(pixels, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(colours.reshape(-1, 3)[: len(flat)].reshape(*shape, 3), dtype=np.float32)


def side_points(quads: Array, positions: Array) -> Array:
    """(n, 4, s, 2) points along each side of quads (n, 4, 2); positions: (s,), 0 at its start and 1 at its end."""
    start, end = quads[:, :, None, :], quads[:, NEXT][:, :, None, :]
    return start + (end - start) * np.asarray(positions)[:, None]


def outward(quads: Array) -> Array:
    """(n, 4, 2) outward unit normals of the sides of clockwise quads (n, 4, 2)."""
    edge = quads[:, NEXT] - quads
    length = np.maximum(np.hypot(edge[..., 0], edge[..., 1]), 1e-6)
    return np.stack([edge[..., 1] / length, -edge[..., 0] / length], axis=-1)


def grid(quads: Array, u: Array, v: Array) -> Array:
    """(n, v, u, 2) points inside quads (n, 4, 2), at shares u (u,) of their width and v (v,) of their height.

    Bilinear in the corners, which is close enough for colours.
    """
    u, v = np.asarray(u)[None, :, None], np.asarray(v)[:, None, None]
    tl, tr, br, bl = (quads[:, i, None, None, :] for i in range(4))
    return (tl * (1 - u) + tr * u) * (1 - v) + (bl * (1 - u) + br * u) * v
