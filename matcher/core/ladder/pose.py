"""Rung 1, pose: do the two faces come from one negative, or from two exposures?

A `Registered` pair in, a `PoseFinding` out. Inliers and a good fit are no evidence: backdrop, props and mount are
shared between negatives. What decides is whether the picture itself agrees everywhere it can be judged, compared with
what the two prints' noise and fade allow, and whether the worst coherent patch still does: a moved arm before a shared
backdrop is such a patch.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.align.alignment import Alignment
from matcher.core.align.view import picture_box
from matcher.core.calibration import Calibration, log_gap
from matcher.core.ladder.change_detector import DifferenceMap, compare, difference_features
from matcher.core.ladder.local_ncc import STEP, CorrelationMap, correlation_map, pooled
from matcher.core.ladder.registered import Registered
from matcher.core.ladder.settings import LadderSettings, PoseSettings
from matcher.core.settings import FaceSize


@dataclass(frozen=True)
class PoseFinding:
    """The picture's agreement.

    probability: that both faces come from one negative.
    agreement:   weighted mean correlation at the fine scale, and what one negative would give (expected).
    judged:      share of the face that could be judged.
    map:         (height, width) / 2 float32 over the query face, 1 agrees, 0 disagrees, NaN cannot be judged.
    features:    what the probability was computed from.
    parts:       the pictures as they were compared, for rivals to be compared by.
    """

    probability: float
    agreement: float
    expected: float
    judged: float
    map: NDArray[np.float32]
    features: dict[str, float]
    parts: tuple[DifferenceMap, ...] = field(default=(), repr=False)

    @property
    def share(self) -> float:
        """Share of the spots that can be judged where the pictures agree."""
        judged = self.map[~np.isnan(self.map)]
        return float((judged > 0.5).mean()) if judged.size else 0.0

    @property
    def words(self) -> str:
        found = f"the picture agrees over {100 * self.share:.0f} % of what can be judged"
        found += f", {100 * self.judged:.0f} % of the face, correlated {self.agreement:.2f}"
        found += f" where one negative would give {self.expected:.2f}"
        if self.probability >= 0.5:
            return f"same negative: {found}"
        return f"another exposure: {found}; {_place(self.map)}"


def judge_pose(pair: Registered, calibration: Calibration) -> PoseFinding | None:
    """Compare the registered pictures; None where too little of them can be judged."""
    compared = compare_pictures(pair)
    if compared is None:
        return None
    features = pose_features(compared)
    fine = compared.fine
    return PoseFinding(
        probability=calibration.probability("pose", features),
        agreement=fine.mean(fine.correlation),
        expected=fine.mean(fine.expected),
        judged=compared.judged,
        map=_evidence_map(compared),
        features=features,
        parts=(compared.part,),
    )


@dataclass(frozen=True)
class PictureComparison:
    """Two registered pictures, compared over the query's picture box.

    fine, medium: agreement at two scales.
    part:         where the change detector sees something different.
    size, box:    the face, and the rows and columns of it that were compared.
    alignment:    by which they were registered.
    settings:     with which they were compared.
    """

    fine: CorrelationMap
    medium: CorrelationMap
    part: DifferenceMap
    size: FaceSize
    box: tuple[slice, slice]
    alignment: Alignment
    settings: LadderSettings

    @property
    def judged(self) -> float:
        """Share of the face that could be judged."""
        whole = self.size.height * self.size.width / STEP**2
        return float((self.fine.weight > 0).sum()) / whole


def compare_pictures(pair: Registered) -> PictureComparison | None:
    """None where too little is shown on both."""
    settings, size = pair.settings, pair.query.face.size
    box = picture_box(size)
    mask = well_inside(pair.both_picture, settings.pose)[box]
    query, reference = pair.query.face.grey[box], pair.warped[box]
    greys = query.astype(np.float32), reference.astype(np.float32)
    fine, medium = (
        correlation_map(*greys, mask, band, settings.correlation) for band in (settings.pose.fine, settings.pose.medium)
    )
    if fine is None or medium is None:
        return None
    part = compare("pictures", query, reference, mask)
    return PictureComparison(fine, medium, part, size, box, pair.alignment, settings)


def well_inside(mask: NDArray[np.bool_], settings: PoseSettings | None = None) -> NDArray[np.bool_]:
    """A (height, width) mask without a seam along its edge: mounts, cut edges and glare end there, and would look like
    a difference."""
    side = 2 * (settings or PoseSettings()).seam_px + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    seamless = cv2.erode(mask.astype(np.uint8), kernel, borderType=cv2.BORDER_CONSTANT, borderValue=0)
    return np.asarray(seamless, np.bool_)


def pose_features(compared: PictureComparison) -> dict[str, float]:
    """What the probability is computed from: differences, shortfalls from agreement, the noise they are seen in."""
    settings = compared.settings
    # How well the whole was registered excuses a little; inliers say nothing: backdrops and mounts have plenty.
    features = {"correlation": log_gap(1 - compared.alignment.correlation, 0.02)}
    for name, part in (("fine", compared.fine), ("medium", compared.medium)):
        mean, expected = part.mean(part.correlation), part.mean(part.expected)
        features[f"{name}_mean"] = log_gap(1 - mean, 0.02)
        features[f"{name}_expected"] = log_gap(1 - expected, 0.02)
        features[f"{name}_shortfall"] = log_gap(expected - mean, 0.05)
        features[f"{name}_detail_query"], features[f"{name}_detail_reference"] = np.log(part.detail)
        for patch in settings.pose.patches_px:
            worst = _worst_patch(part, patch)
            features[f"{name}_worst_{patch:.0f}"] = log_gap(worst, 0.05)
            # Besides its logarithm the shortfall itself: a patch that disagrees altogether settles the matter.
            features[f"{name}_patch_{patch:.0f}"] = max(worst, 0.0) ** 2
    return {**features, **difference_features([compared.part], settings.change)}


def _worst_patch(part: CorrelationMap, sigma: float) -> float:
    """Largest shortfall against what one negative would give, over any patch of `sigma` pixels with detail."""
    shortfall = pooled((part.expected - part.correlation) * part.weight, sigma)
    detail = pooled(part.weight, sigma)
    judged = part.weight > 0
    typical = float(detail[judged].mean()) if judged.any() else 1.0
    dense = judged & (detail > 0.5 * float(np.median(detail[judged]))) if judged.any() else judged
    # A third of the usual detail is added below: a bare patch must not win by dividing by next to nothing.
    return float((shortfall / (detail + 0.3 * typical))[dense].max()) if dense.any() else 0.0


def _evidence_map(compared: PictureComparison) -> NDArray[np.float32]:
    """1 where the spot shows the same, 0 where something else, NaN where there is no detail to tell."""
    part, (rows, columns) = compared.fine, compared.box
    differs = cv2.resize(compared.part.probability, part.weight.shape[::-1], interpolation=cv2.INTER_LINEAR)
    judged = (part.weight > 0) & ((pooled(part.weight, 4.0) > 0.08) | (differs > 0.5))
    whole = np.full((compared.size.height // STEP, compared.size.width // STEP), np.nan, np.float32)
    top, left = rows.start // STEP, columns.start // STEP
    height, width = judged.shape
    whole[top : top + height, left : left + width] = np.where(judged, 1 - differs, np.nan)
    return whole


def _place(evidence: NDArray[np.float32]) -> str:
    """Where on the face the disagreement is worst, in words."""
    gap = pooled(np.nan_to_num(1.0 - evidence, nan=0.0), 18.0)
    row, column = np.unravel_index(int(gap.argmax()), gap.shape)
    down = ("upper", "middle", "lower")[min(2, int(3 * row / gap.shape[0]))]
    across = ("left", "centre", "right")[min(2, int(3 * column / gap.shape[1]))]
    return f"they differ most at the {down} {across}"
