"""Prints drawn by another hand than `synthesis.prints`, for judging alone: nothing is trained, fitted or tuned on them.

Tones are pushed towards those of an invented print, lights and shadows are exposed otherwise across the card, and then
come one to four ways of papers, lenses and copyists. What stands where stays there: only greys change.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.lab.evaluation.other_wear import Field

PLATE_MM = 36.5
"""How wide the plate's picture is taken to be, whatever its pixels; a card shows a window of it."""

TONES = ((0.12, 14.0), (0.3, 9.0), (0.52, 12.0), (0.7, 16.0), (0.88, 26.0))
"""What old portraits are made of: coat, shaded cloth, backdrop, face and linen: a mean grey, and how narrow it is."""

STEEPEST = 2.6
"""How many times a step of grey may grow by its tones, before the curve is stretched to its ends."""

FLATTEST = 0.3
"""The least that is left of a step of grey, the same."""

STEPS = 64
"""Greys between which a curve of tones is straight."""


def _mm(view: Field) -> float:
    """Pixels to a millimetre of the plate."""
    return float(view.shape[1] / PLATE_MM)


def _kept(greys: NDArray[np.floating]) -> Field:
    return np.asarray(np.clip(greys, 0, 1), np.float32)


def _wide_blur(view: Field, sigma: float) -> Field:
    """A wide blur at little cost: of a smaller picture."""
    less = max(1, int(sigma / 2))
    small = max(2, view.shape[1] // less), max(2, view.shape[0] // less)
    blurred = cv2.GaussianBlur(cv2.resize(view, small, interpolation=cv2.INTER_AREA), (0, 0), max(sigma / less, 0.3))
    return np.asarray(cv2.resize(blurred, view.shape[::-1], interpolation=cv2.INTER_LINEAR), np.float32)


def _across(view: Field, step: int = 8) -> tuple[Field, Field]:
    """Places on a coarse net over the card, -1 to 1 either way: x, y."""
    tall, wide = (max(8, side // step) for side in view.shape)
    x, y = np.meshgrid(np.linspace(-1, 1, wide, dtype=np.float32), np.linspace(-1, 1, tall, dtype=np.float32))
    return np.asarray(x, np.float32), np.asarray(y, np.float32)


def _spread(coarse: NDArray[np.floating], view: Field) -> Field:
    """A field from its coarse net to every pixel."""
    fine = cv2.resize(coarse.astype(np.float32), view.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(fine, np.float32)


def _through(view: Field, curve: NDArray[np.floating]) -> Field:
    """Greys through a curve given at even steps."""
    place = view * np.float32(len(curve) - 1)
    below = np.minimum(place.astype(np.int32), len(curve) - 2)
    start, rise = curve[:-1].astype(np.float32), np.diff(curve).astype(np.float32)
    return np.asarray(start[below] + rise[below] * (place - below), np.float32)


def _toned(view: Field, strength: float, rng: np.random.Generator) -> Field:
    """Tones carried some way towards the distribution of an invented print: equal shares of area, never reversed."""
    counts, _ = np.histogram(view[::2, ::2], bins=STEPS, range=(0, 1))
    here = np.cumsum(counts + 0.02 * counts.sum() / STEPS)
    here = np.concatenate([[0.0], here / here[-1]])
    greys = np.linspace(0, 1, 4 * STEPS)[1:-1]
    sought = np.zeros_like(greys)
    for (middle, narrow), share in zip(TONES, rng.dirichlet(np.full(len(TONES), 0.9)), strict=True):
        middle = float(np.clip(middle + rng.normal(0, 0.06), 0.06, 0.94))
        bell = greys ** (middle * narrow - 1) * (1 - greys) ** ((1 - middle) * narrow - 1)
        sought += (share + 0.04) * bell / bell.sum()
    target = np.interp(here, np.cumsum(sought) / sought.sum(), greys)
    share = min(0.9, strength * rng.uniform(0.35, 0.85))
    slopes = np.diff((1 - share) * np.linspace(0, 1, STEPS + 1) + share * target) * STEPS
    slopes = np.clip(slopes, FLATTEST, STEEPEST)
    curve = np.concatenate([[0.0], np.cumsum(slopes)]) / STEPS
    black = rng.uniform(-0.05, 0.16) * strength
    white = max(1 - rng.uniform(-0.05, 0.2) * strength, black + 0.45)
    return _kept(_through(view, black + (white - black) * curve / curve[-1]))


def _sigmoid(view: Field, strength: float, rng: np.random.Generator) -> Field:
    """Gamma, then the S of a hard plate or its reverse, of a soft one."""
    greys = np.linspace(0, 1, STEPS + 1) ** np.exp(rng.normal(0, 0.35) * strength)
    turn, steep = rng.uniform(0.35, 0.65), rng.uniform(1.5, 5) * max(strength, 0.3)
    bent = np.tanh(steep * (greys - turn) / 2)
    bent = (bent - bent[0]) / (bent[-1] - bent[0])
    share = rng.uniform(-0.4, 0.8)
    return _kept(_through(view, np.maximum.accumulate(greys + share * (bent - greys))))


def _exposed(view: Field, strength: float, rng: np.random.Generator) -> Field:
    """Lights and shadows each lifted or held back by Zernike's first forms over the card: tilt, bowl and saddle."""
    x, y = _across(view)
    forms = np.stack([np.ones_like(x), x, y, x * x + y * y - 1, x * x - y * y, 2 * x * y])
    sizes = 0.09 * strength * np.array([0.9, 1.0, 1.0, 0.6, 0.5, 0.5])
    lights, shadows = (_spread(np.tensordot(rng.normal(0, 1, 6) * sizes, forms, 1), view) for _ in range(2))
    lights, shadows = (np.clip(field, -0.28, 0.28) for field in (lights, shadows))
    return _kept(view + lights * view * (2 - view) + shadows * (1 - view) ** 2)


def _bleached(view: Field, strength: float, rng: np.random.Generator) -> Field:
    """Air has eaten the silver from the edges inwards, further from one side than from another."""
    x, y = _across(view)
    reach = rng.uniform(0.08, 0.35, 4) * min(strength, 1.2)
    eaten = sum(np.exp(-far / deep) for far, deep in zip((1 - x, 1 + x, 1 - y, 1 + y), reach, strict=True))
    eaten = np.clip(eaten * rng.uniform(0.3, 0.65), 0, 0.7)
    return _kept(view + _spread(eaten, view) * (rng.uniform(0.72, 0.95) - view) * (0.5 + 0.5 * view))


def _halation(view: Field, strength: float, rng: np.random.Generator) -> Field:
    """Light has gone through to the back of the glass and returned about what is bright."""
    bright = np.clip(view - rng.uniform(0.45, 0.7), 0, 1)
    glow = _wide_blur(bright.astype(np.float32), rng.uniform(0.4, 1.8) * _mm(view))
    return _kept(1 - (1 - view) * (1 - np.clip(rng.uniform(0.8, 2.2) * strength * glow, 0, 0.6)))


def _softened(view: Field, strength: float, rng: np.random.Generator) -> Field:
    """An old lens or a copy out of focus: a disc of confusion, part of the sharp picture left over it."""
    radius = max(0.6, rng.uniform(0.06, 0.2) * strength * _mm(view))
    half = int(np.ceil(radius))
    net = np.hypot(*np.mgrid[-half : half + 1, -half : half + 1])
    disc = np.clip(radius + 0.5 - net, 0, 1)
    soft = cv2.filter2D(view, -1, (disc / disc.sum()).astype(np.float32), borderType=cv2.BORDER_REFLECT)
    return _kept(view + rng.uniform(0.6, 1.0) * (soft - view))


def _sharpened(view: Field, strength: float, rng: np.random.Generator) -> Field:
    """Developed with hardly any shaking: lights and shadows stand off from each other at their borders."""
    soft = _wide_blur(view, rng.uniform(0.12, 0.9) * _mm(view))
    return _kept(view + rng.uniform(0.3, 0.9) * strength * np.clip(view - soft, -0.3, 0.3))


def _grains(view: Field, size: float, rng: np.random.Generator) -> Field:
    """Grains of about so many pixels, of standard deviation 1."""
    small = tuple(max(4, round(side / max(size, 1))) for side in view.shape)
    rough = rng.standard_normal(small, dtype=np.float32)
    return _spread((rough - rough.mean()) / max(float(rough.std()), 1e-3), view)


def _salted(view: Field, strength: float, rng: np.random.Generator) -> Field:
    """Salted paper: the picture lies within the sheet, whose fibres run two ways; its blacks are brown and dull."""
    rough = _grains(view, 0.08 * _mm(view), rng)
    long = max(3, round(rng.uniform(0.4, 1.2) * _mm(view)) | 1)
    fibres = cv2.blur(rough, (long, 1)) + cv2.blur(rough, (1, long)) + 0.4 * rough
    dull = view + rng.uniform(0.05, 0.15) * strength * (1 - view)
    return _kept(dull + rng.uniform(0.02, 0.06) * strength * fibres * (0.3 + dull) * (1.2 - dull))


def _glossy(view: Field, strength: float, rng: np.random.Generator) -> Field:
    """Albumen printed deep: shadows run together to a shine of black, lights burn out."""
    low, high = rng.uniform(0.02, 0.14) * strength, 1 - rng.uniform(0.0, 0.14) * strength
    greys = (np.linspace(0, 1, STEPS + 1) - low) / (high - low)
    ends = 0.5 + 0.5 * np.tanh(2.2 * (greys - 0.5)) / np.tanh(1.1)
    return _kept(_through(view, ends))


def _clouded(view: Field, strength: float, rng: np.random.Generator) -> Field:
    """The bath has not reached every part alike: a short series of cosines."""
    x, y = _across(view)
    clouds = np.zeros_like(x)
    for wave in rng.normal(0, 3.2, (7, 2)):
        clouds += rng.normal(0, 1) * np.cos(wave[0] * x + wave[1] * y + rng.uniform(0, 2 * np.pi)).astype(np.float32)
    clouds *= 0.05 * strength / max(float(clouds.std()), 1e-3)
    return _kept(view + _spread(np.clip(clouds, -0.2, 0.2), view) * (0.35 + 2.6 * view * (1 - view)))


def _photomechanical(view: Field, strength: float, rng: np.random.Generator) -> Field:
    """Printed in ink from a grained plate: worms of reticulated gelatine, filled more the darker the grey."""
    size = rng.uniform(0.08, 0.16) * _mm(view)
    worms = _grains(view, size, rng) - _grains(view, 2.2 * size, rng)
    inked = 1 / (1 + np.exp(np.clip(-(5 * (view - 0.5) + 1.1 * worms), -20, 20)))
    return _kept(view + min(0.5, rng.uniform(0.15, 0.4) * strength) * (inked - view))


def _outlined(view: Field, strength: float, rng: np.random.Generator) -> Field:
    """A retoucher has gone over the outlines with a pencil, here firmly and there not at all."""
    wide = 2 * max(1, round(rng.uniform(0.05, 0.1) * _mm(view))) + 1
    smooth = cv2.GaussianBlur(view, (0, 0), 0.25 * wide)
    nib = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (wide, wide))
    edge = np.clip(cv2.morphologyEx(smooth, cv2.MORPH_BLACKHAT, nib) + 0.25 * (smooth - cv2.erode(smooth, nib)), 0, 0.4)
    pressed = np.clip(0.6 + 0.5 * _grains(view, 3 * _mm(view), rng), 0, 1.4)
    return _kept(view - rng.uniform(0.7, 1.6) * strength * edge * pressed * np.minimum(1, 2 * view))


def _backdrop_lightened(view: Field, strength: float, rng: np.random.Generator) -> Field:
    """The backdrop held back or let go under a mask of cotton, which shades off about an egg that holds the sitter."""
    x, y = _across(view)
    round_ = np.hypot(x / rng.uniform(0.7, 0.95), (y - rng.uniform(0, 0.3)) / rng.uniform(0.85, 1.1))
    outside = 1 / (1 + np.exp(-(round_ - 1) / rng.uniform(0.07, 0.2)))
    to = rng.uniform(0.8, 0.98) if rng.random() < 0.7 else rng.uniform(0.1, 0.35)
    return _kept(view + min(0.75, rng.uniform(0.3, 0.75) * strength) * _spread(outside, view) * (to - view))


WAYS: tuple[Callable[[Field, float, np.random.Generator], Field], ...] = (
    _sigmoid, _bleached, _halation, _softened, _sharpened, _salted, _glossy, _clouded, _photomechanical, _outlined,
    _backdrop_lightened,
)  # fmt: skip
"""What may befall a print besides its tones and its exposure."""


def rendered(view: Field, strength: float, rng: np.random.Generator) -> Field:
    """Another print of the same plate: strength 0.3, as of one studio, to 1.2, as far as papers and copyists go."""
    made = _exposed(_toned(view, strength, rng), strength, rng)
    for way in rng.choice(len(WAYS), int(rng.integers(1, 5)), replace=False):
        made = WAYS[way](made, strength, rng)
    return made
