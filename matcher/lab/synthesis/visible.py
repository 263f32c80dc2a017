"""Where two exposures differ, and whether pictures of their prints show it.

Two clean views tell what has moved. A faded print, a blocked shadow, a noisy or a small picture may show nothing of
it, and then nobody can tell: neither should a network be taught to, nor a probability be fitted on it.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.lab.synthesis.prints import Field

SAME, MOVED, IGNORED = 0, 1, 255
"""Labels of a spot: one thing, something else, or a matter of opinion."""

FINE_PX, COARSE_PX = 1.0, 8.0
"""Gaussian sigmas between which detail lies, at a face's scale."""

SPOT_PX, AROUND_PX = 3.5, 8.0
"""Gaussian sigmas within which a change is measured, and how steeply a picture shows the view's tones."""

LEAST_DETAIL = 0.006
"""Detail of a clean view, of 0..1, by which the slope of a print's tones can be told; flatter spots take the mean."""

LEAST_NOISE = 1.5 / 255
"""Noise that any file has: its steps of grey and its compression."""

STANDS_OUT = 1.0
"""Times the noise of a picture that a change, over a spot, must be in it to be seen; our own choice."""

_NOISE = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
"""Immerkaer's mask (1996): blind to edges and shading, it answers to noise alone; its norm is 6."""


def differs(first: Field, second: Field) -> NDArray[np.uint8]:
    """(h, w) uint8 of two clean views, (h, w) 0..1 at a face's scale: `SAME`, `MOVED`, or `IGNORED`."""
    level, share = _change(first, second)
    labels = np.full(first.shape, IGNORED, np.uint8)
    labels[(level < LEAST_DETAIL) | (share < 0.03)] = SAME
    labels[(level > 0.016) & (share > 0.25)] = MOVED
    return labels


def seen_to_differ(first: Field, second: Field, clear: Field, also_clear: Field) -> NDArray[np.uint8]:
    """As `differs`, but `IGNORED` where a change does not stand out in both pictures; `clearness` of either."""
    labels = differs(first, second)
    seen = change_level(first, second) * np.minimum(clear, also_clear) > STANDS_OUT
    return np.where((labels == MOVED) & ~seen, np.uint8(IGNORED), labels)


def change_level(first: Field, second: Field) -> Field:
    """(h, w): root mean square change of detail between two views within a spot, in their own tones."""
    return _change(first, second)[0]


def detail_level(view: Field) -> Field:
    """(h, w): root mean square of a view's detail within a spot, in its own tones."""
    own = _detail(view)
    return np.sqrt(_near(own * own, SPOT_PX))


def clearness(view: Field, grey: NDArray[np.uint8]) -> Field:
    """How many times a picture's own noise a change of 1 in the clean view's tones would be in it, (h, w) float32.

    grey: (h, w) uint8, a picture of a print of `view`, lying upon it. The slope of its tones is a local regression on
    the view's detail, which noise does not bias; what is laid over the print has no slope.
    """
    values = grey.astype(np.float32) / np.float32(255)
    own, clean = _detail(values), _detail(view)
    energy = _near(clean * clean, AROUND_PX)
    both = _near(own * clean, AROUND_PX)
    usual = float((own * clean).mean()) / (float((clean * clean).mean()) + 1e-9)
    floor = np.float32(LEAST_DETAIL**2)
    slope = (both + floor * usual) / (energy + floor)
    return np.asarray(np.maximum(slope, 0) / max(noise_of(values), LEAST_NOISE), np.float32)


def noise_of(values: Field) -> float:
    """Standard deviation of a picture's noise, in its own units."""
    return float(np.median(np.abs(cv2.filter2D(values, -1, _NOISE)[2:-2:2, 2:-2:2]))) * 1.4826 / 6


def _change(first: Field, second: Field) -> tuple[Field, Field]:
    """Root mean square change within a spot, and its share of all detail there."""
    a, b = _detail(first), _detail(second)
    gone = _near((a - b) ** 2, SPOT_PX)
    return np.sqrt(gone), np.asarray(gone / (_near(a * a, SPOT_PX) + _near(b * b, SPOT_PX) + 1e-5), np.float32)


def _detail(view: Field) -> Field:
    fine, coarse = (cv2.GaussianBlur(view, (0, 0), sigma) for sigma in (FINE_PX, COARSE_PX))
    return np.asarray(fine - coarse, np.float32)


def _near(values: Field, sigma: float) -> Field:
    return np.asarray(cv2.GaussianBlur(values, (0, 0), sigma), np.float32)
