"""Where do two registered pictures agree? The map under the pose and caption rungs.

Windowed normalised cross-correlation of band-passed greys, beside what it would be for one negative given the two
pictures' own noise: a faint, grainy print cannot correlate perfectly even with itself. Weighted by how much detail
BOTH pictures hold at a spot, so that a scratch or stain on one card says little, and a moved arm (detail on
both, and different) says much.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.filters import slow
from matcher.core.ladder.picture_settings import Band, CorrelationSettings

Floats = NDArray[np.float32]
Bools = NDArray[np.bool_]

STEP = 2
"""Maps are kept on every second pixel: windows are several pixels wide, and it is four times faster."""

SLOW_PX = 3.0
"""From this sigma on a blur is computed on a reduced map."""


@dataclass(frozen=True)
class CorrelationMap:
    """Maps of one shape over the query face, (height, width) divided by STEP.

    correlation: float32, windowed NCC, -1 to 1.
    expected:    float32, what one negative would give at the two pictures' noise, 0 to 1.
    weight:      float32, detail that both hold, 0 where it cannot be judged.
    detail:      signal-to-noise energy ratio of (query, reference).
    """

    correlation: Floats
    expected: Floats
    weight: Floats
    detail: tuple[float, float]

    @property
    def judged(self) -> float:
        """Share of the map that could be judged at all."""
        return float((self.weight > 0).mean())

    def mean(self, values: Floats) -> float:
        """Weighted mean of a map."""
        return float((values * self.weight).sum() / max(float(self.weight.sum()), 1e-9))


def correlation_map(
    query: Floats, reference: Floats, mask: Bools, band: Band, settings: CorrelationSettings | None = None
) -> CorrelationMap | None:
    """Compare two registered greys, (height, width) float32, inside `mask`, (height, width) bool.

    None where too little is left. Windowed correlation is the structure term of SSIM (Wang et al. 2004).
    """
    inside = _half(mask.astype(np.float32))
    share = _blur(inside, band.window / STEP) + 1e-4
    usable = (inside > 0.5) & (share > 0.5)
    if usable.sum() < 100:
        return None
    first, second = _band(query, band), _band(reference, band)
    energy_1, energy_2, product = _moments(first, second, inside, share, band.window / STEP)
    percent = (settings or CorrelationSettings()).noise_percent
    noise_1, noise_2 = (float(np.percentile(e[usable], percent)) + 1e-6 for e in (energy_1, energy_2))
    signal_1, signal_2 = np.maximum(energy_1 - noise_1, 0), np.maximum(energy_2 - noise_2, 0)
    correlation = product / np.sqrt(np.maximum(energy_1 * energy_2, 1e-9))
    expected = np.sqrt(signal_1 / (energy_1 + 1e-6) * signal_2 / (energy_2 + 1e-6))
    weight = np.minimum(_relative(signal_1, usable), _relative(signal_2, usable))
    weight = np.where(usable, np.minimum(weight, 4.0), 0.0).astype(np.float32)
    detail = (float(energy_1[usable].mean() / noise_1), float(energy_2[usable].mean() / noise_2))
    return CorrelationMap(correlation.astype(np.float32), expected.astype(np.float32), weight, detail)


def pooled(values: Floats, sigma: float) -> Floats:
    """Gaussian mean of a map, as `CorrelationMap` has them, over a patch of `sigma` face pixels; of its shape."""
    return _blur(values.astype(np.float32), sigma / STEP)


def _moments(
    first: Floats, second: Floats, inside: Floats, share: Floats, window: float
) -> tuple[Floats, Floats, Floats]:
    """Windowed variances of both and their covariance, inside the mask only."""

    # Products are formed at full resolution and then reduced: reducing first would lose the fine detail.
    def mean(values: Floats) -> Floats:
        return np.asarray(_blur(_half(values) * inside, window) / share, np.float32)

    mean_1, mean_2 = mean(first), mean(second)
    energy_1 = np.maximum(mean(first * first) - mean_1 * mean_1, 0)
    energy_2 = np.maximum(mean(second * second) - mean_2 * mean_2, 0)
    return energy_1, energy_2, mean(first * second) - mean_1 * mean_2


def _half(values: Floats) -> Floats:
    height, width = values.shape
    return np.asarray(cv2.resize(values, (width // STEP, height // STEP), interpolation=cv2.INTER_AREA), np.float32)


def _relative(signal: Floats, usable: Bools) -> Floats:
    return np.asarray(signal / (float(signal[usable].mean()) + 1e-6), np.float32)


def _band(grey: Floats, band: Band) -> Floats:
    return _blur(grey, band.fine) - _blur(grey, band.coarse)


def _blur(values: Floats, sigma: float) -> Floats:
    if sigma >= SLOW_PX:
        return slow(values, sigma)
    return np.asarray(cv2.GaussianBlur(values, (0, 0), sigma, borderType=cv2.BORDER_REFLECT), np.float32)
