"""The first score, alike for all proposed quads: is this the outer edge of a card?

Where colours are sampled is part of what the classifier was fitted to, and changes only with a new fit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.geometry import Array, clockwise_portrait, height, skew, true_ratio
from matcher.core.detect.reduced_image import ReducedImage
from matcher.core.detect.sampling import across_sides, grid, sample, side_points

POSITIONS = np.concatenate([np.linspace(0.04, 0.96, 24), np.linspace(-0.13, -0.03, 4), np.linspace(1.03, 1.13, 4)])
POSITIONS = POSITIONS.astype(np.float32)
ON_SIDE = 24
"""The first positions lie on the side, the others run on beyond its corners."""

BAND_MM = np.array([0.7, 1.4, 2.1, 3.0, 4.0], np.float32)
OFFSETS_MM = np.arange(-1.5, 1.51, 0.25, dtype=np.float32)
BLOCKS = (5, 8)
"""Blocks across and down in which it is looked whether anything is there at all."""

PLAIN_LEVELS = 2.0
"""Spread of lightness within a block that light and grain alone give; own choice."""

EVENLY_LIT = 3.0
"""By how many times more than within a block the light may differ across the whole; own choice."""

LEVELS = np.array([1.0, 1.6, 1.6], np.float32)
"""Weights of L, a, b in colour differences, as in the gradient."""


@dataclass(frozen=True)
class Evidence:
    """What was measured of n quads; all (n,) or (n, 4) float.

    support:   (n, 4) share of each side along which the strongest step nearby lies on the side itself.
    coherence: (n, 4) how far these steps all go the same way, or start from the same colour inside, 0 to 1.
    contrast:  (n, 4) step of colour from a strip just inside each side to one just outside, levels.
    steps:     (n, 4) mean size of the steps on the side itself, levels; a drawn line has these but no contrast.
    beyond:    (n,) share of the sides' continuations that show the same step as the sides.
    bands:     (n, 4) how far a band just inside each side differs from one just outside, in spreads.
    framed:    (n, 4) share of each side that lies on the photo's own border.
    texture:   (n,) spread of lightness inside, levels.
    apart:     (n,) how far the inside's colour and texture differ from the surroundings, in spreads.
    paper:     (n,) share of the inside whose hue aged paper and albumen can have.
    ratio:     (n,) width over height, tilt taken out.
    skew:      (n,) departure from a rectangle.
    """

    support: NDArray[np.float32]
    coherence: NDArray[np.float32]
    contrast: NDArray[np.float32]
    steps: NDArray[np.float32]
    beyond: NDArray[np.float32]
    bands: NDArray[np.float32]
    framed: NDArray[np.float32]
    texture: NDArray[np.float32]
    apart: NDArray[np.float32]
    paper: NDArray[np.float32]
    ratio: NDArray[np.float32]
    skew: NDArray[np.float32]


def measure(picture: ReducedImage, quads: Array, height_mm: float) -> Evidence:
    """Measure quads (n, 4, 2) given in reduced pixels, portrait order."""
    quads = clockwise_portrait(np.asarray(quads, np.float32))
    px_per_mm = (height(quads) / height_mm).astype(np.float32)
    offsets = OFFSETS_MM * np.maximum(px_per_mm, 2.0)[:, None]
    colours = across_sides(picture.lab, quads, POSITIONS, offsets) * LEVELS
    support, coherence, steps, beyond = _steps(colours)
    on_side = colours[:, :, :ON_SIDE]
    inner, outer = on_side[:, :, :, 1:5].mean(axis=3), on_side[:, :, :, 8:12].mean(axis=3)
    contrast = np.linalg.norm(inner.mean(axis=2) - outer.mean(axis=2), axis=-1)
    texture, apart, paper = _insides(picture, quads, px_per_mm)
    framed = _framed(picture, quads)
    return Evidence(
        support=support,
        coherence=coherence,
        contrast=contrast,
        steps=steps,
        beyond=beyond,
        bands=_bands(picture, quads, px_per_mm),
        framed=framed,
        texture=texture,
        apart=apart,
        paper=paper,
        ratio=true_ratio(quads, picture.width, picture.height).astype(np.float32),
        skew=skew(quads).astype(np.float32),
    )


def _steps(colours: NDArray[np.float32]) -> tuple[NDArray[np.float32], ...]:
    step = colours[:, :, :, 2:] - colours[:, :, :, :-2]
    size = np.sqrt(np.einsum("...c,...c->...", step, step))
    middle = size.shape[-1] // 2
    here = size[..., middle - 1 : middle + 2]
    at = here.argmax(axis=-1)
    here = here.max(axis=-1)
    nearby = size[..., max(0, middle - 5) : middle + 6].max(axis=-1)
    close = size[..., middle - 2 : middle + 3].max(axis=-1)
    # A print's edge or a line of type beside the card may be much stronger than the card's own edge.
    on = (here > 2.5) & (here >= 0.75 * close) & (here >= 0.35 * nearby)
    vector = np.take_along_axis(step[..., middle - 1 : middle + 2, :], at[..., None, None], axis=-2)[..., 0, :]
    total = vector[:, :, :ON_SIDE].sum(axis=2)
    length = np.linalg.norm(total, axis=-1)
    coherence = length / np.maximum(here[:, :, :ON_SIDE].sum(axis=2), 1e-3)
    coherence = np.maximum(coherence, _evenness(colours, here[:, :, :ON_SIDE].mean(axis=2)))
    direction = total / np.maximum(length, 1e-3)[..., None]
    along = np.einsum("nspc,nsc->nsp", vector[:, :, ON_SIDE:], direction)
    alike = 0.35 * length[..., None] / ON_SIDE
    beyond = (on[:, :, ON_SIDE:] & (along > alike)).mean(axis=(1, 2), dtype=np.float32)
    support, steps = on[:, :, :ON_SIDE].mean(axis=2), here[:, :, :ON_SIDE].mean(axis=2)
    return support.astype(np.float32), coherence.astype(np.float32), steps, beyond


def _evenness(colours: NDArray[np.float32], steps: NDArray[np.float32]) -> NDArray[np.float32]:
    """(n, 4) 1 where the strip just inside the side has one colour: a mount laid on a page of print."""
    strip = colours[:, :, :ON_SIDE, 3:6].mean(axis=3)
    away = strip - np.median(strip, axis=2, keepdims=True)
    uneven = np.median(np.sqrt(np.einsum("nspc,nspc->nsp", away, away)), axis=2)
    return np.asarray(np.clip(1 - uneven / (0.4 * steps + 1), 0, 1))


def _bands(picture: ReducedImage, quads: Array, px_per_mm: NDArray[np.float32]) -> NDArray[np.float32]:
    """(n, 4): a table's pattern or a page's columns are alike on both sides of a line; a card and its table are not."""
    offsets = np.concatenate([-BAND_MM, BAND_MM]) * px_per_mm[:, None]
    colours = across_sides(picture.lab, quads, np.linspace(0.03, 0.97, 16), offsets) * LEVELS
    half = len(BAND_MM)
    inner = colours[:, :, :, :half].reshape(len(quads), 4, -1, 3)
    outer = colours[:, :, :, half:].reshape(len(quads), 4, -1, 3)
    spread = np.sqrt((inner.var(axis=2) + outer.var(axis=2)).sum(axis=-1) / 2) + 4
    shifted = np.linalg.norm(inner.mean(axis=2) - outer.mean(axis=2), axis=-1) / spread
    rougher = np.abs(np.log((inner[..., 0].std(axis=2) + 2) / (outer[..., 0].std(axis=2) + 2)))
    return np.asarray(shifted + 0.7 * rougher, dtype=np.float32)


def _insides(
    picture: ReducedImage, quads: Array, px_per_mm: NDArray[np.float32]
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    inside = sample(picture.lab, grid(quads, np.linspace(0.06, 0.94, 12), np.linspace(0.05, 0.95, 20)))
    inside = inside.reshape(len(quads), -1, 3)
    around = across_sides(
        picture.lab, quads, np.linspace(0, 1, 20), np.array([1.5, 2.5, 3.5, 4.5]) * px_per_mm[:, None]
    )
    around = around.reshape(len(quads), -1, 3)
    texture = inside[..., 0].std(axis=1)
    spread = inside.std(axis=1) + around.std(axis=1) + 4
    apart = np.linalg.norm((inside.mean(axis=1) - around.mean(axis=1)) * LEVELS / spread, axis=1)
    apart = apart + np.abs(np.log((inside[..., 0].std(axis=1) + 3) / (around[..., 0].std(axis=1) + 3)))
    a, b = inside[..., 1] - 128, inside[..., 2] - 128
    # Aged paper and albumen run from neutral to orange-brown; white balance may tint them, but never to green or blue.
    paper = ((a > -10) & (a < 30) & (b > -14) & (b < 60)).mean(axis=1)
    return texture.astype(np.float32), apart.astype(np.float32), paper.astype(np.float32)


def _framed(picture: ReducedImage, quads: Array) -> NDArray[np.float32]:
    points = side_points(quads, np.linspace(0.02, 0.98, 13))
    x, y = points[..., 0], points[..., 1]
    near = (x < 2.5) | (y < 2.5) | (x > picture.width - 2.5) | (y > picture.height - 2.5)
    return np.asarray(near.mean(axis=2, dtype=np.float32))


def side_strength(evidence: Evidence) -> NDArray[np.float32]:
    """(n, 4) 0 to 1: how far each side is a clean step of colour all along, and not a drawn line."""
    two_sided = np.clip(evidence.contrast / (0.35 * evidence.steps + 1), 0.25, 1)
    return np.asarray(evidence.support * (0.35 + 0.65 * evidence.coherence) * two_sided)


def score(evidence: Evidence, nominal: float | NDArray[np.float32]) -> NDArray[np.float32]:
    """(n,) 0 to 1: how well edges and inside speak for a card whose nominal width over height is given,
    one for all or one for each.

    The weights were set by hand after looking at how each measurement parts true outlines from false ones on
    scenes drawn for the purpose; none was fitted closely, so that other cameras and tables may differ from them.
    """
    on_frame = evidence.framed > 0.6
    side = np.sort(np.where(on_frame, 0.3, side_strength(evidence)), axis=1)
    edges = 0.25 * side[:, 0] + 0.30 * side[:, 1] + 0.45 * side[:, 2:].mean(axis=1)
    bands = np.sort(np.where(on_frame, 1.0, evidence.bands), axis=1)[:, :2].mean(axis=1)
    weakest = np.where(on_frame, 6.0, np.minimum(evidence.contrast, 20)).min(axis=1)
    shape = np.abs(np.log(evidence.ratio / nominal))
    value = (
        6.0 * (edges - 0.55)
        - 8.0 * np.maximum(evidence.beyond - 0.10, 0)
        + 1.2 * np.clip(bands - 1.0, -1.0, 1.2)
        + 0.6 * np.clip(evidence.apart - 1.6, -1.6, 2.0)
        + 0.5 * np.clip((evidence.texture - 5) / 5, -2, 1)
        + 3.0 * (evidence.paper - 0.95)
        + 0.06 * (weakest - 8.0)
        - 0.5 * np.minimum(shape / 0.10, 3.2) ** 2
        - 1.2 * evidence.skew
    )
    return np.asarray(1 / (1 + np.exp(-value)), dtype=np.float32)


def plain_share(picture: ReducedImage, quads: Array) -> NDArray[np.float32]:
    """(n,) share of blocks inside each quad (n, 4, 2) on which nothing is seen, all of one tone.

    A box with a line or two across has texture, and yet most of it is plain; a page of print is not.
    """
    if not len(quads):
        return np.empty(0, np.float32)
    points = grid(quads, np.linspace(0.08, 0.92, 4 * BLOCKS[0]), np.linspace(0.06, 0.94, 4 * BLOCKS[1]))
    light = sample(picture.lab, points)[..., 0].reshape(len(quads), BLOCKS[1], 4, BLOCKS[0], 4)
    mean = light.mean(axis=(2, 4)).reshape(len(quads), -1)
    even = light.std(axis=(2, 4)).reshape(len(quads), -1) < PLAIN_LEVELS
    usual = np.median(mean, axis=1, keepdims=True)
    return np.asarray((even & (np.abs(mean - usual) < EVENLY_LIT * PLAIN_LEVELS)).mean(axis=1), np.float32)
