"""Rung 1, pose: do the two faces come from one negative, or from two exposures?

Two faces and their `Alignment` in, a `PoseFinding` out. Inliers and a good fit are no evidence: backdrop, props and
mount are shared between negatives. What decides is whether the picture itself agrees everywhere it can be
judged, compared with what the two prints' noise and fade allow, and whether the worst coherent patch still does:
a moved arm before a shared backdrop is such a patch.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matcher.align import Alignment, lay_over
from matcher.flatten import Face
from matcher.ladder.agreement import Agreement, Band, agreement, pooled
from matcher.ladder.confidence import Calibration, log_gap
from matcher.view import picture_zone

FINE = Band(fine=1.0, coarse=5.0, window=7.0)
MEDIUM = Band(fine=2.0, coarse=9.0, window=12.0)
"""Two scales: fine detail tells exposures apart on strong prints, medium detail survives on faint ones."""

PATCH_PX = (10.0, 18.0)
"""Gaussian sigmas of a coherent patch: about a hand, and about a head with shoulders, at 10 px/mm."""


@dataclass(frozen=True)
class PoseFinding:
    """The picture's agreement.

    probability: that both faces come from one negative.
    agreement:   weighted mean correlation at the fine scale, and what one negative would give (expected).
    judged:      share of the face that could be judged.
    map:         (height, width) / 2 float32 over the query face, 1 agrees, 0 disagrees, NaN cannot be judged.
    features:    what the probability was computed from.
    """

    probability: float
    agreement: float
    expected: float
    judged: float
    map: NDArray[np.float32]
    features: dict[str, float]

    @property
    def words(self) -> str:
        told = f"the pictures agree to {self.agreement:.2f} where one negative would give {self.expected:.2f}"
        told += f", over {100 * self.judged:.0f} % of the face"
        if self.probability >= 0.5:
            return f"same negative: {told}"
        return f"another exposure: {told}; {_place(self.map)}"


def judge_pose(query: Face, reference: Face, alignment: Alignment, calibration: Calibration) -> PoseFinding | None:
    """Compare the registered pictures; None where too little of them can be judged."""
    compared = compare_pictures(query, reference, alignment)
    if compared is None:
        return None
    fine, medium = compared
    features = pose_features(fine, medium, alignment)
    return PoseFinding(
        probability=calibration.probability("pose", features),
        agreement=fine.mean(fine.correlation),
        expected=fine.mean(fine.expected),
        judged=fine.judged,
        map=_evidence_map(fine),
        features=features,
    )


def compare_pictures(query: Face, reference: Face, alignment: Alignment) -> tuple[Agreement, Agreement] | None:
    """Agreement at the fine and the medium scale, over the query face."""
    zone = picture_zone(query.size)
    laid, covered = lay_over(reference, alignment, reference.trusted & zone)
    mask = query.trusted & zone & covered
    registered = laid.astype(np.float32)
    fine = agreement(query.grey.astype(np.float32), registered, mask, FINE)
    medium = agreement(query.grey.astype(np.float32), registered, mask, MEDIUM)
    return (fine, medium) if fine is not None and medium is not None else None


def pose_features(fine: Agreement, medium: Agreement, alignment: Alignment) -> dict[str, float]:
    """What the probability is computed from: shortfalls from agreement, and the noise they are to be seen in."""
    features = {"correlation": log_gap(1 - alignment.correlation, 0.02), "inliers": float(np.log1p(alignment.inliers))}
    for name, part in (("fine", fine), ("medium", medium)):
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
    return features


def _worst_patch(part: Agreement, sigma: float) -> float:
    """Largest shortfall against what one negative would give, over any patch of `sigma` pixels with detail."""
    shortfall = pooled((part.expected - part.correlation) * part.weight, sigma)
    detail = pooled(part.weight, sigma)
    judged = part.weight > 0
    typical = float(detail[judged].mean()) if judged.any() else 1.0
    dense = judged & (detail > 0.5 * float(np.median(detail[judged]))) if judged.any() else judged
    # A third of the usual detail is added below: a bare patch must not win by dividing by next to nothing.
    return float((shortfall / (detail + 0.3 * typical))[dense].max()) if dense.any() else 0.0


def _evidence_map(part: Agreement) -> NDArray[np.float32]:
    detail = pooled(part.weight, 4.0)
    ratio = pooled(part.correlation * part.weight, 4.0) / np.maximum(pooled(part.expected * part.weight, 4.0), 1e-3)
    judged = (part.weight > 0) & (detail > 0.08)
    return np.where(judged, np.clip(ratio, 0.0, 1.0), np.nan).astype(np.float32)


def _place(evidence: NDArray[np.float32]) -> str:
    """Where on the face the disagreement is worst, in words."""
    gap = pooled(np.nan_to_num(1.0 - evidence, nan=0.0), 18.0)
    row, column = np.unravel_index(int(gap.argmax()), gap.shape)
    down = ("upper", "middle", "lower")[min(2, int(3 * row / gap.shape[0]))]
    across = ("left", "centre", "right")[min(2, int(3 * column / gap.shape[1]))]
    return f"they differ most at the {down} {across}"
