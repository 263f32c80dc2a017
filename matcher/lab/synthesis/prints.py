"""One negative printed more than once: a view of the plate in, one print's own rendering of it out.

What differs between two prints of one negative, from physics and from the trade's practice: the paper's characteristic
curve with its toe and shoulder (Hurter & Driffield 1890), its contrast, ends that block, light held back or added
by hand over smooth areas, the softness of a copy negative or of a poor contact, retouching, a plate that has cracked or
lost emulsion in between, a halftone screen. None of it moves an edge.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.float32]

DARKEST = 0.02
"""Share of the light that the densest part of a plate still lets through."""


@dataclass(frozen=True)
class PrintLook:
    """One print's rendering; what a neutral print has stands behind each number.

    gamma:    slope of the characteristic curve in its straight part, 1.
    speed:    shift of the exposure, in decades, 0.
    toe, shoulder: how gradually the curve leaves paper white and how it nears black, 0..1, 0.5.
    blocked:  shares of the range that are lost in the shadows and in the lights, (0, 0).
    dodging:  largest local change of the exposure by hand, in decades, 0.
    softness: Gaussian sigma in pixels of the picture that is given, 0.
    acutance: how much edges are exaggerated, 0.
    grain:    of this print's paper, grey levels 0..1.
    screen:   period of a halftone screen in pixels; 0 for a photograph.
    """

    gamma: float = 1.0
    speed: float = 0.0
    toe: float = 0.5
    shoulder: float = 0.5
    blocked: tuple[float, float] = (0.0, 0.0)
    dodging: float = 0.0
    softness: float = 0.0
    acutance: float = 0.0
    grain: float = 0.0
    screen: float = 0.0


def random_look(rng: np.random.Generator, strength: float) -> PrintLook:
    """A print as unlike a neutral one as `strength` says: 0 the neutral print, 1 as far apart as prints come."""
    s = strength
    return PrintLook(
        gamma=float(np.exp(s * rng.normal(0.12, 0.48))),
        speed=float(s * rng.normal(0, 0.16)),
        toe=float(np.clip(0.5 + s * rng.normal(0, 0.3), 0.05, 1)),
        shoulder=float(np.clip(0.5 + s * rng.normal(0, 0.3), 0.05, 1)),
        blocked=(
            float(s * rng.uniform(0, 0.4) * (rng.random() < 0.5)),
            float(s * rng.uniform(0, 0.4) * (rng.random() < 0.5)),
        ),
        dodging=float(s * rng.uniform(0, 0.3)),
        softness=float(s * rng.choice([0.0, 0.6, 1.2]) * rng.uniform(0.5, 1.3)),
        acutance=float(s * rng.uniform(0, 1.2) * (rng.random() < 0.35)),
        grain=float(rng.uniform(0, 0.02)),
        screen=float(rng.uniform(2.6, 5.0)) if s > 0 and rng.random() < 0.03 else 0.0,
    )


def render_print(view: Field, look: PrintLook, rng: np.random.Generator) -> Field:
    """(h, w) float32 0..1 of the plate's positive view to the print's reflectance, 0..1, paper white at 1."""
    exposure = np.log10(DARKEST + (1 - DARKEST) * np.clip(view, 0, 1)) / -np.log10(DARKEST) + 1  # 0 dark .. 1 light
    if look.dodging:
        exposure = exposure + look.dodging * smooth_field(view.shape, rng)
    tones = characteristic(exposure.astype(np.float32), look)
    low, high = look.blocked
    if low or high:
        tones = np.clip((tones - low) / max(1 - low - high, 0.2), 0, 1)
    if look.softness:
        tones = np.asarray(cv2.GaussianBlur(tones, (0, 0), max(look.softness, 0.2)), np.float32)
    if look.acutance:
        tones = tones + np.float32(look.acutance) * (tones - cv2.GaussianBlur(tones, (0, 0), 1.8))
    if look.screen:
        tones = halftone(np.asarray(tones, np.float32), look.screen, float(rng.uniform(0, np.pi / 2)))
    if look.grain:
        tones = tones + np.float32(look.grain) * rng.standard_normal(view.shape, dtype=np.float32)
    return np.clip(tones, 0, 1).astype(np.float32)


def characteristic(exposure: Field, look: PrintLook) -> Field:
    """Exposure 0..1 to reflectance 0..1 along a curve with toe and shoulder of their own softness."""
    x = (exposure - 0.62) * look.gamma + 0.62 + look.speed
    low, high = 0.5 * look.shoulder, 0.5 * look.toe
    dark, light = np.float32(0.02 + 0.12 * low), np.float32(0.02 + 0.12 * high)
    rising = np.logaddexp(0, (x - np.float32(0.02)) / dark) * dark
    level = 1 - np.logaddexp(0, (1 - rising) / light) * light
    # Reflectance falls by decades of density; the eye's lightness lies between that and a straight line.
    return np.asarray(np.clip(np.clip(level, 0, 1) ** 1.25, 0, 1), np.float32)


def smooth_field(shape: tuple[int, ...], rng: np.random.Generator, cells: int | None = None) -> Field:
    """(h, w) float32, smooth, about -1..1: a hand's shadow, an uneven lamp."""
    height, width = shape[:2]
    cells = cells or int(rng.integers(2, 6))
    coarse = rng.uniform(-1, 1, (cells + 2, max(2, round(cells * width / height)) + 2)).astype(np.float32)
    return np.asarray(cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC), np.float32)


def halftone(tones: Field, period: float, angle: float) -> Field:
    """A dot screen of `period` pixels at `angle`: tone becomes the size of dots."""
    rows, columns = np.mgrid[0 : tones.shape[0], 0 : tones.shape[1]].astype(np.float32)
    turn = np.float32(2 * np.pi / period)
    across = np.cos(angle) * columns + np.sin(angle) * rows
    down = np.cos(angle) * rows - np.sin(angle) * columns
    dots = 0.5 + 0.25 * (np.cos(turn * across) + np.cos(turn * down))
    return np.asarray(1 / (1 + np.exp(-9 * (tones - (1 - dots)))), np.float32)


def retouched(view: Field, rng: np.random.Generator) -> Field:
    """The plate after the retoucher: a plain backdrop painted over, or skin smoothed; only where there is no edge."""
    busy = cv2.GaussianBlur(np.abs(view - cv2.GaussianBlur(view, (0, 0), 4)), (0, 0), 6)
    plain = (busy < np.quantile(busy, rng.uniform(0.25, 0.5))).astype(np.float32)
    plain = np.asarray(cv2.GaussianBlur(plain, (0, 0), 5), np.float32) ** 2
    if rng.random() < 0.5:
        # The retoucher evens a ground out, a little lighter or darker than it was, never from black to white.
        ground = np.asarray(cv2.GaussianBlur(view, (0, 0), 25), np.float32)
        painted = ground + np.float32(rng.uniform(-0.2, 0.3)) + 0.05 * smooth_field(view.shape, rng)
        share = np.float32(rng.uniform(0.3, 0.9))
    else:
        painted, share = np.asarray(cv2.GaussianBlur(view, (0, 0), 3), np.float32), np.float32(0.9)
    return np.asarray(view + share * plain * (painted - view), np.float32)
