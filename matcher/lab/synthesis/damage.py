"""Stains and wear, each drawn on a grid in millimetres; in: a `Canvas` and an rng; out: factors or shares.

A factor, (h, w, 3) float32, is what light is left of the colour below it (1: nothing there). A share,
(h, w) float32 0..1, says how much bare board shows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from matcher.lab.synthesis.printing import Card
from matcher.lab.synthesis.textures import Field, clouds, enlarge

GRID_PX_PER_MM = 8.0
"""An eighth of a mm: the width of a pencil line or a scratch."""

_RUST = np.array([0.28, 0.46, 0.66], np.float32)
"""What a rust-brown spot takes from red, green and blue."""


@dataclass(frozen=True)
class Canvas:
    """The grid damage is drawn on: a whole card at `GRID_PX_PER_MM`."""

    height: int
    width: int

    @classmethod
    def of(cls, card: Card) -> Canvas:
        width_mm, height_mm = card.size_mm
        # Rounded through tenths of a mm, so that cards printed at two scales get one grid.
        return cls(round(round(height_mm, 1) * GRID_PX_PER_MM), round(round(width_mm, 1) * GRID_PX_PER_MM))

    def to_edge(self) -> Field:
        """(h, w) float32: mm to the nearest edge of the card."""
        y = np.arange(self.height, dtype=np.float32)[:, None] + 0.5
        x = np.arange(self.width, dtype=np.float32)[None, :] + 0.5
        nearest = np.minimum(np.minimum(x, self.width - x), np.minimum(y, self.height - y))
        return np.asarray(nearest / np.float32(GRID_PX_PER_MM), np.float32)

    def anywhere(self, rng: np.random.Generator) -> tuple[float, float]:
        return float(rng.uniform(0, self.width)), float(rng.uniform(0, self.height))

    def blank(self) -> Field:
        return np.zeros((self.height, self.width), np.float32)


def foxing(canvas: Canvas, spots: int, rng: np.random.Generator) -> Field:
    """Rust-coloured spots, a few of them large, mostly in loose families."""
    density = canvas.blank()
    home = canvas.anywhere(rng)
    for _ in range(spots):
        if rng.random() < 0.3:
            home = canvas.anywhere(rng)
        spread = 5 * GRID_PX_PER_MM
        centre = (home[0] + float(rng.normal(0, spread)), home[1] + float(rng.normal(0, spread)))
        radius = float(np.clip(rng.lognormal(-1.15, 0.6), 0.1, 1.6)) * GRID_PX_PER_MM
        _add_spot(density, centre, radius, float(rng.uniform(0.2, 0.6)), rng)
    return np.asarray(1 - np.clip(density, 0, 0.85)[..., None] * _RUST, np.float32)


def _add_spot(
    density: Field, centre: tuple[float, float], radius: float, strength: float, rng: np.random.Generator
) -> None:
    """A soft, slightly lobed spot with a darker heart, added in place."""
    height, width = density.shape
    lobes, phase = int(rng.integers(2, 6)), float(rng.uniform(0, 6.28))
    x0, x1 = max(0, int(centre[0] - 3 * radius)), min(width, int(centre[0] + 3 * radius) + 2)
    y0, y1 = max(0, int(centre[1] - 3 * radius)), min(height, int(centre[1] + 3 * radius) + 2)
    if x0 >= x1 or y0 >= y1:
        return
    y, x = np.mgrid[y0:y1, x0:x1].astype(np.float32)
    dx, dy = x - centre[0], y - centre[1]
    away = np.hypot(dx, dy) * (1 + 0.2 * np.sin(np.arctan2(dy, dx) * lobes + phase)) / radius
    density[y0:y1, x0:x1] += strength * (0.75 * np.exp(-(away**2)) + 0.45 * np.exp(-((away / 0.4) ** 2)))


def stains(canvas: Canvas, count: int, rng: np.random.Generator) -> Field:
    """Tide marks of old damp: a pale inside and a darker rim, often running off the card."""
    rows, columns = canvas.height // 2, canvas.width // 2  # they are soft: half the grid does
    density = np.zeros((rows, columns), np.float32)
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32) * np.float32(2 / GRID_PX_PER_MM)
    width_mm, height_mm = canvas.width / GRID_PX_PER_MM, canvas.height / GRID_PX_PER_MM
    for _ in range(count):
        middle_x = float(rng.choice([0.0, 1.0])) * width_mm + float(rng.normal(0, 3))
        middle_y, radius = float(rng.uniform(0, height_mm)), float(rng.uniform(6, 15))
        ragged = 1 + 0.12 * clouds(rows, columns, rng, 5, 4)
        away = np.hypot(x - np.float32(middle_x), 0.8 * y - np.float32(0.8 * middle_y)) * ragged / radius
        rim = np.exp(-(((away - 1) / 0.04) ** 2)) * (away > 0.5)
        inside = 1 / (1 + np.exp(np.clip((away - 1) * 40, -30, 30)))
        density += float(rng.uniform(0.5, 1.0)) * (0.16 * inside + 0.2 * rim)
    grown = enlarge(np.clip(density, 0, 0.8), canvas.height, canvas.width)
    return np.asarray(1 - grown[..., None] * _RUST, np.float32)


def dirt(canvas: Canvas, amount: float, rng: np.random.Generator) -> Field:
    """Handling: grey patches, and grime along the edges."""
    patches = np.clip(clouds(canvas.height, canvas.width, rng, 4, 5) - 0.9, 0, 2) * 0.06
    edges = 0.13 * np.exp(-canvas.to_edge() / 0.7)
    edges *= 1 + 0.5 * clouds(canvas.height, canvas.width, rng, 10, 3)
    density = np.clip(amount * (patches + edges), 0, 0.6)
    return np.asarray(1 - density[..., None] * np.array([0.85, 1.0, 1.15], np.float32), np.float32)


def scratches(canvas: Canvas, count: int, rng: np.random.Generator) -> Field:
    """Fine lines where the albumen has gone, (h, w) share of bare board."""
    share = canvas.blank()
    for _ in range(count):
        start, angle = np.array(canvas.anywhere(rng)), float(rng.uniform(0, np.pi))
        length = float(rng.uniform(1.5, 20)) * GRID_PX_PER_MM
        steps = np.linspace(0, length, 12)[:, None] * np.array([np.cos(angle), np.sin(angle)])
        points = start + steps + rng.normal(0, 0.7, (12, 2)).cumsum(axis=0)
        _draw(share, points, float(rng.uniform(0.15, 0.6)), 1)
    return share


def crease(canvas: Canvas, bared: Field, rng: np.random.Generator) -> tuple[Field, Field]:
    """A corner that was folded over once: a broken light line; also the factor of its shadow."""
    corner = np.array([rng.choice([0.0, 1.0]) * canvas.width, rng.choice([0.0, 1.0]) * canvas.height])
    inwards = np.where(corner > 0, -1.0, 1.0)
    reach = rng.uniform(5, 13, 2) * GRID_PX_PER_MM
    ends = corner + np.diag(inwards * reach)
    line = canvas.blank()
    points = ends[0] + np.linspace(0, 1, 9)[:, None] * (ends[1] - ends[0]) + rng.normal(0, 0.8, (9, 2))
    _draw(line, points, 1.0, 2)
    broken = np.clip(0.6 + 0.4 * clouds(canvas.height, canvas.width, rng, 40, 2), 0, 1)
    line = np.asarray(cv2.GaussianBlur(line, (0, 0), 0.8) * broken, np.float32)
    shadow = cv2.GaussianBlur(np.roll(line, (3, 3), (0, 1)), (0, 0), 2.0)
    factor = np.repeat(1 - 0.3 * np.asarray(shadow, np.float32)[..., None], 3, axis=2)
    return np.asarray(np.maximum(bared, 0.8 * line), np.float32), np.asarray(factor, np.float32)


def pencil(canvas: Canvas, rng: np.random.Generator) -> Field:
    """A dealer's figure or tick, small and grey, near one edge."""
    strokes = canvas.blank()
    x = float(rng.uniform(0.08, 0.85)) * canvas.width
    y = canvas.height * (0.05 if rng.random() < 0.7 else 0.90)
    size = float(rng.uniform(1.6, 2.6)) * GRID_PX_PER_MM
    for stroke in range(int(rng.integers(1, 4))):
        turns = np.linspace(0, float(rng.uniform(1.5, 5.5)), 14) + float(rng.uniform(0, 6))
        curve = np.stack([np.cos(turns), np.sin(turns)], axis=1) * size * np.array([0.35, 0.5])
        curve += np.linspace(0, 1, 14)[:, None] * rng.normal(0, 0.4, 2) * size
        _draw(strokes, curve + np.array([x + stroke * size * 0.8, y]), float(rng.uniform(0.5, 0.9)), 1)
    strokes = np.asarray(cv2.GaussianBlur(strokes, (0, 0), 0.7), np.float32)
    return np.repeat(1 - 0.6 * strokes[..., None], 3, axis=2)


def worn_corners(canvas: Canvas, amount: float, rng: np.random.Generator) -> tuple[Field, Field]:
    """Rounded, fluffed corners: (h, w) cover of the card, and the share of bare board around them."""
    cover, bared = canvas.blank() + 1, canvas.blank()
    side = min(round(5 * GRID_PX_PER_MM), canvas.height, canvas.width)
    y, x = np.mgrid[0:side, 0:side].astype(np.float32) + 0.5
    for flip_y in (1, -1):
        for flip_x in (1, -1):
            radius = max(1.0, float(rng.uniform(0.15, 2.2)) * amount * GRID_PX_PER_MM)
            # Frayed only where it is rounded: elsewhere the card must stay whole.
            frayed = amount * np.exp(-(x + y) / (2 * radius))
            ragged = np.clip(clouds(side, side, rng, 7, 2), -2, 2) * frayed
            outwards = np.hypot(np.clip(radius - x, 0, None), np.clip(radius - y, 0, None))
            inside = radius - outwards + ragged
            part = np.s_[:side, :side]
            cover[::flip_y, ::flip_x][part] = np.clip(inside + 0.5, 0, 1)
            to_corner = np.clip(x + y - radius, 0, None) / (0.7 * GRID_PX_PER_MM)
            bared[::flip_y, ::flip_x][part] = 0.55 * amount * np.exp(-to_corner)
    return cover, bared


def _draw(field: Field, points: Any, value: float, thickness: int) -> None:
    """An antialiased polyline, in place; `points` (n, 2) in grid pixels."""
    layer = np.zeros(field.shape, np.uint8)
    cv2.polylines(layer, [np.rint(points * 16).astype(np.int32)], False, 255, thickness, cv2.LINE_AA, 4)
    np.maximum(field, layer.astype(np.float32) * np.float32(value / 255), out=field)
