"""Another print of the same negative: reckoned as light that falls on paper, and as the density that comes of it.

Lens, retoucher, lamp, developer and paper each have their turn, in the order in which a print meets them. Whoever
compares two prints has to see through all of it: every tone may change, and no edge moves.
"""

from __future__ import annotations

import numpy as np
from numpy.random import Generator as Rng

from matcher.lab.synthesis.forces.fields import (
    Loose,
    clipped,
    diffused,
    drawn_lines,
    mist,
    pixels_per_mm,
    size_between,
    window_around,
)
from matcher.lab.synthesis.prints import Field


def rendered(view: Field, strength: float, rng: Rng) -> Field:
    """Another print of the same negative: lens, retoucher, light, developer and paper differ, nothing moves."""
    mm, shape = pixels_per_mm(view), view.shape
    exposure = -2.2 * np.log10(np.clip(_retouched(view, strength, rng), np.float32(0.02), 1))
    _, dy, dx = window_around(shape, (shape[0] * rng.uniform(0.3, 0.6), shape[1] * rng.uniform(0.3, 0.7)), 9999)
    far = (dx / shape[1]) ** 2 + (dy / shape[0]) ** 2
    exposure += np.float32(rng.normal(0, 0.5 * strength)) * (far / (1 + far))
    for grain, slant, much in ((rng.uniform(8, 40), 1, 0.1), (1.5, 25, 0.02), (size_between(rng, 0.1, 1), 1, 0.03)):
        exposure += np.float32(rng.exponential(much * strength)) * mist(shape, grain * mm, rng, slant)
    grey = _printed(exposure, strength, rng)
    if rng.random() < 0.3 * strength:  # a vignette
        edge = clipped((far - rng.uniform(0.18, 0.32)) * size_between(rng, 4, 40))
        grey += edge * (np.float32(rng.choice([0.95, 0.8, 0.1])) - grey)
    dust = [np.array([p, p]) for p in rng.uniform(0, shape, (rng.poisson(12 * strength * rng.random()), 2))]
    specks = drawn_lines(shape, dust, size_between(rng, 0.1, 0.4) * mm)
    return clipped(grey + specks * (np.float32(rng.choice([0.95, 0.1])) - grey))


def _retouched(view: Field, strength: float, rng: Rng) -> Field:
    """Copied through a soft or sharpened lens and worked over by a retoucher."""
    mm, share = pixels_per_mm(view), min(1, strength)
    soft, calm = diffused(view, (0.1 + rng.random() * 0.25 * strength) * mm), diffused(view, 0.5 * mm)
    picture = view + np.float32(rng.uniform(-1, 1.3) * share) * (soft - view)
    if rng.random() < 0.5:  # calm skin stippled smooth
        skin = np.exp(-((diffused(np.abs(view - calm), 0.6 * mm) / 0.025) ** 2)) * np.float32(rng.random() * share)
        picture += skin * (calm - picture)
    if rng.random() < 0.35:  # the calm backdrop painted
        wall = np.exp(-((diffused(np.abs(view - calm), 3 * mm) / 0.015) ** 2)) * np.float32(rng.random() * share)
        paint = diffused(view, 5 * mm) + np.float32(rng.normal(0, 0.15)) + 0.04 * mist(view.shape, 4 * mm, rng, 0.4)
        picture += wall * (paint - picture)
    return picture


def _printed(exposure: Loose, strength: float, rng: Rng) -> Field:
    """What a paper makes of log exposures: toe, straight part and shoulder over fog, looked at as a grey."""
    low, high = (float(q) for q in np.quantile(exposure[::7, ::7], [0.03, 0.97]))
    share, most, bend = min(1.0, strength), rng.uniform(1.5, 2.9), rng.uniform(0.02, 0.05 + 0.15 * strength)
    steep = np.exp(rng.normal(0, 0.3 * strength)) * (most * rng.uniform(0.6, 1.2) / max(0.2, high - low)) ** share
    scale = np.linspace(-1, 4, 700)
    lift = (scale - low) * steep + low * (1 - share) + rng.normal(0.08, 0.25) * strength
    density = bend * (np.logaddexp(0, lift / bend) - np.logaddexp(0, (lift - most) / bend))
    return clipped(np.interp(exposure, scale, 10 ** (-(density + rng.uniform(0, 0.12 * strength)) / 2.2)))
