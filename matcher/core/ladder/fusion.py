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
from matcher.core.ladder.expectation import expected_odds
from matcher.core.ladder.pose import PoseFinding
from matcher.core.ladder.settings import FusionSettings, LadderSettings


@dataclass(frozen=True)
class PoseEvidence:
    """What all of a pose's references say.

    probability: that the query shows this pose, by the pictures and by what was expected, before poses compete.
    log_ratio:   of the likelihoods of what the pictures show, if it is one negative and if it is not; natural
                 logarithm.
    lead:        the reference that speaks most nearly as all of them together.
    finding:     what that one showed.
    """

    probability: float
    log_ratio: float
    lead: Candidate
    finding: PoseFinding


def fuse_by_pose(
    candidates: Sequence[Candidate], calibration: Calibration, settings: LadderSettings | None = None
) -> dict[str, PoseEvidence]:
    """One of each pose that was judged at all, by the pose's name."""
    settings = settings or LadderSettings()
    of_pose: dict[str, list[Candidate]] = defaultdict(list)
    for candidate in candidates:
        of_pose[candidate.record.pose].append(candidate)
    return {
        pose: _stated(judged, expected_odds(same, settings.expectation), calibration, settings.fusion)
        for pose, same in of_pose.items()
        if (judged := [(one, one.pose) for one in same if one.pose])
    }


def _stated(
    judged: Sequence[tuple[Candidate, PoseFinding]], expected: float, calibration: Calibration, settings: FusionSettings
) -> PoseEvidence:
    """Mean log odds, weighted by what each reference would show of one negative against what it would not, and the
    probability that follows from what was expected."""
    best = max(candidate.alignment.correlation for candidate, _ in judged)
    kept = [one for one in judged if one[0].alignment.correlation >= settings.least_correlation * best]
    odds = np.array([log_odds(found.probability, settings.most_probable) for _, found in kept])
    shown = np.clip([found.expected for _, found in kept], 0.01, 0.99)
    together = float(np.average(odds, weights=shown / (1 - shown)))
    lead, finding = kept[int(np.abs(odds - together).argmin())]
    stated = calibration.answered("pose", together + expected)
    return PoseEvidence(float(np.clip(stated, 1 - settings.surest, settings.surest)), together, lead, finding)
