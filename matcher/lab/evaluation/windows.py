"""Where a copy's picture truly lies: two printed copies in, the true window of one against the other out.

Printing, cutting, pasting and trimming are known to the last tenth of a millimetre, so the transform between two
perfectly flattened faces is known too; the window is read off it exactly as the crop rung reads its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matcher.core.align.alignment import Alignment
from matcher.core.ladder.crop import Window, measure_crop
from matcher.core.settings import FaceSize
from matcher.lab.synthesis import Age, Caption, Crop
from matcher.lab.synthesis.printing import where_printed

LEAST_SHIFT_MM = 1.5
LEAST_ZOOM = 0.04
"""From here on two windows are two crops."""

Matrix = NDArray[np.float64]


@dataclass(frozen=True)
class Placed:
    """One printed copy: what decides where its picture lies. seed: the copy's; None for a perfect cut."""

    crop: Crop
    caption: Caption
    age: Age
    seed: int | None


def face_to_negative(shape: tuple[int, ...], placed: Placed, size: FaceSize | None = None) -> Matrix:
    """(3, 3): from pixels of the flattened face, counted from pixel centres, to pixels of the negative (h, w)."""
    size = size or FaceSize()
    rng = None if placed.seed is None else np.random.default_rng([placed.seed, 1])  # as `make_copy` draws it
    from_card = where_printed(shape, placed.crop, placed.caption, rng, size=size)
    left, top, right, bottom = placed.age.trimmed_mm
    width, height = size.width_mm - left - right, size.height_mm - top - bottom
    # The face shows the trimmed card, stretched to the nominal size.
    to_card = np.array([[width / size.width, 0, left], [0, height / size.height, top], [0, 0, 1.0]])
    return np.asarray(from_card @ to_card @ _HALF)


_HALF = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])


def true_window(shape: tuple[int, ...], query: Placed, reference: Placed, size: FaceSize | None = None) -> Window:
    """The query's true window against the reference's, both prints of one negative of (h, w) pixels."""
    size = size or FaceSize()
    transform = np.linalg.inv(face_to_negative(shape, reference, size)) @ face_to_negative(shape, query, size)
    return measure_crop(Alignment(transform / transform[2, 2], 0, 1.0, 0.0, 1.0, "given"), size)


def differs(window: Window) -> bool:
    """Whether a window is another crop: by the shift on the card or by the zoom."""
    shift = float(np.hypot(window.dx, window.dy))
    return shift >= LEAST_SHIFT_MM or abs(window.scale - 1) >= LEAST_ZOOM


def window_error(measured: Window, true: Window) -> tuple[float, float]:
    """(mm, share): how far a measured window lies from the true one, and its scale's relative error."""
    return float(np.hypot(measured.dx - true.dx, measured.dy - true.dy)), abs(measured.scale / true.scale - 1)
