"""What the network that finds cards learns from: desks, as it is given them, with the truth of each cell.

Everything is numpy: `finder_network` makes tensors of it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.finder import CELL, LONG_SIDE
from matcher.core.detect.quad_search import overlap
from matcher.lab.synthesis.desks import Desk, DeskDrawer
from matcher.lab.synthesis.staging import Props

SMALLEST = 9.0
"""Shorter side of a card in pixels below which nobody would see that it is one."""

BAND = 5
"""Width of a border, pixels; of small cards 3."""


@dataclass(frozen=True)
class LearntDesk:
    """picture: (4, side, side) uint8: L, a, b and 255 within; truth: (2, cells, cells) uint8, inside and border; cards:
    (n, 4, 2) corners in pixels of the picture."""

    picture: NDArray[np.uint8]
    truth: NDArray[np.uint8]
    cards: NDArray[np.float64]


def learnt_desks(props: Props, rng: np.random.Generator) -> Iterator[LearntDesk]:
    """Endless ones."""
    drawer = DeskDrawer(props, rng, LONG_SIDE)
    while True:
        yield learnt(drawer.desk())


def learnt(desk: Desk) -> LearntDesk:
    """A desk in the upper left of a square, and the truth of its cells."""
    height, width = desk.pixels.shape[:2]
    lab = cv2.GaussianBlur(cv2.cvtColor(desk.pixels, cv2.COLOR_RGB2LAB), (0, 0), 0.5)
    picture = np.zeros((4, LONG_SIDE, LONG_SIDE), np.uint8)
    picture[:3, :height, :width] = lab.transpose(2, 0, 1)
    picture[3, :height, :width] = 255
    inside, border = (np.zeros((LONG_SIDE, LONG_SIDE), np.uint8) for _ in range(2))
    cards = [card for card in desk.cards if _short(card) >= SMALLEST]
    for card in cards:
        placed = np.rint((card - 0.5) * 16).astype(np.int32)
        cv2.fillConvexPoly(inside, placed, 255, cv2.LINE_AA, 4)
    for card in cards:
        placed = np.rint((card - 0.5) * 16).astype(np.int32)
        cv2.polylines(border, [placed], True, 255, BAND if _short(card) > 40 else 3, cv2.LINE_AA, 4)
    cells = (LONG_SIDE // CELL, LONG_SIDE // CELL)
    for one in (inside, border):
        one[height:], one[:, width:] = 0, 0
    truth = np.stack([cv2.resize(one, cells, interpolation=cv2.INTER_AREA) for one in (inside, border)])
    return LearntDesk(picture, np.asarray(truth, np.uint8), np.array(cards).reshape(-1, 4, 2))


def overlap_of(card: NDArray[np.float64], quad: NDArray[np.float32]) -> float:
    """Intersection over union with an outline in the same pixels, in any order of corners."""
    one, other = (np.asarray(cv2.convexHull(np.asarray(four, np.float32))[:, 0], np.float32) for four in (card, quad))
    return overlap(one, other)


def _short(card: NDArray[np.float64]) -> float:
    return float(np.linalg.norm(card - np.roll(card, 1, axis=0), axis=1).min())
