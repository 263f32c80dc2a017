"""Register one picture on another to a fraction of a pixel: a start in, the nearest robust optimum out.

Gauss-Newton on eight numbers of a homography and two of tone (Lucas & Kanade 1981; Baker & Matthews 2004), with
two additions that old cards ask for. What does not fit, a stain, a reflection, an arm that has moved, loses its say
(Cauchy weights), so that it cannot pull the rest along. And since two flattened cards differ by little more than a
similarity, a homography that needs much more than that must be worth it: where half of a picture is bare backdrop,
nothing else would hold it there.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.align.settings import RegistrationSettings

Floats = NDArray[np.float32]
Matrix = NDArray[np.float64]

_ROW = 64
"""Spots a row, where they are sampled: OpenCV samples pictures, not lists."""


@dataclass(frozen=True)
class Layer:
    """A grey at the scale of registration.

    grey: (h, w) uint8, of equal local contrast. mask: (h, w) uint8, above 0 where it may be believed.
    enough: of up to twice so many pixels each step is computed: smoothed neighbours add nothing.
    """

    grey: NDArray[np.uint8]
    mask: NDArray[np.uint8]
    enough: int = 5000

    def __post_init__(self) -> None:
        if self.grey.shape != self.mask.shape or self.grey.ndim != 2:
            raise ValueError(f"grey {self.grey.shape} and mask {self.mask.shape} must be of one shape, (h, w)")

    @cached_property
    def smooth(self) -> Floats:
        """Without the finest grain, which no transform could follow."""
        return np.asarray(cv2.GaussianBlur(self.grey.astype(np.float32), (5, 5), 0), np.float32)

    @cached_property
    def slopes(self) -> Floats:
        """(h, w, 3): the smooth grey and its slopes across and down, levels a pixel."""
        across, down = (cv2.Scharr(self.smooth, cv2.CV_32F, x, 1 - x, scale=1 / 32) for x in (1, 0))
        return np.asarray(np.dstack([self.smooth, across, down]), np.float32)

    @cached_property
    def samples(self) -> tuple[Floats, Floats, Floats]:
        """Of pixels that may be believed, evenly chosen: x and y in `frame`, and the smooth grey, each (n,)."""
        index = np.flatnonzero(self.mask)
        index = index[:: len(index) // self.enough | 1]  # odd, so that no column of an even picture is left out
        index = index[: len(index) // _ROW * _ROW]
        row, column = np.divmod(index, self.grey.shape[1])
        half, middle = self.frame
        x, y = (column - middle[0]) / half, (row - middle[1]) / half
        return x.astype(np.float32), y.astype(np.float32), self.smooth.ravel()[index]

    def correlation_area(self, correlated_px: float) -> float:
        """How many of the samples make one independent observation; correlated_px: how many pixels do."""
        return max(1.0, correlated_px * self.samples[0].size / max(1, int(np.count_nonzero(self.mask))))

    @property
    def frame(self) -> tuple[float, tuple[float, float]]:
        """Half the height, and the middle: coordinates in which numbers are about one."""
        height, width = self.grey.shape
        return height / 2, ((width - 1) / 2, (height - 1) / 2)

    @property
    def to_frame(self) -> Matrix:
        """(3, 3) from pixels to these coordinates."""
        half, (x, y) = self.frame
        return np.array([[1 / half, 0, -x / half], [0, 1 / half, -y / half], [0, 0, 1.0]])


def register(
    query: Layer, reference: Layer, start: Matrix, settings: RegistrationSettings = RegistrationSettings()
) -> tuple[Matrix, float]:
    """(homography, correlation): query pixels to reference pixels, and how the two greys correlate under it.

    start: (3, 3) float64, nearly right. The homography is (3, 3) float64, its last entry 1; the start and -1 where the
    two share too little to say anything.
    """
    inside, outside = query.to_frame, np.linalg.inv(reference.to_frame)
    found = np.linalg.inv(outside) @ start @ np.linalg.inv(inside)
    found = found / found[2, 2]
    now = _fit(query, reference, found, settings)
    if now is None:
        return start, -1.0
    damping = 1e-3
    for _ in range(settings.steps):
        tried = found + _step(now, found, damping)
        then = _fit(query, reference, tried, settings)
        if then is None or then.cost(now.scale) > now.cost(now.scale):
            damping *= 10
            if damping > 10:
                break
            continue
        moved = _moved(found, tried) * reference.frame[0]
        found, now, damping = tried, then, max(damping / 10, 1e-6)
        if moved < settings.settled_px:
            break
    full = outside @ found @ inside
    return full / full[2, 2], now.correlation


@dataclass(frozen=True)
class _Fit:
    """How two layers agree under one transform, over the n samples that both show.

    x, y: where the samples lie on the query, and u, v on the reference; w: their third homogeneous coordinate.
    across, down: slopes of the reference there, by frame units. toned: the reference's grey there, gain what it is
    multiplied by, and residual what tone cannot explain, levels.
    correlation_area: how many samples make one independent observation.
    """

    x: Floats
    y: Floats
    u: Floats
    v: Floats
    w: Floats
    across: Floats
    down: Floats
    toned: Floats
    gain: float
    residual: Floats
    correlation: float
    transform: Matrix
    correlation_area: float
    settings: RegistrationSettings

    @cached_property
    def scale(self) -> float:
        """Robust deviation of the residual, levels."""
        return 1.4826 * float(np.median(np.abs(self.residual[::7]))) + 0.5

    def cost(self, scale: float) -> float:
        """Mean Cauchy loss, and what the transform costs for being more than a similarity."""
        outlying = self.settings.outlying
        loss = float(np.log1p(np.square(self.residual / (outlying * scale))).mean()) * outlying**2
        skew = _skew_cost(self.transform, self.settings.skewed)
        return loss + skew * self.correlation_area / len(self.residual)


def _fit(query: Layer, reference: Layer, transform: Matrix, settings: RegistrationSettings) -> _Fit | None:
    """None where too few spots are shown by both."""
    x, y, grey = query.samples
    (a, b, c), (d, e, f), (g, h, i) = transform.astype(np.float32)
    w = g * x + h * y + i
    u, v = (a * x + b * y + c) / w, (d * x + e * y + f) / w
    half, middle = np.float32(reference.frame[0]), reference.frame[1]
    left, up = ((place * half + np.float32(m)).reshape(-1, _ROW) for place, m in zip((u, v), middle, strict=True))
    both = cv2.remap(reference.mask, left, up, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT).ravel() > 0
    if int(both.sum()) < settings.fewest:
        return None
    warped = cv2.remap(reference.slopes, left, up, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).reshape(-1, 3)
    x, y, u, v, w, grey, toned, across, down = np.stack([x, y, u, v, w, grey, *warped.T])[:, both]
    gain, residual, correlation = _tone(grey, toned)
    return _Fit(
        x, y, u, v, w, across * half, down * half, toned, gain, residual, correlation, transform,
        query.correlation_area(settings.correlated_px), settings,
    )  # fmt: skip


def _tone(query: Floats, reference: Floats) -> tuple[float, Floats, float]:
    """(gain, what it leaves, correlation) of one tone curve's straight line through both, (n,) greys each."""
    one, other = query - query.mean(), reference - reference.mean()
    spread = float(other @ other) + 1e-6
    together = float(one @ other)
    gain = max(together / spread, 0.1)  # a negative would be no print of it
    return gain, one - np.float32(gain) * other, together / float(np.sqrt(spread * (float(one @ one) + 1e-6)))


def _step(fit: _Fit, transform: Matrix, damping: float) -> Matrix:
    """(3, 3): the change of transform that one robust least-squares step asks for."""
    right, below = fit.across / fit.w, fit.down / fit.w
    ahead = -(right * fit.u + below * fit.v)
    columns = [right * fit.x, right * fit.y, right, below * fit.x, below * fit.y, below, ahead * fit.x, ahead * fit.y]
    design = np.stack([*(np.float32(fit.gain) * column for column in columns), fit.toned, np.ones_like(fit.x)])
    weight = 1 / (1 + np.square(fit.residual / (fit.settings.outlying * fit.scale)))
    # Neighbouring pixels say the same: only independent ones are counted against the prior.
    weighted = design * (weight / (fit.scale**2 * fit.correlation_area))
    normal, wanted = (weighted @ design.T).astype(np.float64), (weighted @ fit.residual).astype(np.float64)
    skewed = fit.settings.skewed
    skew = _NOT_SIMILAR @ transform.ravel()[:8] / skewed
    # Heavy-tailed as the data are: a picture that plainly needs more than a similarity is not held back.
    prior = _NOT_SIMILAR / skewed / np.sqrt(1 + np.square(skew))[:, None]
    normal[:8, :8] += prior.T @ prior
    wanted[:8] -= prior.T @ (skew / np.sqrt(1 + np.square(skew)))
    normal[np.diag_indices(10)] *= 1 + damping
    change = np.linalg.lstsq(normal, wanted, rcond=1e-12)[0]
    return np.append(change[:8], 0.0).reshape(3, 3)


_NOT_SIMILAR = np.array(
    [[0.5, 0, 0, 0, -0.5, 0, 0, 0], [0, 0.5, 0, 0.5, 0, 0, 0, 0], [0, 0, 0, 0, 0, 0, 1, 0], [0, 0, 0, 0, 0, 0, 0, 1]]
)
"""(4, 8): stretch, shear and the two of perspective, of a homography's numbers row by row."""


def _skew_cost(transform: Matrix, skewed: float) -> float:
    return float(np.log1p(np.square(_NOT_SIMILAR @ transform.ravel()[:8] / skewed)).sum())


def _moved(before: Matrix, after: Matrix) -> float:
    """Largest movement of the frame's corners, frame units."""
    corners = np.array([[[-0.6, -1], [0.6, -1], [0.6, 1], [-0.6, 1]]], np.float64)
    places = (cv2.perspectiveTransform(corners, transform) for transform in (before, after))
    return float(np.abs(np.subtract(*places)).max())
