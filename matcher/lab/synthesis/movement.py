"""Another exposure of one sitting: a view of the plate in, the view of a plate taken seconds later out.

People move: a head turns, a hand is put elsewhere, a lid falls, the whole figure sways, folds of cloth lie otherwise.
Edges continue elsewhere, and the backdrop shows where it was covered. Amplitudes are in pixels of a face, 10 a mm.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.lab.synthesis.prints import Field


def another_moment(view: Field, rng: np.random.Generator, amount: float = 1.0) -> Field:
    """(h, w) float32 0..1 in and out; one to four things have changed. `amount` scales how far they went."""
    changes = [turned_part, turned_part, small_feature, small_feature, swayed, refolded, put_elsewhere]
    moved = view
    for _ in range(int(rng.choice([1, 1, 2, 3, 4]))):
        moved = changes[int(rng.integers(len(changes)))](moved, rng, amount)
    return moved


def turned_part(view: Field, rng: np.random.Generator, amount: float) -> Field:
    """A head, an arm, a shoulder: shifted and turned as one, dragging what hangs on to it."""
    radius = float(np.exp(rng.uniform(np.log(18), np.log(110))))
    across, down = _from_a_busy_spot(view, rng, 0.2 * radius)
    squeeze, power = np.exp(rng.normal(0, 0.3)), rng.choice([1.0, 1.5, 3.0])
    share = np.exp(-((((across * squeeze) ** 2 + (down / squeeze) ** 2) / radius**2) ** power))
    far, way = amount * float(np.exp(rng.uniform(np.log(2.5), np.log(28)))), rng.uniform(0, 2 * np.pi)
    turn = float(rng.normal(0, 0.12)) * min(1.0, far / 8)
    return _shifted(view, share * (far * np.cos(way) - turn * down), share * (far * np.sin(way) + turn * across))


def small_feature(view: Field, rng: np.random.Generator, amount: float) -> Field:
    """An eye, a mouth, a finger: a spot of a few millimetres stretched, shifted, sometimes opened or closed."""
    radius = float(rng.uniform(4, 22))
    across, down = _from_a_busy_spot(view, rng, 4)
    tall = radius * float(rng.uniform(0.5, 1.5))
    share = np.exp(-(((across / radius) ** 2 + (down / tall) ** 2) ** 1.5))
    stretch, push = rng.uniform(-0.45, 0.45, 2), rng.normal(0, 0.35, 2) * radius * amount
    moved = _shifted(view, share * (stretch[0] * across + push[0]), share * (stretch[1] * down + push[1]))
    if rng.random() < 0.4:
        lean = rng.uniform(-0.4, 0.4)
        along, athwart = across * np.cos(lean) + down * np.sin(lean), down * np.cos(lean) - across * np.sin(lean)
        bar = np.exp(-((along / (0.7 * radius)) ** 2 + (athwart / (0.22 * radius)) ** 2))
        moved = moved + (bar * rng.choice([-1, 1]) * rng.uniform(0.1, 0.35)).astype(np.float32)
    return np.clip(moved, 0, 1).astype(np.float32)


def swayed(view: Field, rng: np.random.Generator, amount: float) -> Field:
    """The whole sitter leans or sways before a backdrop that stays: large, and small in amplitude."""
    height, width = view.shape
    rows, columns = np.mgrid[0:height, 0:width].astype(np.float32)
    middle, half = width * rng.uniform(0.35, 0.65), width * rng.uniform(0.2, 0.35)
    share = 1 / (1 + np.exp((np.abs(columns - middle) - half) / rng.uniform(3, 15)))
    share = share / (1 + np.exp((height * rng.uniform(0.05, 0.3) - rows) / 12))
    lean = np.clip((height - rows) / height, 0, 1) ** rng.uniform(0, 1.5)
    far, way = amount * float(rng.uniform(2.5, 12)), rng.uniform(0, 2 * np.pi)
    return _shifted(view, share * lean * far * np.cos(way), share * lean * far * np.sin(way) * 0.6)


def refolded(view: Field, rng: np.random.Generator, amount: float) -> Field:
    """Cloth or hair lies otherwise within one part: many small displacements."""
    radius = float(rng.uniform(25, 90))
    across, down = _from_a_busy_spot(view, rng, 8)
    share = np.exp(-(((across**2 + down**2) / radius**2) ** 2))
    height, width = view.shape
    cells = max(3, round(height / rng.uniform(15, 50)))
    field = rng.normal(0, 1, (2, cells, max(3, round(cells * width / height)))).astype(np.float32)
    by = [cv2.resize(one, (width, height), interpolation=cv2.INTER_CUBIC) for one in field]
    far = amount * float(rng.uniform(2, 7))
    return _shifted(view, share * far * by[0], share * far * by[1])


def put_elsewhere(view: Field, rng: np.random.Generator, amount: float) -> Field:
    """A hand or a thing is gone from one place, and another shows where nothing was: a part of the picture copied."""
    radius = float(rng.uniform(8, 40))
    across, down = _from_a_busy_spot(view, rng, 0.3 * radius)
    to = rng.uniform(-1, 1, 2) * np.array([120, 160])
    # Soft, so that only what the part shows has an outline: a sharp rim of its own is what paper laid over a card has.
    rim = radius * float(rng.uniform(0.15, 0.4))
    share = 1 / (1 + np.exp(np.clip((np.hypot(across * np.exp(rng.normal(0, 0.3)), down) - radius) / rim, -30, 30)))
    other = _shifted(view, np.full_like(across, to[0]), np.full_like(across, to[1]))
    return np.asarray(view + share.astype(np.float32) * (other - view), np.float32)


def _from_a_busy_spot(view: Field, rng: np.random.Generator, scale: float) -> tuple[Field, Field]:
    """Distances of every pixel, across and down, from a spot drawn where the picture holds detail of this scale."""
    height, width = view.shape
    small = cv2.resize(view, (width // 4, height // 4), interpolation=cv2.INTER_AREA)
    slope = cv2.magnitude(cv2.Sobel(small, cv2.CV_32F, 1, 0), cv2.Sobel(small, cv2.CV_32F, 0, 1))
    busy = cv2.GaussianBlur(slope, (0, 0), max(scale / 4, 1.0)).astype(np.float64)
    busy[:6] = busy[-6:] = 0
    busy[:, :6] = busy[:, -6:] = 0
    total = busy.sum()
    spot = int(rng.choice(busy.size, p=busy.ravel() / total)) if total > 0 else busy.size // 2
    y, x = divmod(spot, busy.shape[1])
    rows, columns = np.mgrid[0:height, 0:width].astype(np.float32)
    return columns - 4 * x, rows - 4 * y


def _shifted(view: Field, by_x: NDArray[np.floating], by_y: NDArray[np.floating]) -> Field:
    height, width = view.shape
    rows, columns = np.mgrid[0:height, 0:width].astype(np.float32)
    map_x, map_y = (columns + by_x).astype(np.float32), (rows + by_y).astype(np.float32)
    return np.asarray(cv2.remap(view, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT), np.float32)
