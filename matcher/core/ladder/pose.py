"""Rung 1, pose: do the two faces come from one negative, or from two exposures?

Two faces and their `Alignment` in, a `PoseFinding` out. Inliers and a good fit are no evidence: backdrop, props and
mount are shared between negatives. What decides is whether the picture itself agrees everywhere it can be
judged, compared with what the two prints' noise and fade allow, and whether the worst coherent patch still does:
a moved arm before a shared backdrop is such a patch.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.align.alignment import Alignment, warp_reference
from matcher.core.align.view import picture_box
from matcher.core.calibration import Calibration, log_gap
from matcher.core.flatten import Face
from matcher.core.ladder.caption_zone import shown_picture
from matcher.core.ladder.change_detector import DifferenceMap, compare, difference_features
from matcher.core.ladder.local_ncc import STEP, Band, CorrelationMap, correlation_map, pooled
from matcher.core.settings import FaceSize

FINE = Band(fine=1.0, coarse=5.0, window=7.0)
MEDIUM = Band(fine=2.0, coarse=9.0, window=12.0)
"""Two scales: fine detail tells exposures apart on strong prints, medium detail survives on faint ones."""

PATCH_PX = (10.0, 18.0)
"""Gaussian sigmas of a coherent patch: about a hand, and about a head with shoulders, at 10 px/mm."""


SEAM_PX = 8
"""Left out along the edge of what both show."""


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
        told = f"the picture agrees over {100 * self.share:.0f} % of what can be judged"
        told += f", {100 * self.judged:.0f} % of the face, correlated {self.agreement:.2f}"
        told += f" where one negative would give {self.expected:.2f}"
        if self.probability >= 0.5:
            return f"same negative: {told}"
        return f"another exposure: {told}; {_place(self.map)}"


def judge_pose(query: Face, reference: Face, alignment: Alignment, calibration: Calibration) -> PoseFinding | None:
    """Compare the registered pictures; None where too little of them can be judged."""
    compared = compare_pictures(query, reference, alignment)
    if compared is None:
        return None
    features = pose_features(compared, alignment)
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
    part:         where the comparator sees something different.
    size, box:    the face, and the rows and columns of it that were compared.
    """

    fine: CorrelationMap
    medium: CorrelationMap
    part: DifferenceMap
    size: FaceSize
    box: tuple[slice, slice]

    @property
    def judged(self) -> float:
        """Share of the face that could be judged."""
        whole = self.size.height * self.size.width / STEP**2
        return float((self.fine.weight > 0).sum()) / whole


def compare_pictures(query: Face, reference: Face, alignment: Alignment) -> PictureComparison | None:
    """None where too little is shown on both."""
    box = picture_box(query.size)
    laid, covered = warp_reference(reference, alignment, reference.trusted & shown_picture(reference))
    mask = well_inside(query.trusted & shown_picture(query) & covered)[box]
    grey, laid = query.grey[box], laid[box]
    mine, theirs = grey.astype(np.float32), laid.astype(np.float32)
    fine, medium = correlation_map(mine, theirs, mask, FINE), correlation_map(mine, theirs, mask, MEDIUM)
    if fine is None or medium is None:
        return None
    return PictureComparison(fine, medium, compare("pictures", grey, laid, mask), query.size, box)


def well_inside(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Without a seam along its edge: mounts, cut edges and glare end there, and would look like a difference."""
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * SEAM_PX + 1, 2 * SEAM_PX + 1))
    seamless = cv2.erode(mask.astype(np.uint8), kernel, borderType=cv2.BORDER_CONSTANT, borderValue=0)
    return np.asarray(seamless, np.bool_)


def pose_features(compared: PictureComparison, alignment: Alignment) -> dict[str, float]:
    """What the probability is computed from: differences, shortfalls from agreement, the noise they are seen in."""
    # How well the whole was registered excuses a little; inliers say nothing: backdrops and mounts have plenty.
    features = {"correlation": log_gap(1 - alignment.correlation, 0.02)}
    for name, part in (("fine", compared.fine), ("medium", compared.medium)):
        mean, expected = part.mean(part.correlation), part.mean(part.expected)
        features[f"{name}_mean"] = log_gap(1 - mean, 0.02)
        features[f"{name}_expected"] = log_gap(1 - expected, 0.02)
        features[f"{name}_shortfall"] = log_gap(expected - mean, 0.05)
        features[f"{name}_detail_query"], features[f"{name}_detail_reference"] = np.log(part.detail)
        for patch in PATCH_PX:
            worst = _worst_patch(part, patch)
            features[f"{name}_worst_{patch:.0f}"] = log_gap(worst, 0.05)
            # Besides its logarithm the shortfall itself: a patch that disagrees altogether settles the matter.
            features[f"{name}_patch_{patch:.0f}"] = max(worst, 0.0) ** 2
    return {**features, **difference_features([compared.part])}


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
    chance = cv2.resize(compared.part.chance, part.weight.shape[::-1], interpolation=cv2.INTER_LINEAR)
    judged = (part.weight > 0) & ((pooled(part.weight, 4.0) > 0.08) | (chance > 0.5))
    whole = np.full((compared.size.height // STEP, compared.size.width // STEP), np.nan, np.float32)
    top, left = rows.start // STEP, columns.start // STEP
    height, width = judged.shape
    whole[top : top + height, left : left + width] = np.where(judged, 1 - chance, np.nan)
    return whole


def _place(evidence: NDArray[np.float32]) -> str:
    """Where on the face the disagreement is worst, in words."""
    gap = pooled(np.nan_to_num(1.0 - evidence, nan=0.0), 18.0)
    row, column = np.unravel_index(int(gap.argmax()), gap.shape)
    down = ("upper", "middle", "lower")[min(2, int(3 * row / gap.shape[0]))]
    across = ("left", "centre", "right")[min(2, int(3 * column / gap.shape[1]))]
    return f"they differ most at the {down} {across}"
