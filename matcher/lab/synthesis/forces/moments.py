"""A second exposure of the same sitter: parts carried by a velocity that dies away round them, or gone, or new.

What does not move stays exactly as it was, so that two exposures differ where the sitter did and nowhere else.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.random import Generator as Rng

from matcher.lab.synthesis.forces.fields import (
    Box,
    Loose,
    Place,
    clipped,
    diffused,
    mist,
    pixels_per_mm,
    pressed_outline,
    resized,
    size_between,
    window_around,
)
from matcher.lab.synthesis.prints import Field


def another_moment(view: Field, rng: Rng) -> Field:
    """A second exposure of the sitter: one to three parts are elsewhere, gone or new, the rest stays as it is."""
    now, mm = view.copy(), pixels_per_mm(view)
    for _ in range(rng.integers(1, 4)):
        for _ in range(3):  # until it shows
            reach = size_between(rng, 3, 30) * mm
            box, dy, dx = window_around(view.shape, _busy(view, rng), reach)
            if rng.random() < 0.25:
                size = min(reach, 9 * mm)
                new = _replaced(now, box, pressed_outline(dy, dx, 0.6 * size, rng), size, rng)
            else:
                shift = np.stack(np.broadcast_arrays(*_velocity(dy, dx, reach, diffused(now[box], 0.5 * mm), rng)))
                most = max(1e-6, float(np.sqrt((shift**2).sum(0)).max()))
                far = min(size_between(rng, 0.3, 3) * mm, 0.3 * reach)
                new = _carried(now, box, shift * np.float32(far / most), rng)
            if float(np.abs(new - now[box]).mean()) > 0.012:
                break
        now[box] = new
    return now


def _busy(view: Field, rng: Rng) -> Place:
    """A place away from the rim where the picture has detail."""
    small = resized(view, (48, 32), cv2.INTER_AREA)
    detail = diffused(np.abs(small - diffused(small, 2.5)), 1.2)[4:-4, 4:-4].astype(float) + 1e-6
    row, column = divmod(int(rng.choice(detail.size, p=(detail / detail.sum()).ravel())), 24)
    return (row + 4.5) / 48 * view.shape[0], (column + 4.5) / 32 * view.shape[1]


def _velocity(dy: Field, dx: Field, reach: float, tone: Field, rng: Rng) -> tuple[Loose, Loose]:
    """How a part moves: a head as a cylinder, a limb round a joint, lids and lips, waving cloth, a swaying body."""
    u, v = dx / np.float32(reach), dy / np.float32(reach)
    way, joint = rng.normal(0, 1, 2).astype("f4"), rng.uniform(-0.8, 0.8, 2).astype("f4")
    hold, flat = np.maximum(1 - u * u - v * v, 0) ** 2, np.maximum(1 - u * u - 5 * v * v, 0) ** 2
    likeness = tone - tone[tone.shape[0] // 2, tone.shape[1] // 2]
    body, wave = hold * (0.15 + np.exp(-((likeness / 0.18) ** 2))), hold * np.sin(5 * u * way[0] + 5 * v * way[1])
    kinds: list[tuple[Loose, Loose]] = [
        (0.3 * hold * u * way[0], hold * (np.sqrt(np.maximum(1 - u * u, 0)) - 0.3 + way[1] * v)),
        (body * (u - joint[1]), -body * (v - joint[0])),
        (body * way[0], body * way[1]),
        (flat * v, 0.1 * flat * u * way[1]),
        (wave * way[1], -wave * way[0]),
        (0.2 * hold * way[1], hold * (1.1 - v)),
    ]
    return kinds[rng.integers(len(kinds))]


def _carried(view: Field, box: Box, shift: Loose, rng: Rng) -> Field:
    """The window with each pixel fetched from where it stood; what was moving at the time is smeared."""
    grid = np.mgrid[box].astype("f4")
    times = np.linspace(rng.uniform(0.4, 0.8), 1, 3) if rng.random() < 0.2 else np.ones(1)
    maps = [(grid + shift * np.float32(f)).astype(np.float32) for f in times]
    seen = [cv2.remap(view, m[1], m[0], cv2.INTER_CUBIC, None, cv2.BORDER_REFLECT) for m in maps]
    return clipped(np.where((shift**2).sum(0) > 0.002, np.mean(seen, 0), view[box]))


def _replaced(view: Field, box: Box, level: Field, reach: float, rng: Rng) -> Field:
    """A thing gone, its ground continued from the rim by diffusion; or a thing laid there from elsewhere."""
    old, level = view[box], level + np.float32(rng.uniform(0, 0.2)) * mist(level.shape, 0.4 * reach, rng)
    share = clipped((1 - level) * reach / max(1.5, 0.1 * reach) + 0.5)
    keep, (rows, columns) = share <= 0, old.shape
    new: Loose = np.where(keep, old, diffused(old * keep, reach) / np.maximum(diffused(keep, reach), 1e-3))
    for spread in reach / np.array([2, 4, 8, 16]):
        new = np.where(keep, old, diffused(new, spread))
    new = new + 0.7 * np.roll(old - diffused(old, 2), columns // 3, 1)
    if rng.random() < 0.5:
        top, left = (
            int(np.clip(m - n / 2, 0, f - n)) for m, n, f in zip(_busy(view, rng), old.shape, view.shape, strict=True)
        )
        new = view[top : top + rows, left : left + columns][:, :: int(rng.choice([-1, 1]))]
    return np.where(keep, old, clipped(old + share * (new - old)))
