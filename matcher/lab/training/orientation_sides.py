"""Printed fronts and backs in, endless batches of what a camera and an outline a little off may make of them out.

Everything is numpy: `orientation_network` makes tensors of it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from itertools import count
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.orientation import SHAPE, prepared
from matcher.lab.synthesis.backs import KINDS
from matcher.lab.synthesis.lettering import FONTS
from matcher.lab.synthesis.negatives import negative_of
from matcher.lab.synthesis.sides import MARGIN, Levels, Side, aged, back, front, old_front
from matcher.lab.synthesis.type_cases import Typeface

BATCH = 64
KEPT, RENEWED = 160, 3
"""Sides that are at hand at once, and how many of them are drawn anew for each batch."""

BACKS = 0.2
PARTS = ("whole", "head", "foot")
BORDER = np.array([[0, 0], [SHAPE[1], 0], [SHAPE[1], SHAPE[0]], [0, SHAPE[0]]], np.float32)
DOWN, ACROSS = np.mgrid[-1 : 1 : SHAPE[0] * 1j, -1 : 1 : SHAPE[1] * 1j].astype(np.float32)


def new_sides(
    sources: Sequence[tuple[Path, int]], rng: np.random.Generator, types: Sequence[Typeface] = (), old: float = 0.0
) -> Iterator[Side]:
    """Endless: fronts of all photographs, so often each, and backs, every kind in turn.

    types: further faces and hands. old: share of fronts on which wear is drawn.
    """
    share = np.array([times for _, times in sources], np.float64)
    share /= share.sum()
    for number in count():
        if number % round(1 / BACKS) == 0:
            yield back(KINDS[number // round(1 / BACKS) % len(KINDS)], rng, FONTS)
            continue
        path, _ = sources[int(rng.choice(len(sources), p=share))]
        if old and rng.random() < old:
            yield old_front(_negative(path), rng, FONTS)
        else:
            yield front(_negative(path), rng, FONTS, types)


@lru_cache(maxsize=2000)
def _negative(path: Path) -> NDArray[np.uint8]:
    return negative_of(path, 420)


class Batch(NamedTuple):
    """As many cards, then the same upside down; upright, back, has_up: of the first half.

    parts: whole (2 n, 2, *WHOLE), head and foot (2 n, 2, STRIP, width), float32. has_up: whether up can be told.
    """

    parts: list[NDArray[np.float32]]
    upright: NDArray[np.float32]
    back: NDArray[np.float32]
    has_up: NDArray[np.float32]


def batches(sides: Iterator[Side], rng: np.random.Generator, kept: int = KEPT) -> Iterator[Batch]:
    """Endless batches of what is at hand, of which some is drawn anew each time, all of it varied."""
    drawn = [next(sides) for _ in range(kept)]
    while True:
        for one in rng.integers(0, len(drawn), RENEWED):
            drawn[int(one)] = next(sides)
        boards = [side for side in drawn if side.blank] or [Side(np.full_like(drawn[0].grey, 230), True, True)]
        yield _batch(drawn, boards, rng)


def _batch(drawn: Sequence[Side], boards: Sequence[Side], rng: np.random.Generator) -> Batch:
    sides = [drawn[int(n)] for n in rng.integers(0, len(drawn), BATCH)]
    beneath = [boards[int(n)] for n in rng.integers(0, len(boards), BATCH)]
    upright = rng.random(BATCH) < 0.5
    as_is = []
    for side, board, up in zip(sides, beneath, upright, strict=True):
        grey = seen_otherwise(aged(side, board, rng), rng)
        as_is.append(prepared(grey if up else np.ascontiguousarray(grey[::-1, ::-1])))
    shown = as_is + [one.turned() for one in as_is]
    parts = [np.stack([getattr(one, name) for one in shown]) for name in PARTS]
    flags = (upright, [side.back for side in sides], [not side.blank for side in sides])
    return Batch(parts, *(np.array(flag, np.float32) for flag in flags))


def seen_otherwise(grey: Levels, rng: np.random.Generator) -> NDArray[np.uint8]:
    """SHAPE: a card on its ground as an outline a little off and some camera might have given it."""
    off = rng.normal(0, float(rng.choice([1.3, 3.0])), (4, 2)).astype(np.float32)
    if rng.random() < 0.15:  # trimmed, or the outline missed the mount's edge or a strip
        inwards = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]], np.float32)
        off += rng.uniform(0, 16, (4, 2)).astype(np.float32) * inwards
    move = cv2.getPerspectiveTransform(BORDER + MARGIN + off, BORDER)
    grey = np.asarray(cv2.warpPerspective(grey, move, SHAPE[::-1], borderMode=cv2.BORDER_REPLICATE), np.float32)
    grey = _lit(grey, rng)
    # Taken at any resolution, from 2 to more pixels a mm than are asked for; noise belongs to the pixels taken.
    share = float(np.exp(rng.uniform(np.log(0.33), np.log(1.6))))
    if share < 1:
        taken = (round(SHAPE[1] * share), round(SHAPE[0] * share))
        grey = np.asarray(cv2.resize(grey, taken, interpolation=cv2.INTER_AREA), np.float32)
    grey = np.asarray(cv2.GaussianBlur(grey, (0, 0), float(rng.uniform(0.3, 1.5))), np.float32)
    grey = np.asarray(255 * (np.clip(grey, 1, 255) / 255) ** np.float32(np.exp(rng.normal(0, 0.25))), np.float32)
    grey = grey + rng.standard_normal(grey.shape, dtype=np.float32) * np.float32(rng.uniform(0.2, 3.5))
    seen = np.asarray(np.clip(grey, 0, 255), np.uint8)
    if rng.random() < 0.6:
        code = cv2.imencode(".jpg", seen, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 95))])[1]
        seen = np.asarray(cv2.imdecode(code, cv2.IMREAD_GRAYSCALE), np.uint8)
    return np.asarray(cv2.resize(seen, SHAPE[::-1], interpolation=cv2.INTER_LINEAR), np.uint8) if share < 1 else seen


def _lit(grey: Levels, rng: np.random.Generator) -> Levels:
    """A slope of light, a spot of glare, a finger over a corner."""
    if rng.random() < 0.6:
        turn, depth = float(rng.uniform(0, 2 * np.pi)), float(rng.uniform(0, 0.35))
        grey = grey * (1 + np.float32(depth) * (np.float32(np.cos(turn)) * ACROSS + np.float32(np.sin(turn)) * DOWN))
    if rng.random() < 0.15:
        x, y, size = rng.uniform(-1, 1), rng.uniform(-1, 1), rng.uniform(0.5, 3)
        spot = np.exp(-((ACROSS - x) ** 2 / 0.3 + (DOWN - y) ** 2 / 0.1) * size).astype(np.float32)
        grey = grey + (255 - grey) * np.float32(rng.uniform(0.3, 1.0)) * spot
    if rng.random() < 0.06:
        x, y = rng.choice([-1, 1], 2)
        finger = ((ACROSS - x) / rng.uniform(0.2, 0.7)) ** 2 + ((DOWN - y) / rng.uniform(0.15, 0.45)) ** 2 < 1
        grey = np.where(finger, np.float32(rng.uniform(60, 220)), grey).astype(np.float32)
    return np.asarray(grey, np.float32)
