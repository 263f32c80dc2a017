"""Rung 4, copy: is it the very same physical card, or another copy of the same record?

A `Registered` pair in, a `CopyFinding` out. Two copies share the negative; each has its own stains, scratches and grain
of the paper, its own uneven fading, and scissors went elsewhere. On one card hardly anything is left over once the
other picture of it is taken away, over the whole face and above all on the mount.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.align.view import picture_zone
from matcher.core.calibration import Calibration, log_gap
from matcher.core.filters import slow
from matcher.core.ladder.crop import CropFinding
from matcher.core.ladder.local_ncc import correlation_map
from matcher.core.ladder.picture_settings import CopySettings
from matcher.core.ladder.registered import Registered
from matcher.core.ladder.settings import LadderSettings

Floats = NDArray[np.float32]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class CopyFinding:
    """The physical cards' agreement.

    probability: that both pictures show one physical card.
    rim:         correlation outside the picture.
    left_over:   what remains of the query's detail once the reference is taken away, as a share of it.
    features:    what the probability was computed from.
    """

    probability: float
    rim: float
    left_over: float
    features: dict[str, float]

    @property
    def words(self) -> str:
        kind = "the same physical card" if self.probability >= 0.5 else "another copy"
        return f"probably {kind}, by the stains and cut edges round the picture"


def judge_copy(pair: Registered, crop: CropFinding, calibration: Calibration) -> CopyFinding:
    """Compare whole faces and what lies outside the picture, under the transform that the picture gave."""
    features = copy_features(pair, crop)
    left_over = min(1.0, float(np.exp(features["left_over"])))
    probability = calibration.answered("copy", calibration.rungs["copy"].logit(features))
    return CopyFinding(probability, features["rim"], left_over, features)


def copy_features(pair: Registered, crop: CropFinding) -> dict[str, float]:
    """What is left over on the face, how the rim correlates, how far the print's place differs."""
    settings = pair.settings
    faces = _Faces(
        pair.query.face.grey.astype(np.float32),
        pair.warped.astype(np.float32),
        _without_rim(pair.query.face.trusted & pair.covered, settings.copy.rim_px),
        settings,
    )
    return {
        "left_over": _left_over(faces),
        **_marks(faces),
        **_whole_face(faces),
        **_outside(faces, ~picture_zone(pair.query.face.size)),
        "shift": float(np.log1p(10 * np.hypot(crop.window.dx, crop.window.dy))),
        "zoom": float(np.log1p(300 * abs(np.log(crop.window.scale)))),
    }


@dataclass(frozen=True)
class _Faces:
    """Two registered greys, (height, width) float32, and where both may be believed."""

    query: Floats
    reference: Floats
    shown: Bools
    settings: LadderSettings

    @property
    def copy(self) -> CopySettings:
        return self.settings.copy

    def near(self, values: Floats) -> Floats:
        return slow(values, self.copy.near_px)


def _without_rim(shown: Bools, rim: int) -> Bools:
    inner = np.zeros_like(shown)
    inner[rim:-rim, rim:-rim] = shown[rim:-rim, rim:-rim]
    return inner


def _outside(faces: _Faces, mount: Bools) -> dict[str, float]:
    """How stains, dirt and cut edges agree where there is no picture."""
    settings = faces.settings
    masked = faces.query, faces.reference, faces.shown & mount
    found = correlation_map(*masked, settings.copy.stains, settings.correlation)
    correlation = found.mean(found.correlation) if found else 0.0
    legible = float(np.log(min(found.detail))) if found else 0.0
    # Fisher's z: correlations near one differ by more than they seem to.
    likeness = float(np.arctanh(np.clip(correlation, -0.98, 0.98)))
    return {"rim": correlation, "likeness": likeness, "likeness_by_legible": likeness * legible, "legible": legible}


def _whole_face(faces: _Faces) -> dict[str, float]:
    """Correlation where there is picture, and everywhere alike: stains lie anywhere."""
    features: dict[str, float] = {}
    for name, band in (("flaws", faces.copy.flaws), ("clouds", faces.copy.clouds)):
        found = correlation_map(faces.query, faces.reference, faces.shown, band, faces.settings.correlation)
        if found is None:
            return {f"{n}_{k}": 0.0 for n in ("flaws", "clouds") for k in ("weighted", "gap", "everywhere", "detail")}
        everywhere = float(found.correlation[found.weight > 0].mean()) if found.judged else 0.0
        features[f"{name}_weighted"] = log_gap(1 - found.mean(found.correlation), 0.02)
        features[f"{name}_gap"] = log_gap(found.mean(found.expected - found.correlation), 0.02)
        features[f"{name}_everywhere"] = log_gap(1 - everywhere, 0.05)
        features[f"{name}_detail"] = float(np.log(min(found.detail)))
    return features


def _left_over(faces: _Faces) -> float:
    """Log of what remains of the query's detail after the reference's, at the best local gain, has been taken away."""
    query, reference, shown = faces.query, faces.reference, faces.shown
    if not shown.any():
        return 0.0
    mask = shown.astype(np.float32)
    inside = faces.near(mask) + 1e-3

    def mean(values: Floats) -> Floats:
        return np.asarray(faces.near(values * mask) / inside, np.float32)

    level_1, level_2 = mean(query), mean(reference)
    spread_1, spread_2 = mean(query * query) - level_1 * level_1, mean(reference * reference) - level_2 * level_2
    gain = np.sqrt(np.maximum(spread_1, 0.1) / np.maximum(spread_2, 0.1))
    residual = cv2.GaussianBlur(((query - level_1) - gain * (reference - level_2)) * mask, (0, 0), 2.0)
    typical = np.sqrt(float(np.median(np.maximum(spread_1[shown], 0.1))))
    return float(np.log((np.sqrt(float(np.median(residual[shown] ** 2))) + 0.05) / typical))


def _marks(faces: _Faces) -> dict[str, float]:
    """Small things that one card has and the other has not, wherever they lie, in what noise and edges excuse.

    marks: log of the share of the face that they cover; mark: the largest of them.
    """
    shown, settings = faces.shown, faces.copy
    if not shown[::2, ::2].any():
        return {"marks": 0.0, "mark": 0.0}
    mask = shown.astype(np.float32)
    fine_1, fine_2 = (
        np.asarray(cv2.GaussianBlur(grey, (0, 0), 1.2), np.float32) for grey in (faces.query, faces.reference)
    )
    band_1, band_2 = fine_1 - slow(fine_1, 8.0), fine_2 - slow(fine_2, 8.0)
    shared, energy = faces.near(band_1 * band_2 * mask), faces.near(band_2 * band_2 * mask) + 0.1 * faces.near(mask)
    residual = band_1 - np.clip(shared / np.maximum(energy, 1e-3), 0.2, 5.0) * band_2
    noise = 1.4826 * float(np.median(np.abs(residual[::2, ::2][shown[::2, ::2]]))) + 0.05
    slope = cv2.magnitude(*(cv2.Sobel(fine_1, cv2.CV_32F, x, 1 - x, scale=1 / 8) for x in (1, 0)))
    edges = cv2.dilate(slope, np.ones((3, 3), np.uint8))
    excused = noise * noise + (settings.blurred_px * edges) ** 2
    odd = np.where(shown, residual * residual / excused, 0.0).astype(np.float32)
    share = float((odd > settings.marked**2).sum()) / float(shown.sum())
    largest = float(cv2.GaussianBlur(odd, (0, 0), 3.0).max())
    return {"marks": log_gap(share, 1e-4), "mark": 0.5 * log_gap(largest, 0.1)}
