"""Where exactly a card's sides run: the photo at full resolution, straight lines, corners to a fraction of a pixel.

Each side is a straight line chosen among all lines near the proposed one by how consistently colour steps across
it along the whole side, so that a thumb, glare, a worn corner or a shadow on a part of it does not move it. Where
two such lines run beside each other (the mount's edge and the print on it) the outer one is taken, as long as
what lies between the two is the card and not the table.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matcher.outlines.geometry import Array, height, intersect
from matcher.outlines.sampling import across_sides, outward, side_points
from matcher.outlines.scoring import LEVELS

LEAN = 11
"""Tilts tried for a side, each way and none."""


NARROW_MM = 1.6
"""A mount shows this much beside its print, seldom more; a sleeve usually leaves more."""


@dataclass(frozen=True)
class Reach:
    """How far to look, in mm at the card's scale."""

    inward: float
    outward: float
    step: float
    stations: int
    smooth: float
    outermost: bool = True
    """Whether, of two edges that run beside each other, the outer one may be taken; not where cards touch."""


WIDE = Reach(inward=1.6, outward=2.4, step=0.16, stations=36, smooth=0.22)
FINE = Reach(inward=0.9, outward=1.3, step=0.06, stations=72, smooth=0.16)
TOUCHING = Reach(inward=0.8, outward=0.8, step=0.06, stations=72, smooth=0.16, outermost=False)


def refine(pixels: NDArray[np.uint8], quad: Array, height_mm: float, reach: Reach) -> NDArray[np.float32]:
    """The quad (4, 2), clockwise, in pixels of `pixels`, moved onto the card's outer edges within `reach`.

    pixels: (h, w, 3) uint8 in any colour space. A side that shows no edge, or lies on the picture's own border,
    stays where it is.
    """
    scale = float(height(quad)) / height_mm
    step = max(reach.step * scale, 0.5)
    furthest = round((reach.outward) * scale / step)
    offsets = np.arange(-round(reach.inward * scale / step), furthest + 1) * step
    positions = np.linspace(0.05, 0.95, reach.stations)
    colours = across_sides(pixels, quad[None], positions, offsets)[0] * LEVELS
    half = max(1, round(reach.smooth * scale / step))
    lines = np.empty((4, 3))
    points, normals = side_points(quad[None], positions)[0], outward(quad[None])[0]
    for side in range(4):
        steps = _steps(colours[side], half)
        limit = _room(points[side], normals[side], offsets, pixels.shape)
        wide = NARROW_MM * scale / step if reach.outermost else None
        fitted = _fit_side(steps, colours[side], offsets, limit, half, wide)
        shift = np.zeros(len(positions)) if fitted is None else fitted
        lines[side] = _line(points[side] + shift[:, None] * normals[side])
    corners = np.stack([intersect(lines[i - 1], lines[i]) for i in range(4)])
    return _sane(corners, quad, scale * (reach.inward + reach.outward))


def _steps(colours: NDArray[np.float32], half: int) -> NDArray[np.float32]:
    """(s, o, 3) change of colour across each offset: mean of `half` samples inside less as many outside."""
    running = np.pad(np.cumsum(colours, axis=1), ((0, 0), (1, 0), (0, 0)))
    count = colours.shape[1]
    at = np.arange(count)
    before, after = np.maximum(at - half, 0), np.minimum(at + half + 1, count)
    inner = (running[:, at + 1] - running[:, before]) / (at + 1 - before)[:, None]
    outer = (running[:, after] - running[:, at]) / (after - at)[:, None]
    return np.asarray(inner - outer)


def _room(points: Array, normal: Array, offsets: Array, shape: tuple[int, ...]) -> int:
    """Number of offsets before the side would leave the picture."""
    spot = points[:, None] + offsets[:, None] * normal
    outside = (spot < 0.5).any(axis=-1) | (spot[..., 0] > shape[1] - 0.5) | (spot[..., 1] > shape[0] - 0.5)
    return int((outside.mean(axis=0) < 0.5).sum())


def _fit_side(
    steps: NDArray[np.float32], colours: NDArray[np.float32], offsets: Array, limit: int, half: int, wide: float | None
) -> Array | None:
    """(s,) offsets in pixels of the straight side, or None."""
    stations, count = steps.shape[:2]
    size = np.sqrt(np.einsum("soc,soc->so", steps, steps))[..., None]
    # Saturating: a few strong stations (print, glare) must not outvote a long faint edge.
    steady = np.concatenate([steps, size], axis=-1) / (size + 6.0)
    most = 0.22 * min(count, 26)
    lean = np.rint(np.linspace(-0.5, 0.5, stations)[None] * np.linspace(-most, most, LEAN)[:, None])
    centre = np.arange(half, min(count - half, limit))
    if len(centre) < 3:
        return None
    index = np.clip(centre[None, :, None] + lean[:, None, :].astype(int), 0, count - 1)
    along = steady.reshape(-1, 4)[index + np.arange(stations) * count].mean(axis=2)
    # On a printed page the step changes sign with every letter: an edge at every station counts too, if less.
    strength = np.maximum(np.linalg.norm(along[..., :3], axis=-1), along[..., 3] - 0.35)
    per_centre = strength.max(axis=0)
    leaning = strength.argmax(axis=0)
    chosen = _choose(per_centre, index[leaning, np.arange(len(centre))], steps, colours, half, wide)
    if chosen is None:
        return None
    start = index[leaning[chosen], chosen]
    return _settle(steps, start, offsets, half)


def _choose(
    strength: Array,
    paths: NDArray[np.intp],
    steps: NDArray[np.float32],
    colours: NDArray[np.float32],
    half: int,
    wide: float | None,
) -> int | None:
    """Index of the outermost line that is nearly as strong as the best and has card, not table, inside of it.

    strength: (k,) of the lines; paths: (k, s) their offset index at every station; wide: NARROW_MM in offsets, None
    where the best is taken.
    """
    best = int(strength.argmax())
    if strength[best] < 0.10:
        return None
    if wide is None:
        return best
    peak = np.ones(len(strength), bool)
    peak[1:] &= strength[1:] >= strength[:-1]
    peak[:-1] &= strength[:-1] >= strength[1:]
    for outer in np.nonzero(peak & (strength > max(0.12, 0.4 * strength[best])))[0][::-1]:
        if outer <= best + half:
            break
        narrow = float((paths[outer] - paths[best]).mean()) < wide
        if _is_card_between(paths[best], paths[outer], steps, colours, half, narrow):
            return int(outer)
    return best


def _is_card_between(
    inner: NDArray[np.intp],
    outer: NDArray[np.intp],
    steps: NDArray[np.float32],
    colours: NDArray[np.float32],
    half: int,
    narrow: bool,
) -> bool:
    """Whether the strip between two lines is plain card: even along the side, and unlike what lies beyond."""
    rows, last = np.arange(len(outer)), colours.shape[1] - 1
    centre = (inner + outer + 1) // 2
    middle = colours[rows, centre]
    before = colours[rows, np.maximum(outer - half, centre)]
    beyond = colours[rows, np.minimum(outer + 2 * half, last)]
    within = colours[rows, np.maximum(inner - 2 * half, 0)].mean(axis=0)
    apart = before - beyond
    step = float(np.linalg.norm(apart.mean(axis=0)))
    step = max(step, 0.5 * float(np.median(np.linalg.norm(apart, axis=1))))
    uneven = float(np.median(np.linalg.norm(middle - np.median(middle, axis=0), axis=1)))
    if not (_all_along(steps[rows, outer]) and step > 3 and step > 0.8 * uneven):
        return False
    # Darker than the card on one side and the table on the other is the card's own shadow.
    if before.mean(axis=0)[0] < min(within[0], beyond.mean(axis=0)[0]) - 2:
        return False
    if _is_drawn_line(colours, outer, half, before.mean(axis=0), beyond.mean(axis=0)):
        return False
    # A sleeve's clear margin is wider than a mount's and hardly differs from the table beyond.
    return narrow or step > 0.35 * float(np.linalg.norm(middle.mean(axis=0) - within))


def _all_along(at: NDArray[np.float32]) -> bool:
    """Lines of print and woven stripes step only here and there; a cut edge (s, 3) steps all along."""
    mean = at.mean(axis=0)
    along = at @ (mean / max(float(np.linalg.norm(mean)), 1e-6))
    one_way = float((along > max(0.8, 0.3 * float(along.mean()))).mean())
    either_way = float((np.linalg.norm(at, axis=1) > 5).mean())
    return max(one_way, either_way) > 0.8


def _is_drawn_line(
    colours: NDArray[np.float32], path: NDArray[np.intp], half: int, before: Array, beyond: Array
) -> bool:
    """Whether colours along a line leave the range between its two sides: the bright rim of a sleeve, a pen line."""
    rows, last = np.arange(len(path)), colours.shape[1] - 1
    step = beyond - before
    length = max(float(np.linalg.norm(step)), 1e-3)
    off = 0.0
    for shift in range(-half, half + 1):
        away = colours[rows, np.clip(path + shift, 0, last)].mean(axis=0) - before
        along = min(max(float(away @ step) / length, 0.0), length)
        off = max(off, float(np.linalg.norm(away - step / length * along)))
    return off > 0.7 * length + 2


def _settle(steps: NDArray[np.float32], start: NDArray[np.intp], offsets: Array, half: int) -> Array:
    """Sub-pixel position at every station near the chosen line, then a straight line robustly through them."""
    stations, count = steps.shape[:2]
    rows = np.arange(stations)
    direction = steps[rows, start].sum(axis=0)
    direction = direction / max(float(np.linalg.norm(direction)), 1e-6)
    along = steps @ direction
    window = np.clip(start[:, None] + np.arange(-2 * half, 2 * half + 1), 1, count - 2)
    local = along[rows[:, None], window]
    top = window[rows, local.argmax(axis=1)]
    left, here, right = along[rows, top - 1], along[rows, top], along[rows, top + 1]
    bend = left - 2 * here + right
    shift = np.where(bend < -1e-3, 0.5 * (left - right) / np.where(bend < -1e-3, bend, -1), 0)
    found = offsets[0] + (top + np.clip(shift, -1, 1)) * (offsets[1] - offsets[0])
    confidence = np.clip(here, 0, 30) + 1e-3
    return _robust_line(np.linspace(-0.5, 0.5, stations), found, confidence, offsets[1] - offsets[0])


def _robust_line(at: Array, value: Array, weight: Array, unit: float) -> Array:
    """Fitted values of a straight line, by reweighting: stations away from it lose their say."""
    doubt = np.ones_like(at)
    fitted = np.full_like(at, np.median(value))
    for width in (4.0, 3.0, 2.0, 1.5, 1.5):
        fitted = _weighted_line(at, value, (weight * doubt) ** 2)
        doubt = 1 / (1 + ((value - fitted) / (width * unit)) ** 2)
    return fitted


def _weighted_line(at: Array, value: Array, weight: Array) -> Array:
    total = weight.sum()
    middle, level = (weight @ at) / total, (weight @ value) / total
    off = at - middle
    slope = (weight * off) @ (value - level) / max(float((weight * off) @ off), 1e-12)
    return np.asarray(level + slope * off)


def _line(points: Array) -> Array:
    """(3,) unit normal and distance of the line through the first and last of collinear points."""
    edge = points[-1] - points[0]
    normal = np.array([-edge[1], edge[0]]) / max(float(np.linalg.norm(edge)), 1e-6)
    return np.array([normal[0], normal[1], float(normal @ points[0])])


def _sane(corners: Array, quad: Array, limit: float) -> NDArray[np.float32]:
    """The refined corners, unless one has run away."""
    moved = np.abs(corners - quad).max()
    return np.asarray(corners if np.isfinite(moved) and moved < limit else quad, dtype=np.float32)
