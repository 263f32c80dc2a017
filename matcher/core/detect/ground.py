"""What the ground of a photo looks like, from its border, and how unlike it each place is.

In: the reduced picture; out: a map. On small print, on checked cloth or a weave a card's own sides drown among the
ground's lines; what a window of the card shows, its tone, its hue, how rough it is, does not.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.proposal_settings import GroundSettings
from matcher.core.detect.reduced_image import ReducedImage

CELLS, RIM = 32, 3
"""The surface through the border is fitted in so many cells each way, of which so many lie at each border."""

MAD = 1.4826
"""A normal distribution's standard deviation over its median absolute deviation."""


def border_surface(values: NDArray[np.uint8] | NDArray[np.float32], floor: float) -> NDArray[np.float32]:
    """(h, w, c) a smooth surface through the border of (h, w, c), c = 1 or 3: light falls off, tables do not change.

    floor: differences below which a cell of the border counts in full; what lies across the border counts little.
    """
    height, width = values.shape[:2]
    small = cv2.resize(values, (CELLS, CELLS), interpolation=cv2.INTER_AREA).astype(np.float32)
    small = small.reshape(CELLS, CELLS, -1)
    y, x = np.mgrid[0:CELLS, 0:CELLS].astype(np.float32) / (CELLS / 2) - 1
    terms = np.stack([np.ones_like(x), x, y, x * x, y * y, x * y], axis=-1)
    ring = np.ones((CELLS, CELLS), bool)
    ring[RIM:-RIM, RIM:-RIM] = False
    design, target = terms[ring], small[ring]
    weight = np.ones(len(target), np.float32)
    for _ in range(4):
        fit = np.linalg.lstsq(design * weight[:, None], target * weight[:, None], rcond=None)[0]
        error = np.linalg.norm(target - design @ fit, axis=1)
        weight = 1 / (1 + (error / (floor + np.median(error))) ** 2)
    surface = cv2.resize((terms @ fit).astype(np.float32), (width, height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(surface.reshape(height, width, -1), np.float32)


def unlike_ground(picture: ReducedImage, settings: GroundSettings) -> NDArray[np.float32]:
    """(h, w) by how many of the border's own spreads the window round each pixel differs from the ground."""
    side = settings.window_px
    lab = picture.lab.astype(np.float32)
    mean = cv2.blur(lab, (side, side))
    light = np.ascontiguousarray(lab[..., 0])
    spread = np.sqrt(np.maximum(cv2.blur(light * light, (side, side)) - mean[..., 0] ** 2, 0))
    planes = [*cv2.split(mean), np.log(spread + settings.least_spread)]
    unlike = np.zeros(light.shape, np.float32)
    for plane, floor in zip(planes, settings.floors, strict=True):
        off = np.abs(plane - border_surface(plane, settings.surface_floor * floor)[..., 0])
        rim = max(side, min(off.shape) // settings.rims_across)
        usual = MAD * float(np.median(np.concatenate([part.ravel() for part in _border(off, rim)])))
        unlike += np.minimum(off / (usual + floor), settings.most) ** 2
    return np.asarray(np.sqrt(unlike), np.float32)


def _border(plane: NDArray[np.float32], rim: int) -> tuple[NDArray[np.float32], ...]:
    return plane[:rim], plane[-rim:], plane[:, :rim], plane[:, -rim:]
