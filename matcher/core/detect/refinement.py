"""Where exactly a card's sides run: the photo at full resolution, straight lines, corners to a fraction of a pixel.

Each side is a straight line chosen among all lines near the proposed one by how consistently colour steps across
it along the whole side, so that a thumb, glare, a worn corner or a shadow on a part of it does not move it. Where
two such lines run beside each other (the mount's edge and the print on it) the outer one is taken, as long as
what lies between the two is the card and not the table (`core.detect.side_strips`).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.geometry import Array, height, intersect, lines_through
from matcher.core.detect.sampling import across_sides, outward, side_points
from matcher.core.detect.scoring import LEVELS
from matcher.core.detect.settings import Reach, RefinementSettings
from matcher.core.detect.side_strips import (
    Indices,
    Sides,
    Values,
    is_card_between,
    is_table_between,
    lengths,
    past_ends,
)


def refine(
    pixels: NDArray[np.uint8],
    quads: Array,
    height_mm: float,
    reach: Reach,
    settings: RefinementSettings = RefinementSettings(),
) -> Values:
    """(n, 4, 2) float32: quads, clockwise, in pixels of `pixels`, moved onto the card's outer edges within `reach`.

    pixels: (h, w, 3) uint8 in any colour space. height_mm: the card's, which gives the scale of each quad.
    A side that shows no edge, or lies on the picture's own border, stays where it is, and so does a quad of a few
    pixels. All sides of all quads go through each step together.
    """
    moved = np.array(quads, np.float32)
    if not len(moved):
        return moved
    scale = height(moved) / height_mm
    step = np.maximum(reach.step * scale, 0.5)
    half = np.maximum(1, np.rint(reach.smooth * scale / step)).astype(int)
    for count in np.unique(half):
        alike = np.nonzero(half == count)[0]
        sampling = _Sampling(scale[alike], step[alike], int(count), reach)
        moved[alike] = _refined(pixels, moved[alike], sampling, settings)
    return moved


@dataclass(frozen=True)
class _Sampling:
    """How n quads that are smoothed alike are sampled.

    scale: (n,) px per mm. step: (n,) px between samples across a side.
    half: samples averaged to either side of an edge.
    """

    scale: Array
    step: Array
    half: int
    reach: Reach


def _refined(pixels: NDArray[np.uint8], quads: Values, sampling: _Sampling, settings: RefinementSettings) -> Values:
    scale, step, half, reach = sampling.scale, sampling.step, sampling.half, sampling.reach
    inward, outwards = (np.rint(far * scale / step).astype(int) for far in (reach.inward, reach.outward))
    back = np.rint(max(reach.back, reach.inward) * scale / step).astype(int) if reach.outermost else inward
    first = int(back.max())
    if first + int(outwards.max()) < 2 * half:  # so small that its sides are thinner than what an edge is told from
        return quads
    offsets = np.arange(-first, int(outwards.max()) + 1) * step[:, None]
    positions = np.linspace(0.05, 0.95, reach.stations)
    colours = across_sides(pixels, quads, positions, offsets) * LEVELS
    points, normals = side_points(quads, positions), outward(quads)
    past = past_ends(pixels, quads, scale, offsets)
    room = _room(points, normals, offsets, (pixels.shape[1], pixels.shape[0]))
    sides = Sides(
        colours=colours.reshape(-1, *colours.shape[2:]),
        past=past.reshape(-1, *past.shape[2:]),
        low=np.repeat(first - inward + half, 4),
        lowest=np.repeat(first - back + half, 4),
        high=np.minimum(np.repeat(first + outwards + 1 - half, 4), room.ravel()),
        wide=np.repeat(settings.mount_mm * scale / step, 4) if reach.outermost else None,
        half=half,
        black=np.asarray(reach.black, np.float32) * LEVELS,
    )
    shift = np.nan_to_num(_fit(sides, settings) - first) * np.repeat(step, 4)[:, None]
    moved = points + shift.reshape(*points.shape[:3], 1) * normals[:, :, None]
    lines = lines_through(moved[:, :, 0], moved[:, :, -1])
    corners = intersect(np.roll(lines, 1, axis=1), lines)
    return _sane(corners, quads, scale * (max(reach.back, reach.inward) + reach.outward))


def _steps(colours: Values, half: int) -> Values:
    """(n, s, o, 3) change of colour across each offset: mean of `half` samples inside less as many outside, and
    its own; at either end the nearest.
    """
    running = np.cumsum(np.pad(colours, ((0, 0), (0, 0), (1, 0), (0, 0))), axis=2, dtype=np.float32)
    last = colours.shape[2] - half
    inner = running[:, :, half + 1 : last + 1] - running[:, :, : last - half]
    outer = running[:, :, 2 * half + 1 :] - running[:, :, half:last]
    steps = (inner - outer) / np.float32(half + 1)
    return np.pad(steps, ((0, 0), (0, 0), (half, half), (0, 0)), mode="edge")


def _room(points: Array, normals: Array, offsets: Array, size: tuple[int, int]) -> Indices:
    """(n, 4) number of offsets before a side would leave the picture of `size` (width, height)."""
    ends = points[:, :, (0, points.shape[2] // 4, points.shape[2] // 2, -points.shape[2] // 4, -1)]
    spot = ends[:, :, :, None] + offsets[:, None, None, :, None] * normals[:, :, None, None]
    outside = ((spot < 0.5) | (spot > np.array(size) - 0.5)).any(axis=-1)
    return np.asarray((outside.mean(axis=2) < 0.5).sum(axis=-1))


def _fit(sides: Sides, settings: RefinementSettings) -> Array:
    """(n, s) fractional index among the offsets of each side's straight line; nan where there is none."""
    steps = _steps(sides.colours, sides.half)
    strength, lean = _strengths(steps, sides, settings.tilts)
    chosen = _choose(strength, lean, steps, sides, settings)
    settled = _settle(steps, np.maximum(chosen, 0), sides.half)
    return np.where(chosen < 0, np.nan, settled)


def _strengths(steps: Values, sides: Sides, tilts: int) -> tuple[Values, Indices]:
    """Of the lines through every offset, the most consistent tilt's strength and number (n, o); -1 outside of range."""
    size = np.sqrt(np.einsum("nsoc,nsoc->nso", steps, steps))[..., None]
    # Saturating: a few strong stations (print, glare) must not outvote a long faint edge.
    steady = np.concatenate([steps, size], axis=-1) / (size + np.float32(6.0))
    running = np.cumsum(np.pad(steady, ((0, 0), (1, 0), (0, 0), (0, 0))), axis=1, dtype=np.float32)
    stations, count = steps.shape[1:3]
    strength = np.empty((tilts, len(steps), count), np.float32)
    leans = _leans(stations, count, tilts)
    far = int(leans.max())  # beyond either end the nearest offset stands for all
    running = np.pad(running, ((0, 0), (0, 0), (far, far), (0, 0)), mode="edge")
    for number, shifts in enumerate(leans):
        along = np.zeros((len(steps), count, 4), np.float32)
        turns = [0, *(np.nonzero(np.diff(shifts))[0] + 1), stations]
        for start, end in pairwise(turns):
            leaning = slice(far + shifts[start], far + shifts[start] + count)
            along += running[:, end, leaning] - running[:, start, leaning]
        along /= stations
        # On a printed page the step changes sign with every letter: an edge at every station counts too, if less.
        one_way = np.sqrt(np.einsum("noc,noc->no", along[..., :3], along[..., :3]))
        strength[number] = np.maximum(one_way, along[..., 3] - 0.35)
    at = np.arange(count)
    allowed = (at >= sides.lowest[:, None]) & (at < sides.high[:, None])
    return np.where(allowed, strength.max(axis=0), -1), strength.argmax(axis=0)


def _leans(stations: int, count: int, tilts: int) -> Indices:
    """(tilts, s) by how many offsets each tilt departs from its middle at each station."""
    most = 0.22 * min(count, 26)
    return np.rint(np.linspace(-0.5, 0.5, stations)[None] * np.linspace(-most, most, tilts)[:, None]).astype(int)


def _choose(
    strength: Values, lean: Indices, steps: Values, sides: Sides, settings: RefinementSettings
) -> NDArray[np.int_]:
    """(n, s) offset indices of each side's line, -1 where there is none: the outermost line that is nearly as strong
    as the best and has card, not table, inside of it."""
    stations, count = steps.shape[1:3]
    rows, leans = np.arange(len(strength)), _leans(stations, count, settings.tilts)

    def paths(of: Indices, at: Indices) -> Indices:
        return np.asarray(np.clip(at[:, None] + leans[lean[of, at]], 0, count - 1))

    best = np.where(np.arange(count) >= sides.low[:, None], strength, -1).argmax(axis=1)
    most = strength[rows, best]
    chosen = best.copy()
    if sides.wide is not None:
        outside = np.pad(strength, ((0, 0), (1, 1)), constant_values=-1)
        peak = (strength >= outside[:, :-2]) & (strength >= outside[:, 2:])
        of, at = np.nonzero(
            peak & (strength > (settings.rival * most)[:, None]) & (np.arange(count) < (best - sides.half)[:, None])
        )
        table = is_table_between(of, paths(of, at), paths(of, best[of]), steps, sides, settings.strips)
        np.minimum.at(best, of[table], at[table])
        chosen = best.copy()
        peak &= (strength > np.maximum(0.12, 0.4 * most)[:, None]) & (np.arange(count) > (best + sides.half)[:, None])
        of, at = np.nonzero(peak)
        inner, outer = paths(of, best[of]), paths(of, at)
        card = is_card_between(of, inner, outer, steps, sides, settings.strips)
        np.maximum.at(chosen, of[card], at[card])
    lost = (most < 0.10) | (sides.high - sides.low < 3)
    return np.where(lost[:, None], -1, paths(rows, chosen))


def _settle(steps: Values, start: Indices, half: int) -> Array:
    """(n, s) sub-pixel position at every station near the chosen line, then a straight line robustly through them."""
    count = steps.shape[2]
    row, station = np.arange(len(steps))[:, None], np.arange(steps.shape[1])
    direction = steps[row, station, start].sum(axis=1)
    direction = direction / np.maximum(lengths(direction), 1e-6)[:, None]
    along = np.einsum("nsoc,nc->nso", steps, direction)
    window = np.clip(start[..., None] + np.arange(-2 * half, 2 * half + 1), 1, count - 2)
    nearest = np.take_along_axis(along, window, axis=2).argmax(axis=2)
    top = np.take_along_axis(window, nearest[..., None], axis=2)[..., 0]
    left, here, right = (along[row, station, top + way] for way in (-1, 0, 1))
    bend = left - 2 * here + right
    shift = np.where(bend < -1e-3, 0.5 * (left - right) / np.where(bend < -1e-3, bend, -1), 0)
    return _robust_lines(top + np.clip(shift, -1, 1), np.clip(here, 0, 30) + 1e-3)


def _robust_lines(value: Array, weight: Array) -> Array:
    """(n, s) straight lines through values, by reweighting: stations away from a line lose their say."""
    at = np.linspace(-0.5, 0.5, value.shape[1])
    doubt = np.ones_like(value)
    fitted = value
    for width in (4.0, 3.0, 2.0, 1.5, 1.5):
        fitted = _weighted_lines(at, value, (weight * doubt) ** 2)
        doubt = 1 / (1 + ((value - fitted) / width) ** 2)
    return fitted


def _weighted_lines(at: Array, value: Array, weight: Array) -> Array:
    weight = weight / weight.sum(axis=1, keepdims=True)
    level = (weight * value).sum(axis=1, keepdims=True)
    off = at - (weight @ at)[:, None]
    pull = (weight * off * (value - level)).sum(axis=1, keepdims=True)
    slope = pull / np.maximum((weight * off * off).sum(axis=1, keepdims=True), 1e-12)
    return np.asarray(level + slope * off)


def _sane(corners: Array, quads: Values, limit: Array) -> Values:
    """The refined corners, unless one has run away."""
    moved = np.abs(corners - quads).max(axis=(1, 2))
    good = np.isfinite(moved) & (moved < limit)
    return np.asarray(np.where(good[:, None, None], corners, quads), dtype=np.float32)
