"""A rectangle that is only drawn, as on a playing field or a form: quads in, which are no more than their outline."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.choice_settings import DrawnSettings
from matcher.core.detect.geometry import Array, height
from matcher.core.detect.reduced_image import ReducedImage
from matcher.core.detect.sampling import across_sides, grid, sample
from matcher.core.detect.scoring import LEVELS

STROKE_MM, BEYOND_MM = (-2.0, -1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5, 2.0), (3.0, 4.0, 5.0)
"""Where, across a side, it is looked for the stroke and for the table."""

OFFSETS_MM = np.array([*STROKE_MM, *BEYOND_MM], np.float32)
ALONG = np.linspace(0.1, 0.9, 16, dtype=np.float32)
ACROSS, DOWN = np.linspace(0.25, 0.75, 12), np.linspace(0.2, 0.8, 20)
"""Where it is looked for the inside, shares of the quad's sides: a stroke can be thick."""


def only_drawn(
    picture: ReducedImage, quads: Array, height_mm: float, settings: DrawnSettings = DrawnSettings()
) -> NDArray[np.bool_]:
    """(n,) for quads (n, 4, 2) in reduced pixels: a stroke runs around, and inside and outside of it is the same."""
    if not len(quads):
        return np.empty(0, bool)
    stroke, table = _strokes(picture, quads, height_mm)
    middle = sample(picture.lab, grid(quads, ACROSS, DOWN)) * LEVELS
    beyond = np.median(table, axis=(2, 3))
    step = np.linalg.norm(np.median(stroke, axis=2) - beyond[:, :, None], axis=-1).max(axis=2)
    apart = np.linalg.norm(np.median(middle, axis=(1, 2))[:, None] - beyond, axis=-1)
    same = (step > settings.stroke_levels) & (apart < settings.same * step + 1)
    uneven = np.median(table[..., 0].std(axis=(2, 3)), axis=1)
    even = middle[..., 0].std(axis=(1, 2)) < settings.even_factor * uneven + settings.even_levels
    return np.asarray((same.sum(axis=1) >= settings.sides) & even)


def chalked(
    picture: ReducedImage, quads: Array, height_mm: float, settings: DrawnSettings = DrawnSettings()
) -> NDArray[np.bool_]:
    """(n,) for quads (n, 4, 2) in reduced pixels: what runs around is lighter than the table, as no shadow is."""
    if not len(quads):
        return np.empty(0, bool)
    stroke, table = _strokes(picture, quads, height_mm)
    over = np.median(stroke[..., 0], axis=2) - np.median(table[..., 0], axis=(2, 3))[:, :, None]
    lighter = (over.max(axis=2) > settings.stroke_levels) & (over.max(axis=2) > -over.min(axis=2))
    return np.asarray(lighter.sum(axis=1) >= settings.sides)


def _strokes(picture: ReducedImage, quads: Array, height_mm: float) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """(n, 4, s, o, 3) colours along each side: where a stroke may run, and of the table beyond it."""
    offsets = OFFSETS_MM * (height(quads) / height_mm)[:, None]
    colours = across_sides(picture.lab, quads, ALONG, offsets) * LEVELS
    return colours[:, :, :, : len(STROKE_MM)], colours[:, :, :, len(STROKE_MM) :]
