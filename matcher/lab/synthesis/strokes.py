"""What wear is drawn with: lines, blobs and scribbles on a canvas, and how they lie over a picture.

Fields are (h, w) float32 0..1; points are (x, y) in pixels.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.lab.synthesis.prints import Field

Worn = tuple[Field, Field]
"""A picture with something laid over it, and the share of it that can no longer be seen."""


def laid_over(picture: Field, mask: NDArray[np.floating], tone: float | Field) -> Worn:
    """`tone` laid over the picture by `mask`, its opacity."""
    share = np.clip(mask, 0, 1).astype(np.float32)
    return np.asarray(picture * (1 - share) + np.float32(1) * tone * share, np.float32), share


def canvas_of(shape: tuple[int, ...], soft: float = 0.0) -> tuple[NDArray[np.uint8], Callable[[], Field]]:
    """A canvas to draw on, and what gives it as a field 0..1."""
    canvas = np.zeros(shape[:2], np.uint8)

    def field() -> Field:
        drawn = canvas.astype(np.float32) * np.float32(1 / 255)
        return np.asarray(cv2.GaussianBlur(drawn, (0, 0), soft) if soft > 0.15 else drawn, np.float32)

    return canvas, field


def spot_in(shape: tuple[int, ...], rng: np.random.Generator) -> NDArray[np.float64]:
    """A point (x, y) of the picture."""
    return np.array([rng.uniform(0.05, 0.95) * shape[1], rng.uniform(0.05, 0.95) * shape[0]])


def draw_line(canvas: NDArray[np.uint8], points: NDArray[np.floating], thickness: int, value: int = 255) -> None:
    """Draw a way of (n, 2) points."""
    cv2.polylines(canvas, [np.rint(points * 8).astype(np.int32)], False, value, max(1, thickness), cv2.LINE_AA, 3)


def walk(
    rng: np.random.Generator, start: NDArray[np.float64], angle: float, steps: int, step: float, bend: float
) -> NDArray[np.float64]:
    """(steps, 2) points of a way that bends at random."""
    turns = angle + np.cumsum(rng.normal(0, bend, steps))
    return np.asarray(start + np.cumsum(step * np.column_stack([np.cos(turns), np.sin(turns)]), axis=0), np.float64)


def blob(
    shape: tuple[int, ...], centre: NDArray[np.float64], radius: float, rng: np.random.Generator, ragged: float
) -> Field:
    """A closed, ragged outline filled, 0..1."""
    canvas, field = canvas_of(shape, 0.7)
    turns = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    rough = np.ones(40)
    for wave in range(2, 9):
        rough += ragged * rng.normal(0, 1 / wave) * np.cos(wave * turns + rng.uniform(0, 6.3))
    stretch = np.exp(rng.normal(0, 0.35))
    outline = (
        np.column_stack([np.cos(turns) * stretch, np.sin(turns) / stretch]) * (radius * np.clip(rough, 0.2, 2))[:, None]
    )
    cv2.fillPoly(canvas, [np.rint((centre + outline) * 8).astype(np.int32)], 255, cv2.LINE_AA, 3)
    return field()


def patch(
    shape: tuple[int, ...], centre: NDArray[np.float64], radius: float, rng: np.random.Generator, soft: float = 0.6
) -> Field:
    """A closed outline of few straight or round sides, filled, 0..1: a polygon, a star, a box, a disc."""
    canvas, field = canvas_of(shape, soft)
    corners = int(rng.integers(3, 13))
    turns = (
        np.sort(rng.uniform(0, 2 * np.pi, corners)) if rng.random() < 0.5 else np.arange(corners) * 2 * np.pi / corners
    )
    reach = rng.uniform(0.4, 1.0, corners) if rng.random() < 0.5 else np.full(corners, 1.0)
    outline = np.column_stack([np.cos(turns), np.sin(turns)]) * (radius * reach)[:, None]
    outline *= np.exp(rng.normal(0, 0.3)) ** np.array([1.0, -1.0])
    if rng.random() < 0.25:
        cv2.ellipse(
            canvas,
            (tuple(centre), (2 * radius, 2 * radius * rng.uniform(0.4, 1)), float(rng.uniform(0, 180))),
            255,
            -1,
            cv2.LINE_AA,
        )
    else:
        cv2.fillPoly(canvas, [np.rint((centre + outline) * 8).astype(np.int32)], 255, cv2.LINE_AA, 3)
    return field()


def scribble(
    shape: tuple[int, ...], rng: np.random.Generator, centre: NDArray[np.float64], reach: float, lines: int
) -> Field:
    """Curling lines about a point, 0..1."""
    canvas, field = canvas_of(shape, 0.5)
    thickness = int(rng.integers(1, 4))
    for _ in range(lines):
        steps = int(rng.integers(12, 60))
        along = np.linspace(-1, 1, steps)[:, None] * reach * np.array([np.cos(t := rng.normal(0, 0.4)), np.sin(t)])
        curls = np.cumsum(rng.normal(0, reach * 0.09, (steps, 2)), axis=0)
        curls -= np.linspace(0, 1, steps)[:, None] * curls[-1]
        smooth = np.column_stack([np.convolve(curls[:, k], np.ones(3) / 3, "same") for k in (0, 1)])
        draw_line(canvas, centre + rng.normal(0, reach * 0.15, 2) + along + smooth, thickness)
    return field()
