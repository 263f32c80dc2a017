"""What several references of one pose say together: candidates in, one probability a pose out.

No single one is to be believed: a faint reference agrees with every exposure, and one that was outlined or registered
badly with none. Each counts by how much it would show, its detail against its noise, and those that hardly fit where
others of the same pose do are left out.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from matcher.core.calibration import Calibration, log_odds
from matcher.core.ladder.candidate import Candidate
from matcher.core.ladder.pose import PoseFinding
from matcher.core.ladder.settings import FusionSettings


@dataclass(frozen=True)
class PoseEvidence:
    """What all of a pose's references say.

    probability: that the query shows this pose, before poses compete.
    log_ratio:   of the likelihoods of what was seen, if it is one negative and if it is not; natural logarithm.
    lead:        the reference that speaks most nearly as all of them together.
    finding:     what that one showed.
    """

    probability: float
    log_ratio: float
    lead: Candidate
    finding: PoseFinding


def fuse_by_pose(
    candidates: Sequence[Candidate], calibration: Calibration, settings: FusionSettings | None = None
) -> dict[str, PoseEvidence]:
    """One of each pose that was judged at all, by the pose's name."""
    judged: dict[str, list[tuple[Candidate, PoseFinding]]] = defaultdict(list)
    for candidate in candidates:
        if candidate.pose:
            judged[candidate.record.pose].append((candidate, candidate.pose))
    return {pose: _fused(findings, calibration, settings or FusionSettings()) for pose, findings in judged.items()}


def _fused(
    judged: Sequence[tuple[Candidate, PoseFinding]], calibration: Calibration, settings: FusionSettings
) -> PoseEvidence:
    """Mean log odds, weighted by what each reference would show of one negative against what it would not."""
    best = max(candidate.alignment.correlation for candidate, _ in judged)
    kept = [one for one in judged if one[0].alignment.correlation >= settings.least_correlation * best]
    odds = np.array([log_odds(found.probability, settings.most_probable) for _, found in kept])
    expected = np.clip([found.expected for _, found in kept], 0.01, 0.99)
    together = float(np.average(odds, weights=expected / (1 - expected)))
    lead, finding = kept[int(np.abs(odds - together).argmin())]
    if max(candidate.matches for candidate, _ in judged) < settings.weak_matches:
        together -= settings.weak
    stated = calibration.answered("pose", together + log_odds(settings.prior))
    return PoseEvidence(float(np.clip(stated, 1 - settings.surest, settings.surest)), together, lead, finding)
