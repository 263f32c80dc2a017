"""What the forces act on and with: noise, heat, paper, paths and outlines, and windows of a picture to draw in.

Places and paths are (y, x) in pixels, fields (h, w) float32. What is small is drawn in a window about it, not on the
whole card.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import cv2
import numpy as np
from numpy.random import Generator as Rng
from numpy.typing import NDArray
from scipy.signal import lfilter

from matcher.lab.synthesis.prints import Field

Loose = NDArray[np.floating[Any]]
"""A field or points on the way, of whatever precision."""
Shape = tuple[int, ...]
Place = tuple[float, float]
Box = tuple[slice, slice]
Layers = Iterator[tuple[Box, Loose, Loose | float | None]]
"""What a kind of wear lays one after the other: where, how much of it, and its tone; None for a density that adds to
the picture's."""

ALL: Box = (slice(None), slice(None))
"""The window that is the whole picture."""
CARD_SPAN = 48.1
"""Side in millimetres of a square as large as a card of 36.5 x 63.5 mm: with it a picture's area tells how many pixels
make a millimetre. `shapes` reckons by `CARD_MM`, 36.5, the width of the same card."""


def pixels_per_mm(field: Field) -> float:
    """Reckoned by the area, so that a picture on its side counts the same; half a pixel at least."""
    return max(0.5, float(np.sqrt(field.size)) / CARD_SPAN)


def size_between(rng: Rng, low: float, high: float) -> float:
    """Small as often as large."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def resized(coarse: Field, shape: Shape, how: int = cv2.INTER_CUBIC) -> Field:
    """A field brought to another height and width."""
    return np.asarray(cv2.resize(coarse, (shape[1], shape[0]), interpolation=how), np.float32)


def clipped(field: Loose) -> Field:
    """Held within 0..1, as float32."""
    return np.asarray(np.clip(field, 0, 1), np.float32)


def mist(shape: Shape, grain: float, rng: Rng, slant: float = 1.0) -> Field:
    """Smooth noise with hills about grain pixels wide, and slant times as high as wide."""
    knots = [min(n, int(n / max(1, g)) + 3) for n, g in zip(shape, (grain * slant, grain), strict=True)]
    return resized(1.3 * rng.standard_normal(knots, np.float32), shape)


def diffused(field: Loose | NDArray[np.bool_], spread: float) -> Field:
    """What a heat equation makes of the field; wide spreads are reckoned on fewer pixels."""
    step, heated = max(1, int(spread / 3)), np.asarray(field, np.float32)
    if step > 1:
        heated = resized(heated, tuple(max(2, n // step) for n in field.shape), cv2.INTER_AREA)
    soft = np.asarray(cv2.GaussianBlur(heated, (0, 0), max(0.3, spread / step)), np.float32)
    return resized(soft, field.shape, cv2.INTER_LINEAR) if step > 1 else soft


def bare_paper(shape: Shape, rng: Rng, low: float = 0.55, high: float = 0.97) -> Field:
    """Bare paper or board: fibres lying in a few directions, and clouds."""
    (y, x), noise = np.mgrid[-4:5, -4:5], rng.standard_normal((shape[0] // 2 + 1, shape[1] // 2 + 1), np.float32)
    lines = sum(np.exp(-((x * np.sin(angle) - y * np.cos(angle)) ** 2)) for angle in rng.uniform(0, np.pi, 3))
    felt = resized(np.asarray(cv2.filter2D(noise, -1, lines / np.linalg.norm(lines))), shape)
    return clipped(rng.uniform(low, high) + rng.uniform(0, 0.035) * felt + rng.uniform(0, 0.04) * mist(shape, 60, rng))


def any_place(shape: Shape, rng: Rng) -> Place:
    """A place (y, x) of the picture."""
    return float(rng.uniform(0, shape[0])), float(rng.uniform(0, shape[1]))


def shifted(field: Field, down: int, right: int) -> Field:
    """The field so many pixels further, as light casts it: nothing comes back in at the other side."""
    rows, columns = (np.clip(np.arange(n) - by, 0, n - 1) for n, by in zip(field.shape, (down, right), strict=True))
    return np.asarray(field[np.ix_(rows, columns)], np.float32)


def window_around(shape: Shape, middle: Place, reach: float) -> tuple[Box, Field, Field]:
    """The window within reach of a place (y, x), and how far its pixels lie down and right of there."""
    firsts = [min(n - 2, max(0, int(m - reach))) for n, m in zip(shape, middle, strict=True)]
    rows, columns = (slice(f, max(f + 2, int(m + reach) + 1)) for f, m in zip(firsts, middle, strict=True))
    box = slice(rows.start, min(shape[0], rows.stop)), slice(columns.start, min(shape[1], columns.stop))
    y, x = np.ogrid[box]
    return box, np.asarray(y - middle[0], np.float32), np.asarray(x - middle[1], np.float32)


def along_and_across(dy: Loose, dx: Loose, angle: float) -> tuple[Loose, Loose]:
    """How far along and across a direction."""
    cosine, sine = np.float32(np.cos(angle)), np.float32(np.sin(angle))
    return dx * cosine + dy * sine, dy * cosine - dx * sine


def windows(field: Field, rng: Rng, count: int, low: float, high: float) -> Iterator[tuple[Box, Field, Field, float]]:
    """Windows round places, with the size in pixels of what is to lie there; low and high in millimetres."""
    for size in [size_between(rng, low, high) * pixels_per_mm(field) for _ in range(count)]:
        yield (*window_around(field.shape, any_place(field.shape, rng), 1.6 * size + 3), size)


def drifting_path(rng: Rng, start: Place, steps: int, stride: float, wander: float) -> Loose:
    """A path (y, x) of something with inertia: its heading drifts, it never jumps."""
    heading = rng.uniform(0, 2 * np.pi) + np.cumsum(lfilter([wander], [1, -0.8], rng.standard_normal(steps)))
    return np.asarray(start + np.cumsum(stride * np.stack([np.sin(heading), np.cos(heading)], 1), 0))


def drawn_lines(shape: Shape, paths: list[Loose], width: float) -> Field:
    """Paths (y, x) drawn as lines; thinner than a pixel they are fainter."""
    canvas, level = np.zeros(shape, np.uint8), float(255 * min(1.0, width))
    points = [np.round(np.clip(path[:, ::-1], -2000, 6000) * 16).astype(np.int32) for path in paths]
    cv2.polylines(canvas, points, False, level, max(1, round(width)), cv2.LINE_AA, 4)
    return np.asarray(canvas / np.float32(255), np.float32)


def pressed_outline(dy: Field, dx: Field, size: float, rng: Rng) -> Field:
    """Below one inside a shape that walls press in from several sides, blunt (ovals) to sharp (sheets, shards)."""
    square, turn, power = rng.random() < 0.5, rng.uniform(0, np.pi), np.float32(size_between(rng, 2, 20))
    depths = size * (np.tile(rng.uniform(0.35, 1, 2), 2) if square else rng.uniform(0.5, 1, rng.integers(3, 8)))
    angles = turn + 2 * np.pi * (np.arange(len(depths)) + (not square) * rng.uniform(-0.3, 0.3)) / len(depths)
    sides = [
        np.clip(along_and_across(dy, dx, a)[0] / np.float32(d), 0, 4) ** power
        for a, d in zip(angles, depths, strict=True)
    ]
    return np.asarray(np.sum(sides, 0) ** (1 / power), np.float32)
