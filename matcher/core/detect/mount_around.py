"""A print's edge, or a rule round it, that was taken for the card's: the dark or coloured mount that it stands on.

Outlines that were found and rectangles with clear edges in, the same outlines out, each its mount's where the mount has
a card's shape and the outline has not. Whatever lies round a card itself, a holder or a sleeve, has that shape no more
than a print has: as much is added to its width as to its height.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.geometry import Array, area, nearest_shape, overlap, true_ratio
from matcher.core.detect.reduced_image import ReducedImage
from matcher.core.detect.settings import MountSettings

Quads = NDArray[np.float32]


def misses_shape(picture: ReducedImage, quads: Quads, shapes: Array, settings: MountSettings) -> NDArray[np.bool_]:
    """(n,) which outlines (n, 4, 2), in reduced pixels, are so far from a card's shape that a mount may be nearer."""
    return np.asarray(_off(picture, quads, shapes) >= settings.nearer)


def on_their_mounts(
    picture: ReducedImage, found: Quads, clear: Quads, shapes: Array, settings: MountSettings
) -> Quads:  # fmt: skip
    """(n, 4, 2) of outlines (n, 4, 2): where one of the clear rectangles (k, 4, 2) lies around just that one and is
    nearer to a card's shape, that. All in reduced pixels. shapes: (s,) widths over heights, of cards as portrait."""
    if not len(found) or not len(clear):
        return found
    off, around = _off(picture, found, shapes), _off(picture, clear, shapes)
    within = np.array([[_lies_within(one, other, settings) for other in clear] for one in found])
    nearer = (off[:, None] - around[None] >= settings.nearer) & (around <= settings.shape)
    mounts = within & nearer & (within.sum(axis=0) == 1)  # what lies around two cards is a page
    whole = found.copy()
    for place in np.flatnonzero(mounts.any(axis=1)):
        whole[place] = clear[np.where(mounts[place], around, np.inf).argmin()]
    return whole


def _off(picture: ReducedImage, quads: Quads, shapes: Array) -> Array:
    """(n,) how far from a card's proportions, as a natural logarithm, the tilt taken out."""
    ratios = true_ratio(quads.astype(np.float64), picture.width, picture.height)
    return np.asarray(np.abs(np.log(np.maximum(ratios, 1e-3) / nearest_shape(ratios, shapes))))


def _lies_within(quad: Quads, other: Quads, settings: MountSettings) -> bool:
    """Whether an outline (4, 2) lies within another, and leaves as much of it as a mount shows."""
    inner, outer = (abs(float(one)) for one in area(np.stack([quad, other])))
    if not settings.least < outer / max(inner, 1.0) < settings.most:
        return False
    shared = overlap(quad, other)
    return shared * (inner + outer) / (1 + shared) > settings.within * inner
