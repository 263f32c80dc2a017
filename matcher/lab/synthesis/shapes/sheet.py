"""What a card is drawn with: outlines, strokes and matter on a sheet that knows its millimetres.

Everything is an outline first, because its distance field gives rims, shadows and halos for nothing, and matter comes
from the picture itself, so that wear has the tones and the grit of what it lies on and is not told by them.
Points are (n, 2) of x and y in pixels, fields (h, w) float32.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw
from scipy.interpolate import CubicSpline
from scipy.spatial import ConvexHull

from matcher.lab.synthesis.prints import Field

Points = NDArray[np.float64]
Shape = tuple[int, ...]

CARD_MM = 36.5
"""Width of a card of 36.5 x 63.5 mm, however many pixels show it, so that wear keeps its proportion. `forces` reckons
by `CARD_SPAN`, 48.1, the side of a square as large as the same card."""


def turned(points: Points, angle: float) -> Points:
    """Points turned about the origin by radians, from x towards y."""
    c, s = np.cos(angle), np.sin(angle)
    return np.asarray(points @ np.array([[c, s], [-s, c]]), np.float64)


def filled(shape: Shape, outlines: Sequence[Points]) -> Field:
    """One inside closed outlines and nought outside, with smooth borders."""
    ground = np.zeros(shape, np.uint8)
    for points in outlines:
        cv2.fillPoly(ground, [np.round(points * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    return np.asarray(ground / np.float32(255), np.float32)


def inward(mask: Field) -> Field:
    """Distance from the outline in pixels: positive inside, negative outside."""
    inside = (mask > 0.5).astype(np.uint8)
    inner, outer = (cv2.distanceTransform(m, cv2.DIST_L2, 3) for m in (inside, 1 - inside))
    return np.asarray(np.clip(inner - outer, -1e4, 1e4), np.float32)


def blurred(field: Field, sigma: float) -> Field:
    """A Gaussian blur of so many pixels, of 0.3 at least."""
    return np.asarray(cv2.GaussianBlur(field, (0, 0), max(sigma, 0.3)), np.float32)


def sized(field: Field, shape: Shape) -> Field:
    """The field brought to another height and width."""
    return np.asarray(cv2.resize(field, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC), np.float32)


def aside(field: Field, right: int, down: int) -> Field:
    """The field so many pixels further; what comes in at the rim is like the rim."""
    move = np.array([[1, 0, right], [0, 1, down]], np.float32)
    return np.asarray(cv2.warpAffine(field, move, field.shape[::-1], borderMode=cv2.BORDER_REPLICATE), np.float32)


class Sheet:
    """A picture and a hand that draws: outlines, strokes and matter, measured in millimetres of the card.

    view: the picture, (h, w) 0..1; shape: its height and width; size: its width and height, as points have them.
    mm: pixels in a millimetre. between, chance: `rng.uniform` and `rng.random`.
    """

    def __init__(self, view: Field, rng: np.random.Generator) -> None:
        self.view, self.rng, self.shape = view, rng, view.shape
        self.mm, self.size = view.shape[1] / CARD_MM, np.array(view.shape[::-1], np.float64)
        self.between, self.chance = rng.uniform, rng.random

    def size_between(self, low: float, high: float) -> float:
        """Log-uniform: small as often as large. Where the two have met or crossed, hardly more than `low`."""
        return float(np.exp(self.between(np.log(low), np.log(max(high, low * 1.01)))))

    def superformula(self, corners: int = 48) -> Points:
        """A closed outline by Gielis's formula: rounds, stars, petals and polygons, of radius one at the farthest."""
        a, m, p = np.linspace(0, 2 * np.pi, corners + 1)[:-1], self.rng.integers(0, 9), self.between(0.6, 4, 2)
        r = (np.abs(np.cos(m * a / 4)) ** p[0] + np.abs(np.sin(m * a / 4)) ** p[1]) ** (-1 / self.between(0.7, 6))
        return np.asarray((r / r.max())[:, None] * np.column_stack([np.cos(a), np.sin(a)]))

    def outline(self) -> Points:
        """A closed outline about the origin, of radius about one: superformula, hull, spline, or box to ellipse."""
        a, kind = np.linspace(0, 2 * np.pi, 97)[:-1], self.rng.integers(4)
        circle, points = np.column_stack([np.cos(a), np.sin(a)]), self.superformula()
        if kind == 1:
            cloud = self.between(-1, 1, (self.rng.integers(4, 12), 2))
            points = cloud[ConvexHull(cloud).vertices]
        elif kind == 2:
            knots = self.between(0.3, 1, self.rng.integers(4, 14))
            turn = np.linspace(0, 2 * np.pi, len(knots) + 1)
            points = CubicSpline(turn, np.append(knots, knots[0]), bc_type="periodic")(a)[:, None] * circle
        elif kind == 3:
            points = np.sign(circle) * np.abs(circle) ** (2 / self.rng.choice([2.0, 4.0, 12.0, 90.0]))
        tilt = self.rng.choice([0.0, self.rng.normal(0, 0.1), self.between(0, 6.3)])
        return turned(points * np.exp(self.rng.normal(0, 0.35, 2)), tilt)

    def pen(self, start: Points, reach: float, bends: int, wild: float = 0.8) -> Points:
        """A run of cubic Bezier curves that join smoothly, as a nib goes."""
        heading = self.between(0, 6.3) + np.cumsum(self.rng.normal(0, wild, bends + 1))
        way = np.column_stack([np.cos(heading), np.sin(heading)]) * reach * self.between(0.4, 1.2, (bends + 1, 1))
        knots, t = start + np.vstack([[0, 0], np.cumsum(way, 0)])[:, None], np.linspace(0, 1, 14)[None, :, None]
        a, b, c = knots[:-1], knots[:-1] + way[:, None] * 0.4, knots[1:] - np.roll(way, -1, 0)[:, None] * 0.4
        curves = a * (1 - t) ** 3 + 3 * b * t * (1 - t) ** 2 + 3 * c * t**2 * (1 - t) + knots[1:] * t**3
        return np.asarray(curves.reshape(-1, 2), np.float64)

    def strokes(self, paths: Sequence[Points], width: float, press: float = 0.0) -> Field:
        """Paths drawn at twice the size and brought down; `press` is how unevenly the nib bears on them."""
        ground = Image.new("L", (self.shape[1] * 2, self.shape[0] * 2))
        draw, step = ImageDraw.Draw(ground), 5 if press else 999
        for path in paths:
            for i in range(0, len(path) - 1, step):
                nib = max(1, round(2 * width * np.exp(press * self.rng.normal())))
                draw.line([(x, y) for x, y in (path[i : i + step + 1] * 2).tolist()], 255, nib, "curve")
        return np.asarray(ground.reduce(2), np.float32) * np.float32(min(1, width * 2) / 255)

    def texture(self, low: float, high: float, shape: Shape | None = None) -> Field:
        """Noise of one band, of unit spread, with a grain between so many millimetres."""
        shape, cell = shape or self.shape, max(self.mm * self.size_between(low, high), 1)
        noise = self.rng.standard_normal([int(n / cell) + 2 for n in shape], dtype=np.float32)
        return sized(noise, shape) * np.float32(1.25)

    def own_noise(self) -> Field:
        """The picture's own fine noise with its blocks shuffled: the same grit, no likeness."""
        block = int(min(self.rng.integers(9, 40), *self.shape))
        h, w = (n // block for n in self.shape)
        fine = (self.view - blurred(self.view, 2))[: h * block, : w * block]
        tiles = fine.reshape(h, block, w, block).swapaxes(1, 2).reshape(-1, block, block)
        mixed = tiles[self.rng.permutation(len(tiles))].reshape(h, w, block, block).swapaxes(1, 2)
        room = [(0, self.shape[0] - h * block), (0, self.shape[1] - w * block)]
        return np.asarray(np.pad(mixed.reshape(h * block, -1), room, mode="symmetric").clip(-0.08, 0.08), np.float32)

    def elsewhere(self) -> Field:
        """The picture rolled, flipped and enlarged: what stands in a place now is from another."""
        (h, w), flip = self.shape, self.rng.choice([-1, 1], 2)
        by = int(self.between(h / 6, h)), int(self.between(w / 6, w))
        moved = np.roll(self.view, by, (0, 1))[:: flip[0], :: flip[1]]
        zoom = self.between(0.4, 1)
        return sized(np.ascontiguousarray(moved[: int(h * zoom) + 1, : int(w * zoom) + 1]), self.shape)

    def tone(self) -> float:
        """A grey that the picture has, exactly."""
        return float(self.rng.choice(self.view[self.rng.integers(self.shape[0])]))

    def matter(self, tone: float) -> Field:
        """Paper, board or dirt of about that grey."""
        kind = self.rng.integers(4)
        if kind == 0:
            return np.full(self.shape, tone, np.float32)
        if kind == 3:
            other = self.elsewhere()
            return np.asarray(tone + (other - other.mean()) * self.between(0.1, 0.5), np.float32)
        grit = self.own_noise() if kind == 1 else self.texture(0.1, 3) * np.float32(self.between(0.01, 0.05))
        return np.asarray(grit + np.float32(tone), np.float32)
