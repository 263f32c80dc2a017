"""What lies upon a card or has soaked into it: labels, ink, tape, water, mould, stamps and print.

Each kind yields the layers that it lays, from below to above; `wear` lays them.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.random import Generator as Rng
from scipy.signal import lfilter

from matcher.lab.synthesis.forces.fields import (
    ALL,
    Layers,
    Loose,
    along_and_across,
    any_place,
    bare_paper,
    clipped,
    diffused,
    drawn_lines,
    mist,
    pixels_per_mm,
    pressed_outline,
    resized,
    shifted,
    size_between,
    window_around,
    windows,
)
from matcher.lab.synthesis.prints import Field


def labels(picture: Field, rng: Rng, strength: float) -> Layers:
    """Stuck-on paper and flat patches, white, tinted or in a tone the picture has, sharp or soft at the outline."""
    for box, dy, dx, size in windows(picture, rng, 1 + min(7, rng.poisson(3 * strength)), 0.5, 13):
        level = pressed_outline(dy, dx, size, rng)
        level += np.float32(rng.choice([0, 0.02, 0.15])) * mist(level.shape, size_between(rng, 0.1, 0.6) * size, rng)
        near = float(np.sort(picture[box], None)[level.size // 2])
        flat = float(rng.choice([rng.uniform(0.85, 1), rng.uniform(0.1, 0.9), *rng.choice(picture.ravel(), 2), near]))
        if rng.random() < 0.3:  # thick paper throws a shadow
            yield box, 0.25 * clipped((1.05 - shifted(level, 2, 2)) * size / 3), None
        soft = 1.0 if rng.random() < 0.6 else size_between(rng, 1, max(1.5, 0.6 * size))
        tone = bare_paper(level.shape, rng, flat, flat) if rng.random() < 0.4 else flat
        yield box, np.clip((1 - level) * size / soft + 0.5, 0, np.maximum(6 - 4 * level, 0)), tone
        if rng.random() < 0.2:  # a ruled border
            yield box, 0.4 * np.exp(-(((level - 0.85) * size / 2) ** 2)), None


def writing(picture: Field, rng: Rng, strength: float) -> Layers:
    """A pen as a weight on a spring: where it swings fast the line is thin; ink bleeds, pencil skips the hollows."""
    mm, shape, ink = pixels_per_mm(picture), picture.shape, np.zeros_like(picture)
    tall = size_between(rng, 1, 14) * mm
    start, lean, pen = any_place(shape, rng), rng.normal(0, 0.5), size_between(rng, 0.06, 0.3) * mm
    for row in range(1 + rng.poisson(2 * strength)):
        count = int(rng.integers(6, 12 + int(30 * strength)))
        aims = tall * (rng.normal(0, 0.45, (count, 2)) + np.outer(np.arange(count), (0, 0.35)))
        swing = lfilter([0.05], [1, -1.72, 0.77], np.repeat(aims, 9, 0), axis=0)
        path = np.stack(along_and_across(swing[:, 0], swing[:, 1], lean)[::-1], 1) + start + (1.8 * row * tall, 0)
        speed = np.linalg.norm(np.diff(swing, axis=0), axis=1)
        flow = np.round(2 / (0.4 + speed / (speed.mean() + 1e-6))).clip(1, 5)
        flow *= np.repeat(rng.random(count) > 0.15, 9)[1:]  # now and then the pen is lifted
        for n in np.unique(flow[flow > 0]):
            ink = np.maximum(ink, drawn_lines(shape, [path[k : k + 2] for k in np.flatnonzero(flow == n)], pen * n))
    bled = np.maximum(ink, diffused(ink, 0.3 * mm) * (1 + 0.6 * mist(shape, 0.3 * mm, rng)) * rng.uniform(0, 0.8))
    pencil = ink * clipped(0.6 + 0.5 * mist(shape, 0.2 * mm, rng)) * 0.5
    laid = pencil if rng.random() < 0.4 else bled * size_between(rng, 0.4, 1.8)
    yield ALL, laid, (None, None, None, 0.97, 0.03)[rng.integers(5)]


def tape(picture: Field, rng: Rng, strength: float) -> Layers:
    """Strips of clear or paper tape with toothed ends, and the brush-marked glue that fallen ones leave."""
    for box, dy, dx, size in windows(picture, rng, 1 + min(3, rng.poisson(1.5 * strength)), 2, 18):
        along, across = along_and_across(dy, dx, rng.integers(2) * np.pi / 2 + rng.normal(0, rng.choice([0.1, 0.7])))
        wide, teeth = size * rng.uniform(0.15, 0.6), np.abs((across / 8) % 2 - 1) * rng.choice([0, 4])
        inside = clipped(np.minimum(wide - np.abs(across), 1.4 * size - np.abs(along) - teeth) + 0.5)
        clouds, kind = mist(inside.shape, size_between(rng, 0.03, 0.4) * size, rng), rng.integers(3)
        edge = np.exp(-np.abs(wide - np.abs(across)) / 3) * rng.uniform(0, 0.3)
        brush = 0.5 + 0.25 * np.sin(across * rng.uniform(0.4, 1.2) + 2 * clouds) + 0.6 * clouds
        if kind == 0:
            yield box, inside * (rng.uniform(0.12, 0.5) + edge + 0.05 * clouds), None
        else:
            glue = diffused(inside, 3) * clipped(brush) * np.clip(3 - np.hypot(dx, dy) / (0.5 * size), 0, 1)
            yield box, inside if kind == 1 else glue, bare_paper(inside.shape, rng, 0.3)


def water(picture: Field, rng: Rng, strength: float) -> Layers:
    """Water wicks from a side or a drop through uneven paper until its front is pinned, and leaves dirt there."""
    mm, shape = pixels_per_mm(picture), picture.shape
    wet = np.zeros([max(24, int(n / mm)) for n in shape], np.float32)
    easy = np.exp(0.3 * mist(wet.shape, 6, rng) + 0.2 * mist(wet.shape, 1.5, rng))
    for _ in range(rng.integers(1, 4)):
        box, dy, dx = window_around(wet.shape, any_place(wet.shape, rng), 24)
        wet[box] = np.maximum(wet[box], pressed_outline(dy, dx, size_between(rng, 1, 15), rng) < 1)
    source, way = wet > 0, [int(n) for n in rng.choice([3, 5], 2)]
    for _ in range(rng.integers(1, 4)):
        for _ in range(int(4 + 30 * strength * rng.random())):
            spread = np.asarray(cv2.blur(wet, way))
            wet = np.where(source, 1, np.where(spread * easy > 0.17, np.maximum(wet, 0.97 * spread), wet)).astype("f4")
        front = resized(diffused(wet > 0.2, 1.2), shape) + 0.06 * mist(shape, 0.5 * mm, rng)
        tide = np.exp(-(((front - 0.5) / rng.uniform(0.08, 0.3)) ** 2)) * (1 + 0.4 * mist(shape, 5 * mm, rng))
        dirt = rng.uniform(0.1, 0.5) * tide + clipped(front * 2 - 0.5) * rng.uniform(0, 0.2)
        yield ALL, dirt * (0.6 + strength / 2), None


def mould(picture: Field, rng: Rng, strength: float) -> Layers:
    """Colonies grow towards what is not yet eaten and so branch; foxing starts at specks of iron and spreads."""
    mm, shape, iron, cells = pixels_per_mm(picture), picture.shape, np.zeros_like(picture), (110, 110)
    for box, dy, dx, size in windows(picture, rng, 1 + min(3, rng.poisson(strength)), 2, 18):
        food, grown = np.ones(cells, np.float32), np.zeros(cells, np.float32)
        grown[tuple(rng.integers(35, 75, (2, rng.integers(1, 9))))] = 1
        for _ in range(rng.integers(25, 55)):
            food = np.asarray(cv2.blur(food * (1 - 0.7 * grown), (5, 5)), np.float32)
            near = (np.asarray(cv2.blur(grown, (3, 3))) > 0) & (rng.random(cells, np.float32) < 0.8 * food * food)
            grown = np.maximum(grown, near)
        fade = clipped(3 * (1.5 - np.hypot(dx, dy) / size)) * rng.uniform(0.4, 0.9)
        yield box, clipped(1.3 * resized(diffused(grown, 0.7), fade.shape)) * fade, (None, 0.6, 0.9)[rng.integers(3)]
    for y, x in [any_place(shape, rng) for _ in range(int(3 + 60 * strength * rng.random()))]:
        cv2.circle(iron, (int(x), int(y)), max(1, round(size_between(rng, 0.08, 1.3) * mm)), rng.uniform(0.2, 1), -1)
    fox = (diffused(iron, 0.12 * mm) + 0.8 * diffused(iron, 0.7 * mm)) * clipped(0.8 + 0.4 * mist(shape, 0.6 * mm, rng))
    yield ALL, fox * rng.uniform(0.2, 0.9), None


def stamps(picture: Field, rng: Rng, strength: float) -> Layers:
    """A rubber stamp: rings or bars with letters, pressed harder on one side, its ink drawn into the fibres."""
    mm, shape, around = pixels_per_mm(picture), picture.shape, np.linspace(0, 2 * np.pi, 70)
    for _ in range(1 + min(2, rng.poisson(strength))):
        size, flat, blunt = size_between(rng, 2, 14) * mm, rng.uniform(0.5, 1), size_between(rng, 0.15, 1)
        ring = np.stack([np.sign(f) * np.abs(f) ** blunt for f in (flat * np.sin(around), np.cos(around))], 1)
        strokes = [ring, ring * rng.uniform(0.6, 0.92)] + [(s - (0.5, 1.6)) * (0.3, 0.35) for s in _letters(rng, 5)]
        for s in _letters(rng, int(rng.integers(0, 20))):
            rise, bow = 0.95 - 0.25 * s[:, 0], s[:, 1] * 0.35
            strokes.append(np.stack([-flat * rise * np.cos(bow), rise * np.sin(bow)], 1))
        (y, x), lean = any_place(shape, rng), rng.uniform(-0.7, 0.7)
        turned = [np.stack(along_and_across(s[:, 0], s[:, 1], lean)[::-1], 1) * size + (y, x) for s in strokes]
        mark = drawn_lines(shape, list(turned), max(0.7, size * rng.uniform(0.02, 0.09)))
        press = clipped(0.75 + 0.35 * mist(shape, 8 * mm, rng) + 0.25 * mist(shape, 0.3 * mm, rng))
        yield ALL, diffused(mark, 0.08 * mm) * press * rng.uniform(0.3, 1.4), None


def lettering(picture: Field, rng: Rng, strength: float) -> Layers:
    """Lines of invented letters printed over, bare or on a panel, in white, black or a metal's grey."""
    mm, shape, tone = pixels_per_mm(picture), picture.shape, float(rng.choice([0.02, 0.1, 0.6, 0.9, 1.0]))
    tall, count = size_between(rng, 1.2, 9) * mm, int(rng.integers(3, 8 + int(14 * strength)))
    lean = rng.choice([0, 0, 0.3])
    y, x = rng.random(2) * np.maximum(0, np.array(shape) - tall * np.array([3, 0.8 * count]))
    if rng.random() < 0.3:
        _, dy, dx = window_around(shape, (y + 1.2 * tall, x + 0.4 * tall * count), 9999)
        yield ALL, 1 + np.minimum(1.6 * tall - np.abs(dy), tall * (0.4 * count + 0.4) - np.abs(dx)), 1 - tone
    lines = [(row, s) for row in range(rng.integers(1, 3)) for s in _letters(rng, count)]
    paths = [np.stack([y + tall * (s[:, 0] + 1.5 * r), x + tall * (s[:, 1] - lean * s[:, 0])], 1) for r, s in lines]
    yield ALL, drawn_lines(shape, paths, max(0.7, tall * rng.uniform(0.04, 0.22))), tone


def _letters(rng: Rng, count: int) -> list[Loose]:
    """Strokes (y, x) of invented letters one high and 0.8 apart: a few pulls between the knots of a small lattice."""
    knots = [rng.permutation(12)[: rng.integers(3, 6)] for _ in range(count)]
    return [
        resized(np.stack([k // 3 / 3, k % 3 * 0.28 + 0.8 * n], 1).astype("f4"), (12, 2)) for n, k in enumerate(knots)
    ]
