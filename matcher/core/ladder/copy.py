"""Rung 4, copy: is it the very same physical card, or another copy of the same record?

Two faces and their `Alignment` in, a `CopyFinding` out. Two copies share the negative; each has its own stains,
scratches and grain of the paper, its own uneven fading, and scissors went elsewhere. On one card hardly anything is
left over once the other picture of it is taken away, over the whole face and above all on the mount.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.align.alignment import Alignment, warp_reference
from matcher.core.align.view import picture_zone
from matcher.core.calibration import Calibration, log_gap
from matcher.core.filters import slow
from matcher.core.flatten import Face
from matcher.core.ladder.crop import CropFinding
from matcher.core.ladder.local_ncc import Band, correlation_map

Floats = NDArray[np.float32]
Bools = NDArray[np.bool_]

STAINS = Band(fine=2.0, coarse=12.0, window=10.0)
"""On the mount: foxing, dirt and cut edges, larger than grain, smaller than uneven light."""

FLAWS = Band(fine=1.5, coarse=6.0, window=8.0)
CLOUDS = Band(fine=3.0, coarse=14.0, window=14.0)
"""On the whole face: scratches, foxing and the paper's texture; tide marks and patches of fading."""

NEAR_PX = 18.0
"""Gaussian sigma over which light and fading are taken to be even."""

MARKED = 4.0
"""Robust deviations from which what is left over at one spot is a mark: a scratch, a spot of foxing, a torn corner."""

BLURRED_PX = 0.5
"""Registered and focused pictures may differ by so much of a pixel; edges are excused accordingly."""

RIM_PX = 4
"""Outermost pixels, where the background shows through: left out."""


@dataclass(frozen=True)
class CopyFinding:
    """probability: that both pictures show one physical card; rim: correlation outside the picture; left_over: what
    remains of the query's detail once the reference is taken away, as a share of it."""

    probability: float
    rim: float
    left_over: float
    features: dict[str, float]

    @property
    def words(self) -> str:
        kind = "the same physical card" if self.probability >= 0.5 else "another copy"
        told = f"stains and cut edges outside the picture agree to {self.rim:.2f}"
        return f"probably {kind}: {told}, {100 * self.left_over:.0f} % of the detail is not on the other picture"


def judge_copy(
    query: Face, reference: Face, alignment: Alignment, crop: CropFinding, calibration: Calibration
) -> CopyFinding:
    """Compare whole faces and what lies outside the picture, under the transform that the picture gave."""
    features = copy_features(query, reference, alignment, crop)
    left_over = min(1.0, float(np.exp(features["left_over"])))
    probability = calibration.answered("copy", calibration.rungs["copy"].logit(features))
    return CopyFinding(probability, features["rim"], left_over, features)


def copy_features(query: Face, reference: Face, alignment: Alignment, crop: CropFinding) -> dict[str, float]:
    """What is left over on the face, how the rim correlates, how far the print's place differs."""
    laid, covered = warp_reference(reference, alignment)
    shown = query.trusted & covered
    shown[:RIM_PX] = shown[-RIM_PX:] = False
    shown[:, :RIM_PX] = shown[:, -RIM_PX:] = False
    mine, theirs = query.grey.astype(np.float32), laid.astype(np.float32)
    return {
        "left_over": _left_over(mine, theirs, shown),
        **_of_marks(mine, theirs, shown),
        **_of_face(mine, theirs, shown),
        **_of_rim(mine, theirs, shown & ~picture_zone(query.size)),
        "shift": float(np.log1p(10 * np.hypot(crop.window.dx, crop.window.dy))),
        "zoom": float(np.log1p(300 * abs(np.log(crop.window.scale)))),
    }


def _of_rim(mine: Floats, theirs: Floats, outside: Bools) -> dict[str, float]:
    found = correlation_map(mine, theirs, outside, STAINS)
    correlation = found.mean(found.correlation) if found else 0.0
    legible = float(np.log(min(found.detail))) if found else 0.0
    # Fisher's z: correlations near one differ by more than they seem to.
    likeness = float(np.arctanh(np.clip(correlation, -0.98, 0.98)))
    return {"rim": correlation, "likeness": likeness, "likeness_by_legible": likeness * legible, "legible": legible}


def _of_face(mine: Floats, theirs: Floats, shown: Bools) -> dict[str, float]:
    """Correlation where there is picture, and everywhere alike: stains lie anywhere."""
    features: dict[str, float] = {}
    for name, band in (("flaws", FLAWS), ("clouds", CLOUDS)):
        found = correlation_map(mine, theirs, shown, band)
        if found is None:
            return {f"{n}_{k}": 0.0 for n in ("flaws", "clouds") for k in ("weighted", "gap", "everywhere", "detail")}
        everywhere = float(found.correlation[found.weight > 0].mean()) if found.judged else 0.0
        features[f"{name}_weighted"] = log_gap(1 - found.mean(found.correlation), 0.02)
        features[f"{name}_gap"] = log_gap(found.mean(found.expected - found.correlation), 0.02)
        features[f"{name}_everywhere"] = log_gap(1 - everywhere, 0.05)
        features[f"{name}_detail"] = float(np.log(min(found.detail)))
    return features


def _left_over(mine: Floats, theirs: Floats, shown: Bools) -> float:
    """Log of what remains of the query's detail after the reference's, at the best local gain, has been taken away."""
    if not shown.any():
        return 0.0
    mask = shown.astype(np.float32)
    inside = _near(mask) + 1e-3

    def mean(values: Floats) -> Floats:
        return np.asarray(_near(values * mask) / inside, np.float32)

    level_1, level_2 = mean(mine), mean(theirs)
    spread_1, spread_2 = mean(mine * mine) - level_1 * level_1, mean(theirs * theirs) - level_2 * level_2
    gain = np.sqrt(np.maximum(spread_1, 0.1) / np.maximum(spread_2, 0.1))
    rest = cv2.GaussianBlur(((mine - level_1) - gain * (theirs - level_2)) * mask, (0, 0), 2.0)
    typical = np.sqrt(float(np.median(np.maximum(spread_1[shown], 0.1))))
    return float(np.log((np.sqrt(float(np.median(rest[shown] ** 2))) + 0.05) / typical))


def _of_marks(mine: Floats, theirs: Floats, shown: Bools) -> dict[str, float]:
    """Small things that one card has and the other has not, wherever they lie, in what noise and edges excuse.

    marks: log of the share of the face that they cover; mark: the largest of them.
    """
    if not shown[::2, ::2].any():
        return {"marks": 0.0, "mark": 0.0}
    mask = shown.astype(np.float32)
    fine_1, fine_2 = (np.asarray(cv2.GaussianBlur(v, (0, 0), 1.2), np.float32) for v in (mine, theirs))
    band_1, band_2 = fine_1 - slow(fine_1, 8.0), fine_2 - slow(fine_2, 8.0)
    shared, energy = _near(band_1 * band_2 * mask), _near(band_2 * band_2 * mask) + 0.1 * _near(mask)
    rest = band_1 - np.clip(shared / np.maximum(energy, 1e-3), 0.2, 5.0) * band_2
    noise = 1.4826 * float(np.median(np.abs(rest[::2, ::2][shown[::2, ::2]]))) + 0.05
    slope = cv2.magnitude(*(cv2.Sobel(fine_1, cv2.CV_32F, x, 1 - x, scale=1 / 8) for x in (1, 0)))
    edges = cv2.dilate(slope, np.ones((3, 3), np.uint8))
    odd = np.where(shown, rest * rest / (noise * noise + (BLURRED_PX * edges) ** 2), 0.0).astype(np.float32)
    share = float((odd > MARKED**2).sum()) / float(shown.sum())
    largest = float(cv2.GaussianBlur(odd, (0, 0), 3.0).max())
    return {"marks": log_gap(share, 1e-4), "mark": 0.5 * log_gap(largest, 0.1)}


def _near(values: Floats) -> Floats:
    return slow(values, NEAR_PX)
