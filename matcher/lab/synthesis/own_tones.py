"""Flat patches in the print's own tones: labels that have yellowed with it, lost and scraped skin, repairs, torn sides.

What is white on grey tells itself. What is as grey as its surroundings, or as something else that the picture shows, is
told by its outline alone, and looks as if the picture had moved there. So outline, tone, grain, rim and edge of these
are drawn apart from each other, and nothing but that they are flat is common to them.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from matcher.lab.synthesis.prints import Field, smooth_field
from matcher.lab.synthesis.strokes import Worn, blob, canvas_of, laid_over, patch, scribble, spot_in

Outline = Callable[[tuple[int, ...], np.random.Generator, float], Field]
"""(shape, rng, radius) -> (h, w) 0..1, where the patch lies; the radius is half of what it measures across."""

SMALLEST, LARGEST = 5.0, 125.0
"""Radius, pixels: patches of 1 to 25 mm; small ones are as many as large ones on a logarithmic scale."""


def own_tones(picture: Field, rng: np.random.Generator, strength: float) -> Worn:
    """One to four patches as grey as the print."""
    gone = np.zeros_like(picture)
    for _ in range(int(rng.integers(1, 3 + round(2 * strength)))):
        outline = OUTLINES[int(rng.integers(len(OUTLINES)))]
        mask = outline(picture.shape, rng, float(np.exp(rng.uniform(np.log(SMALLEST), np.log(LARGEST)))))
        mask = _edged(mask, rng)
        shaded = np.clip(picture + _rim(mask, rng), 0, 1).astype(np.float32)
        picture, share = laid_over(shaded, mask * np.float32(_opacity(rng)), _surface(picture, mask, rng))
        gone = np.maximum(gone, share)
    return picture, gone


def few_sides(shape: tuple[int, ...], rng: np.random.Generator, radius: float) -> Field:
    """A chip, a label cut by hand, a disc."""
    return patch(shape, spot_in(shape, rng), radius, rng, 0.4)


def ragged(shape: tuple[int, ...], rng: np.random.Generator, radius: float) -> Field:
    """A loss or a scrape: smooth or torn all round."""
    return blob(shape, spot_in(shape, rng), radius, rng, float(rng.uniform(0.1, 0.9)))


def rounded(shape: tuple[int, ...], rng: np.random.Generator, radius: float) -> Field:
    """A label with round corners, from an oval to nearly a rectangle: a superellipse (Lame's curve)."""
    canvas, field = canvas_of(shape, 0.4)
    turns = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    ends = np.column_stack([np.cos(turns), np.sin(turns)])
    corners = np.sign(ends) * np.abs(ends) ** float(rng.uniform(0.15, 1.2)) * [1.0, rng.uniform(0.3, 1.0)]
    turn = float(rng.normal(0, 0.3))
    turned = corners @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    cv2.fillPoly(canvas, [np.rint((spot_in(shape, rng) + radius * turned) * 8).astype(np.int32)], 255, cv2.LINE_AA, 3)
    return field()


def strip(shape: tuple[int, ...], rng: np.random.Generator, radius: float) -> Field:
    """A strip of paper across the card, or a part of it."""
    canvas, field = canvas_of(shape, 0.4)
    x, y = spot_in(shape, rng)
    long = float(rng.choice([rng.uniform(2, 6) * radius, 2.0 * max(shape)]))
    turn = float(rng.choice([0, 90]) + rng.normal(0, 15))
    box = cv2.boxPoints(((float(x), float(y)), (long, min(radius, 45.0)), turn))
    cv2.fillPoly(canvas, [np.rint(box * 8).astype(np.int32)], 255, cv2.LINE_AA, 3)
    return field()


def corner(shape: tuple[int, ...], rng: np.random.Generator, radius: float) -> Field:
    """A corner or a piece of a side is gone, cut straight or torn."""
    height, width = shape[:2]
    at = [(0.0, 0.0), (width, 0.0), (0.0, height), (width, height)][int(rng.integers(4))]
    slid = np.array(at) + (rng.uniform(0, 0.6) * np.array([width, height]) * (1 - 2 * (np.array(at) > 0)))
    place = np.where(rng.random(2) < 0.5, np.array(at), slid)
    if rng.random() < 0.5:
        return patch(shape, place, radius, rng, 0.4)
    return blob(shape, place, radius, rng, float(rng.uniform(0.2, 0.9)))


OUTLINES: tuple[Outline, ...] = (few_sides, few_sides, ragged, ragged, rounded, rounded, strip, corner)


def _edged(mask: Field, rng: np.random.Generator) -> Field:
    """Its edge as sharp as it was drawn, or soft; half peeled off at times."""
    if rng.random() < 0.5:
        soft = float(np.exp(rng.uniform(np.log(0.6), np.log(4))))
        mask = np.asarray(cv2.GaussianBlur(mask, (0, 0), soft), np.float32)
    if rng.random() < 0.2:
        kept = 3 * smooth_field(mask.shape, rng, int(rng.integers(10, 70))) + rng.uniform(0, 2)
        mask = np.asarray(mask * np.clip(kept, 0, 1), np.float32)
    return mask


def _rim(mask: Field, rng: np.random.Generator) -> Field:
    """What its edge adds to the picture round it: nothing, a shadow on one side, a dark or a light line."""
    kind = rng.random()
    if kind < 0.4:
        return np.zeros_like(mask)
    wide = float(rng.uniform(0.8, 3.5))
    off = rng.integers(-4, 5, 2) if kind < 0.7 else (0, 0)
    near = cv2.GaussianBlur(np.roll(mask, tuple(int(step) for step in off), (0, 1)), (0, 0), wide)
    depth = -rng.uniform(0.05, 0.4) if kind < 0.7 else rng.uniform(-0.4, 0.4)
    return np.asarray(depth * near * (1 - mask), np.float32)


def _opacity(rng: np.random.Generator) -> float:
    return 1.0 if rng.random() < 0.8 else float(rng.uniform(0.6, 1))


def _surface(picture: Field, mask: Field, rng: np.random.Generator) -> Field:
    """What the patch shows: flat, or nearly: a slope, the grain of paper, some letters."""
    tone = np.full(picture.shape, _tone(picture, mask, rng), np.float32)
    if rng.random() < 0.6:
        tone += np.float32(rng.uniform(0, 0.08)) * smooth_field(picture.shape, rng, int(rng.integers(3, 20)))
    if rng.random() < 0.6:
        grain = rng.normal(0, 1, picture.shape).astype(np.float32)
        tone += np.float32(rng.uniform(0.004, 0.03)) * cv2.GaussianBlur(grain, (0, 0), float(rng.uniform(0.6, 2)))
    if rng.random() < 0.25:
        rows, columns = np.nonzero(mask > 0.5)
        if len(rows):
            reach = max(4.0, 0.7 * float(np.ptp(columns)) / 2)
            middle = np.array([columns.mean(), rows.mean()])
            written = scribble(picture.shape, rng, middle, reach, int(rng.integers(1, 4)))
            tone += np.float32(rng.choice([-1, -1, 1]) * rng.uniform(0.1, 0.5)) * written
    return np.clip(tone, 0, 1).astype(np.float32)


def _tone(picture: Field, mask: Field, rng: np.random.Generator) -> float:
    """As grey as what it covers, as something else that is shown, as the lightest or darkest there is, or anything."""
    kind, weight = rng.random(), float(mask.sum())
    if kind < 0.4 and weight > 0:
        return float(np.clip((picture * mask).sum() / weight + rng.normal(0, 0.1), 0, 1))
    if kind < 0.7:
        return float(rng.choice(picture[::16, ::16].ravel()))
    if kind < 0.85:
        return float(np.percentile(picture[::8, ::8], rng.choice([1, 99])))
    return float(rng.uniform(0, 1))
