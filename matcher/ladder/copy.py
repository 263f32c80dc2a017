"""Rung 4, copy: is it the very same physical card, or another copy of the same record?

Two faces and their `Alignment` in, a `CopyFinding` out. What two copies share is the negative; what they do not share
is where the scissors went, and the stains and wear of the mount. So the print's place on the card must agree
within measurement, and the rim outside the picture must look alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from matcher.align import Alignment, lay_over
from matcher.flatten import Face
from matcher.ladder.agreement import Band, agreement
from matcher.ladder.confidence import Calibration
from matcher.ladder.crop import CropFinding
from matcher.view import picture_zone

STAINS = Band(fine=2.0, coarse=12.0, window=10.0)
"""Foxing, dirt and cut edges: larger than grain, smaller than uneven light."""

RIM_PX = 3
"""Outermost pixels, where the background shows through: left out."""


@dataclass(frozen=True)
class CopyFinding:
    """probability: that both pictures show one physical card; rim: correlation outside the picture."""

    probability: float
    rim: float
    features: dict[str, float]

    @property
    def words(self) -> str:
        kind = "the same physical card" if self.probability >= 0.5 else "another copy"
        return f"probably {kind}: stains and cut edges outside the picture agree to {self.rim:.2f}"


def judge_copy(
    query: Face, reference: Face, alignment: Alignment, crop: CropFinding, calibration: Calibration
) -> CopyFinding:
    """Compare what lies outside the picture, under the transform that the picture gave."""
    features = copy_features(query, reference, alignment, crop)
    return CopyFinding(calibration.probability("copy", features), features["rim"], features)


def copy_features(query: Face, reference: Face, alignment: Alignment, crop: CropFinding) -> dict[str, float]:
    """Correlation of the rim, and how far the print's place differs (log of 1 + mm, and of the scale)."""
    laid, covered = lay_over(reference, alignment)
    outside = ~picture_zone(query.size) & query.trusted & covered
    outside[:RIM_PX] = outside[-RIM_PX:] = False
    outside[:, :RIM_PX] = outside[:, -RIM_PX:] = False
    found = agreement(query.grey.astype(np.float32), laid.astype(np.float32), outside, STAINS)
    correlation = found.mean(found.correlation) if found else 0.0
    legible = float(np.log(min(found.detail))) if found else 0.0
    # Fisher's z: correlations near one differ by more than they seem to.
    likeness = float(np.arctanh(np.clip(correlation, -0.98, 0.98)))
    return {
        "rim": correlation,
        "likeness": likeness,
        "likeness_by_legible": likeness * legible,
        "shift": float(np.log1p(10 * np.hypot(crop.window.dx, crop.window.dy))),
        "zoom": float(np.log1p(300 * abs(np.log(crop.window.scale)))),
        "legible": legible,
    }
