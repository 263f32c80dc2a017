"""Which of the known formats a card in an outline may have, by its shape and, on a scan, by its size."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.geometry import height, ratio, true_ratio
from matcher.core.detect.settings import DetectSettings
from matcher.core.formats import MOST_SLENDER, face_of
from matcher.core.photo import Photo
from matcher.core.shared_settings import FaceSize


def as_portrait(size: FaceSize) -> FaceSize:
    """The same card lying so that it is higher than wide, as outlines are counted."""
    if not size.landscape:
        return size
    return FaceSize(size.height_mm, size.width_mm, size.height, size.width, size.enlarged)


def distinct_sizes(sizes: Sequence[FaceSize], alike: float) -> tuple[FaceSize, ...]:
    """The sizes as portrait, each once; of those whose shapes are nearly one the middle of them."""
    portrait = sorted({as_portrait(size) for size in sizes}, key=lambda size: (size.aspect, size.enlarged))
    groups: list[list[FaceSize]] = []
    for size in portrait:
        if alike and groups and np.log(size.aspect / groups[-1][0].aspect) < alike:
            groups[-1].append(size)
        else:
            groups.append([size])
    return tuple(group[0] if len(group) == 1 else _of_shape(_middle(group)) for group in groups)


def shapes_of(sizes: Sequence[FaceSize]) -> NDArray[np.float64]:
    """(k,) widths over heights, each once."""
    return np.array(sorted({size.aspect for size in sizes}))


def _middle(group: Sequence[FaceSize]) -> float:
    return float(np.sqrt(group[0].aspect * group[-1].aspect))


def _of_shape(aspect: float) -> FaceSize:
    return face_of(aspect * FaceSize().height_mm, FaceSize().height_mm)


def fitting_sizes(
    photo: Photo, corners: NDArray[np.float32], sizes: Sequence[FaceSize], settings: DetectSettings = DetectSettings()
) -> tuple[FaceSize, ...]:
    """Of known sizes those that a card in this outline, (4, 2) as portrait, may have, the nearest first.

    By its shape, the tilt taken out; by its size too where a scan tells its resolution. Where only one is known it is
    that one: hand-cut cards have any shape.
    """
    if len(sizes) == 1:
        return tuple(sizes)
    quad = corners[None].astype(np.float64)
    # A flatbed knows no perspective: there what is seen is the shape.
    shape = float((ratio(quad) if photo.dpi else true_ratio(quad, photo.width, photo.height))[0])
    off = {size: float(abs(np.log(shape / as_portrait(size).aspect))) for size in sizes}
    if photo.dpi:
        long_mm = float(height(quad)[0]) * 25.4 / photo.dpi
        for size in sizes:
            larger = float(abs(np.log(long_mm / max(size.card_mm))))
            off[size] = max(off[size], larger * settings.shape / settings.scanned)
        # A telephone's meaningless resolution fits nothing: then the shape alone is left.
        if min(off.values()) > settings.shape:
            return fitting_sizes(replace(photo, dpi=None), corners, sizes, settings)
    return tuple(sorted((size for size in sizes if off[size] <= settings.shape), key=lambda size: off[size]))


def own_sizes(photo: Photo, corners: NDArray[np.float32]) -> tuple[FaceSize, ...]:
    """Of a card that has no known format: the shape it has itself, the tilt taken out; it may be held either way."""
    shape = float(true_ratio(corners[None].astype(np.float64), photo.width, photo.height)[0])
    own = _of_shape(float(np.clip(shape, 1 / MOST_SLENDER, 1.0)))
    return own, FaceSize(own.height_mm, own.width_mm, own.height, own.width, own.enlarged)
