"""A side moved from the far rim of the card's own shadow to where the card ends.

A scanner's lamp throws a soft shadow beside a card, and so does a low lamp on a light, even ground. Where the card is
nearly as dark as its shadow, the strongest step across a side is the shadow's own slope, up to half a millimetre too
far out. But a shadow goes over into its ground smoothly, and begins at the card with a break: beside each stretch of a
side two smooth pieces are fitted to the tones, and of the places from which a shadow goes over into its ground that one
is the card's end that leaves the least unexplained (two regimes and one switch: Quandt 1958, from memory). A side stays
where it is unless most of its stretches say the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.geometry import Array, height, intersect, lines_through
from matcher.core.detect.sampling import across_sides, outward, side_points
from matcher.core.detect.settings import ShadowSettings

Values = NDArray[np.float32]


def out_of_shadow(
    pixels: NDArray[np.uint8], quads: Array, height_mm: float, settings: ShadowSettings = ShadowSettings()
) -> Values:
    """(n, 4, 2) float32: quads, clockwise, in pixels of `pixels`, their sides moved to where the cards end.

    pixels: (h, w, 3) uint8, RGB. height_mm: the card's, which gives the scale of each quad. A side beside which no soft
    shadow lies stays where it is, and so does a quad of a few pixels. Raises nothing of its own.
    """
    quads = np.array(quads, np.float32)
    scale = height(quads) / height_mm
    large = np.nonzero(scale >= settings.least_px_per_mm)[0]
    if len(large):
        quads[large] = _moved(pixels, quads[large], scale[large], settings)
    return quads


def _moved(pixels: NDArray[np.uint8], quads: Values, scale: Array, settings: ShadowSettings) -> Values:
    split = _split(settings)
    seen = _stretches(pixels, quads, scale, split, settings)
    breaks = _breaks(seen.tones, split, settings)
    in_focus = breaks.darker | _on_lid(seen, settings)[:, None, None]
    at_ends = _straight(breaks.at_mm, breaks.told & in_focus & (seen.scatter < settings.even), settings)
    if not at_ends.any():
        return quads
    shift = at_ends * scale[:, None, None]
    ends = side_points(quads, np.array([0.0, 1.0])) + shift[..., None] * outward(quads)[:, :, None]
    lines = lines_through(ends[:, :, 0], ends[:, :, 1])
    corners = intersect(np.roll(lines, 1, axis=1), lines)
    good = np.isfinite(corners).all(axis=(1, 2), keepdims=True)
    return np.asarray(np.where(good, corners, quads), np.float32)


@dataclass(frozen=True)
class _Split:
    """All ways to split the tones across a side in two pieces.

    offsets:  (o,) mm across a side, outwards positive.
    places:   (k,) which of them may be the break. staying: which of the places is the side as it lies.
    inner, outer: for each place what is left of the tones inside and outside of it after a straight line, and after
              a parabola, is taken out: (i, i) and (o - i - 1, o - i - 1).
    """

    offsets: Array
    places: NDArray[np.intp]
    staying: int
    inner: tuple[Array, ...]
    outer: tuple[Array, ...]


@lru_cache(maxsize=4)
def _split(settings: ShadowSettings) -> _Split:
    count = round(2 * settings.across_mm / settings.step_mm)
    offsets = np.linspace(-settings.across_mm, settings.across_mm, count + 1)
    allowed = (offsets >= -settings.inward_mm) & (offsets <= settings.outward_mm)
    places = np.nonzero(allowed)[0]
    inner = tuple(_left_over(offsets[:place], 1) for place in places)
    outer = tuple(_left_over(offsets[place + 1 :], 2) for place in places)
    return _Split(offsets, places, int(np.abs(offsets[places]).argmin()), inner, outer)


def _left_over(at: Array, degree: int) -> Array:
    """(n, n) projection that takes a polynomial out of values at (n,) places."""
    basis, _ = np.linalg.qr(np.vander(at, degree + 1))
    return np.asarray(np.eye(len(at)) - basis @ basis.T)


@dataclass(frozen=True)
class _Stretches:
    """What is seen across p stretches of each side of n quads, at o offsets.

    tones:   (n, 4, p, o) mean grey. ground, scatter: (n, 4, p) of the outermost samples.
    """

    tones: Array
    ground: Array
    scatter: Array


def _stretches(
    pixels: NDArray[np.uint8], quads: Values, scale: Array, split: _Split, settings: ShadowSettings
) -> _Stretches:
    along = np.linspace(settings.past_corner, 1 - settings.past_corner, settings.stretches * settings.samples)
    grey = across_sides(pixels, quads, along, split.offsets * scale[:, None]).mean(axis=-1)
    parts = grey.reshape(len(quads), 4, settings.stretches, settings.samples, -1)
    ground = parts[..., -settings.ground_samples :]
    return _Stretches(parts.mean(axis=3), ground.mean(axis=(3, 4)), ground.std(axis=(3, 4)))


def _on_lid(seen: _Stretches, settings: ShadowSettings) -> NDArray[np.bool_]:
    """(n,) whether the ground is even, and of one tone on all four sides, as a scanner's lid is."""
    sides = np.median(seen.ground, axis=2)
    even = np.median(seen.scatter, axis=2).max(axis=1) < settings.even
    alike = np.where(sides.min(axis=1) < settings.white, settings.lid_alike, settings.white_alike)
    return np.asarray(even & (np.ptp(sides, axis=1) < alike))


@dataclass(frozen=True)
class _Breaks:
    """Of each stretch: where the tones break, mm outwards from the side; whether they go over into the ground from
    there as a shadow's do; and whether the card is lighter than what begins there."""

    at_mm: Array
    told: NDArray[np.bool_]
    darker: NDArray[np.bool_]


def _breaks(tones: Array, split: _Split, settings: ShadowSettings) -> _Breaks:
    """tones: (..., o)."""
    shape, tones = tones.shape[:-1], tones.reshape(-1, tones.shape[-1])
    inside = [tones[:, :place] @ left for place, left in zip(split.places, split.inner, strict=True)]
    outside = [tones[:, place + 1 :] @ left for place, left in zip(split.places, split.outer, strict=True)]
    unexplained = np.stack([(a**2).sum(axis=1) + (b**2).sum(axis=1) for a, b in zip(inside, outside, strict=True)], 1)
    rough = np.stack([np.sqrt(np.mean(left**2, axis=1)) for left in outside], 1)

    def tone(from_mm: float, to_mm: float) -> Array:
        """(m, k) mean tone from so far outside of each place to so far."""
        steps = np.arange(round(from_mm / settings.step_mm), round(to_mm / settings.step_mm) + 1)
        return np.asarray(tones[:, np.clip(split.places[:, None] + steps, 0, tones.shape[1] - 1)].mean(axis=2))

    darkest = tone(*settings.darkest_mm)
    rise = tone(*settings.ground_mm) - darkest
    at_once = (tone(*settings.near_mm) - darkest) / np.maximum(rise, settings.least_rise)
    shadow = (rise > settings.least_rise) & (np.abs(at_once - settings.at_once / 2) < settings.at_once)
    shadow &= rough < np.maximum(settings.rough, settings.rough_share * rise)
    # A print's own edge, a narrow margin further in, breaks the tones more; but no shadow begins there.
    row, best = np.arange(len(tones)), np.where(shadow, unexplained, np.inf).argmin(axis=1)
    told = shadow[row, best] & (unexplained[row, best] < settings.explained * unexplained[:, split.staying])
    told &= (best > 0) & (best < len(split.places) - 1)
    darker = (tone(*settings.rim_mm) - darkest)[row, best] > settings.darker
    return _Breaks(split.offsets[split.places[best]].reshape(shape), told.reshape(shape), darker.reshape(shape))


def _straight(at_mm: Array, counts: NDArray[np.bool_], settings: ShadowSettings) -> Array:
    """(n, 4, 2) mm by which each side is moved at its start and end: a straight line through the stretches that count,
    (n, 4, stretches); 0 where they are few, or lie on no line."""
    margin = (1 - 2 * settings.past_corner) / settings.stretches
    middles = settings.past_corner + margin * (np.arange(settings.stretches) + 0.5)
    moved = np.zeros((*counts.shape[:2], 2))
    for side in zip(*np.nonzero(counts.sum(axis=-1) >= settings.most_stretches), strict=True):
        used = counts[side]
        line = np.polynomial.Polynomial.fit(middles[used], at_mm[side][used], 1, domain=[0, 1])
        if np.abs(line(middles[used]) - at_mm[side][used]).max() < settings.off_line_mm:
            moved[side] = line(np.array([0.0, 1.0]))
    return moved
