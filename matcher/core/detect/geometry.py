"""Plane geometry on arrays of quads: corners (..., 4, 2) float, in order around the quad, any unit."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating]

FOCAL = 0.9
"""Assumed focal length in long sides of the picture; only the plausibility of a shape rests on it."""

NEXT, OPPOSITE, BEFORE = np.array([1, 2, 3, 0]), np.array([2, 3, 0, 1]), np.array([3, 0, 1, 2])
"""For each corner of a quad, the number of another; to index by them is far quicker than to roll small arrays."""


def sides(quads: Array) -> Array:
    """(n, 4) lengths: side i goes from corner i to corner i + 1."""
    edge = quads[..., NEXT, :] - quads
    return np.asarray(np.hypot(edge[..., 0], edge[..., 1]))


def area(quads: Array) -> Array:
    """(n,) signed areas; positive when the corners go clockwise on screen (y down)."""
    x, y = quads[..., 0], quads[..., 1]
    across, down = x[..., 2:] - x[..., :2], y[..., 2:] - y[..., :2]  # the two diagonals
    return np.asarray(0.5 * (across[..., 0] * down[..., 1] - across[..., 1] * down[..., 0]))


def is_convex(quads: Array) -> NDArray[np.bool_]:
    """(n,) True where all four corners turn the same way."""
    edge = quads[..., NEXT, :] - quads
    x, y = edge[..., 0], edge[..., 1]
    turn = x * y[..., NEXT] - y * x[..., NEXT]
    return np.asarray((turn.min(axis=-1) > 0) | (turn.max(axis=-1) < 0))


def clockwise_portrait(quads: Array) -> Array:
    """Corners as TL TR BR BL of the portrait reading that is nearest upright in the photo."""
    quads = np.where(area(quads)[..., None, None] < 0, quads[..., ::-1, :], quads)
    length = sides(quads)
    wide = length[..., 0] + length[..., 2] > length[..., 1] + length[..., 3]
    quads = np.where(wide[..., None, None], quads[..., BEFORE, :], quads)
    top, bottom = quads[..., :2, 1].sum(-1), quads[..., 2:, 1].sum(-1)
    return np.where((top > bottom)[..., None, None], quads[..., OPPOSITE, :], quads)


def ratio(quads: Array) -> Array:
    """(n,) width over height of quads in portrait order, from mean opposite sides."""
    length = sides(quads)
    return (length[..., 0] + length[..., 2]) / np.maximum(length[..., 1] + length[..., 3], 1e-6)


def true_ratio(quads: Array, width: int, depth: int, focal_share: float = FOCAL) -> Array:
    """(n,) width over height with the tilt taken out, for a camera looking at the middle of a width x depth picture."""
    across, down = _in_space(quads, width, depth, focal_share)
    return np.asarray(np.linalg.norm(across, axis=-1) / np.maximum(np.linalg.norm(down, axis=-1), 1e-9))


def nearest_shape(ratios: Array, shapes: Array) -> Array:
    """(n,) of the shapes (k,), widths over heights, the one nearest to each ratio (n,)."""
    off = np.abs(np.log(np.maximum(ratios, 1e-3)[:, None] / shapes))
    return np.asarray(shapes[off.argmin(axis=1)])


def true_slant(quads: Array, width: int, depth: int, focal_share: float = FOCAL) -> Array:
    """(n,) absolute cosine between the sides with the tilt taken out: 0 for what may be a rectangle in perspective."""
    across, down = _in_space(quads, width, depth, focal_share)
    lengths = np.linalg.norm(across, axis=-1) * np.linalg.norm(down, axis=-1)
    return np.asarray(np.abs((across * down).sum(axis=-1)) / np.maximum(lengths, 1e-9))


def _in_space(quads: Array, width: int, depth: int, focal_share: float) -> tuple[Array, Array]:
    """(n, 3) the upper and the left side of the parallelogram in space that is seen as each quad, at one depth.

    From the vanishing points of opposite sides (a rectangle in perspective). The focal length is `focal_share`
    long sides of the picture: telephones have 0.7 to 0.8, and pictures are often cut.
    """
    focal = focal_share * max(width, depth)
    centred = (quads - np.array([width / 2, depth / 2])) / focal
    m = np.concatenate([centred, np.ones((*centred.shape[:-1], 1))], axis=-1)
    tl, tr, br, bl = (m[..., i, :] for i in range(4))

    # Depths of the corners relative to the first: tl - tr * k2 + br * k3 - bl * k4 = 0 for a parallelogram.
    def triple(a: Array, b: Array, c: Array) -> Array:
        return np.asarray(np.sum(np.cross(a, b) * c, axis=-1))

    base = triple(tr, br, bl)
    base = np.where(np.abs(base) < 1e-12, 1e-12, base)
    k_tr, k_bl = triple(tl, br, bl) / base, triple(tr, br, tl) / base
    return np.asarray(k_tr[..., None] * tr - tl), np.asarray(k_bl[..., None] * bl - tl)


def slant(quads: Array) -> Array:
    """(n,) largest absolute cosine of a corner: 0 for a rectangle."""
    edge = quads[..., NEXT, :] - quads
    length = np.maximum(sides(quads), 1e-6)
    dots = np.abs((edge * edge[..., NEXT, :]).sum(axis=-1))
    return np.asarray((dots / (length * length[..., NEXT])).max(axis=-1))


def height(quads: Array) -> Array:
    """(n,) mean length of the two long sides of quads in portrait order."""
    length = sides(quads)
    return (length[..., 1] + length[..., 3]) / 2


def skew(quads: Array) -> Array:
    """(n,) how far from a parallelogram's right angles and equal sides; 0 for a rectangle."""
    edge = quads[..., NEXT, :] - quads
    x, y = edge[..., 0], edge[..., 1]
    length = np.maximum(np.hypot(x, y), 1e-6)
    cosine = np.abs(x * x[..., NEXT] + y * y[..., NEXT]) / (length * length[..., NEXT])
    opposite = np.abs(np.log(length[..., :2] / length[..., 2:]))
    return np.asarray(cosine.max(axis=-1) + opposite.max(axis=-1))


def lines_through(first: Array, second: Array) -> Array:
    """(..., 3) the lines through two points (..., 2) each, as (a, b, c) with a x + b y = c and unit normals."""
    edge = second - first
    normal = np.stack([-edge[..., 1], edge[..., 0]], axis=-1)
    normal = normal / np.maximum(np.linalg.norm(edge, axis=-1, keepdims=True), 1e-6)
    return np.concatenate([normal, (normal * first).sum(axis=-1, keepdims=True)], axis=-1)


def intersect(first: Array, second: Array) -> Array:
    """Crossing points of lines given as (..., 3) = (a, b, c) with a x + b y = c, unit normals; nan if parallel."""
    det = first[..., 0] * second[..., 1] - first[..., 1] * second[..., 0]
    det = np.where(np.abs(det) < 1e-6, np.nan, det)
    x = (first[..., 2] * second[..., 1] - first[..., 1] * second[..., 2]) / det
    y = (first[..., 0] * second[..., 2] - first[..., 2] * second[..., 0]) / det
    return np.stack([x, y], axis=-1)


def inside(point: Array, quad: Array) -> bool:
    """Whether a point (2,) lies in one convex quad (4, 2), whichever way its corners go."""
    edge = quad[NEXT] - quad
    to_point = point - quad
    cross = edge[:, 0] * to_point[:, 1] - edge[:, 1] * to_point[:, 0]
    return bool(np.all(cross >= 0) or np.all(cross <= 0))


def overlap(first: Array, second: Array) -> float:
    """Of two convex quads (4, 2), the share of what they cover together that they have in common; 0 to 1."""
    common, _ = cv2.intersectConvexConvex(first.astype(np.float32), second.astype(np.float32))
    whole = sum(abs(float(area(quad[None])[0])) for quad in (first, second)) - common
    return float(common / whole) if whole > 0 else 0.0
