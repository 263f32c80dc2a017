"""Any photograph in, a negative out; a negative in, another exposure of it out, as if taken seconds later.

Of the other exposure a head, a hand or a face has changed and nothing else: such a pair is hard to tell apart.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.photo import read_photo

Picture = NDArray[np.uint8]
Field = NDArray[np.float32]


def negative_of(path: Path, width: int = 900) -> Picture:
    """(5/3 width, width) uint8 grey: the middle of the photograph, 3 to 5 upright."""
    grey = read_photo(path).grey
    taken = min(grey.shape[1], round(grey.shape[0] * 0.6))
    left = (grey.shape[1] - taken) // 2
    middle = grey[: round(taken / 0.6), left : left + taken]
    return np.asarray(cv2.resize(middle, (width, round(width / 0.6)), interpolation=cv2.INTER_CUBIC), np.uint8)


def grey_picture(path: Path, longest: int = 640) -> Picture:
    """(h, w) uint8 grey: the whole photograph, brought down to `longest` pixels a side where it is larger."""
    grey = read_photo(path).grey
    scale = longest / max(grey.shape)
    return (
        np.asarray(cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)
        if scale < 1
        else grey
    )


def another_exposure(negative: Picture, rng: np.random.Generator) -> Picture:
    """One to three spots of (h, w) uint8 changed, each as by a limb or as by an expression."""
    for _ in range(int(rng.integers(1, 4))):
        negative = moved_detail(negative, rng) if rng.random() < 0.5 else changed_expression(negative, rng)
    return negative


def moved_detail(negative: Picture, rng: np.random.Generator) -> Picture:
    """One textured part, about a head or a hand, turned and shifted."""
    width = negative.shape[1]
    radius = width * float(rng.uniform(0.07, 0.15))
    across, down = _from_a_busy_spot(negative, width / 36, width // 6, rng)
    share = np.exp(-(((across**2 + down**2) / radius**2) ** 2))
    angle = float(rng.choice([-1, 1]) * rng.uniform(0.12, 0.5))
    push = rng.uniform(0.12, 0.35) * radius * np.array([np.cos(angle * 9), np.sin(angle * 9)])
    moved_x = (np.cos(angle) - 1) * across - np.sin(angle) * down + push[0]
    moved_y = np.sin(angle) * across + (np.cos(angle) - 1) * down + push[1]
    return _moved(negative, share * moved_x, share * moved_y)


def changed_expression(negative: Picture, rng: np.random.Generator) -> Picture:
    """One small spot stretched and shifted; half of the time with a bar, as of a mouth or an eye, darker or lighter."""
    width = negative.shape[1]
    radius = width * float(rng.uniform(0.02, 0.07))
    tall = radius * float(rng.uniform(0.5, 1.5))
    across, down = _from_a_busy_spot(negative, width / 60, width // 8, rng)
    share = np.exp(-(((across / radius) ** 2 + (down / tall) ** 2) ** 1.5))
    angle = float(rng.uniform(-0.4, 0.4))
    stretch, push = rng.uniform(-0.35, 0.35, 2), rng.uniform(-0.45, 0.45, 2) * radius
    moved_x = stretch[0] * across - np.sin(angle) * down + push[0]
    moved_y = stretch[1] * down + np.sin(angle) * across + push[1]
    moved = _moved(negative, share * moved_x, share * moved_y)
    if rng.random() < 0.5:
        return moved
    cosine, sine = np.cos(angle), np.sin(angle)
    along, athwart = (across * cosine + down * sine) / (0.6 * radius), (down * cosine - across * sine) / (0.2 * radius)
    bar = np.exp(-(along**2 + athwart**2)) * float(rng.choice([-1, 1]) * rng.uniform(20, 70))
    return np.asarray(np.clip(moved + bar, 0, 255), np.uint8)


def _from_a_busy_spot(negative: Picture, scale: float, margin: int, rng: np.random.Generator) -> tuple[Field, Field]:
    """Distances of every pixel, across and down, from a spot drawn where the picture holds detail of this scale."""
    height, width = negative.shape
    slope = cv2.magnitude(cv2.Sobel(negative, cv2.CV_32F, 1, 0), cv2.Sobel(negative, cv2.CV_32F, 0, 1))
    busy = cv2.GaussianBlur(slope, (0, 0), scale)
    busy[:margin] = busy[-2 * margin :] = 0
    busy[:, :margin] = busy[:, -margin:] = 0
    spot = int(rng.choice(busy.size, p=busy.ravel().astype(np.float64) / busy.sum(dtype=np.float64)))
    y, x = divmod(spot, width)
    rows, columns = np.mgrid[0:height, 0:width].astype(np.float32)
    return columns - x, rows - y


def _moved(negative: Picture, by_x: NDArray[np.floating], by_y: NDArray[np.floating]) -> Picture:
    height, width = negative.shape
    rows, columns = np.mgrid[0:height, 0:width].astype(np.float32)
    map_x, map_y = (columns + by_x).astype(np.float32), (rows + by_y).astype(np.float32)
    return np.asarray(cv2.remap(negative, map_x, map_y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT), np.uint8)
