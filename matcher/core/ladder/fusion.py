"""What several references of one pose say together: candidates in, one probability a pose out.

No single one is to be believed: a faint reference agrees with every exposure, and one that was outlined or laid over
badly with none. Each has a say by how much it would show, its detail against its noise, and those that hardly fit
where others of the same pose do are not heard.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from matcher.core.calibration import Calibration, log_odds
from matcher.core.ladder.candidate import Candidate
from matcher.core.ladder.pose import PoseFinding

FIRM = 0.8
"""A reference that correlates less than this share of the pose's best one was laid over wrongly."""

MOST = 0.9999
"""No single one is surer than this: it would drown the others."""


@dataclass(frozen=True)
class PoseEvidence:
    """lead: the reference that speaks most nearly as all of them together; finding: what it showed."""

    probability: float
    lead: Candidate
    finding: PoseFinding


def fuse_by_pose(candidates: Sequence[Candidate], calibration: Calibration) -> dict[str, PoseEvidence]:
    """One of each pose that was judged at all."""
    judged: dict[str, list[tuple[Candidate, PoseFinding]]] = defaultdict(list)
    for candidate in candidates:
        if candidate.pose:
            judged[candidate.record.pose].append((candidate, candidate.pose))
    return {pose: _verdict(heard, calibration) for pose, heard in judged.items()}


def _verdict(judged: Sequence[tuple[Candidate, PoseFinding]], calibration: Calibration) -> PoseEvidence:
    best = max(candidate.alignment.correlation for candidate, _ in judged)
    firm = [one for one in judged if one[0].alignment.correlation >= FIRM * best]
    says = np.array([log_odds(found.probability, MOST) for _, found in firm])
    expected = np.clip([found.expected for _, found in firm], 0.01, 0.99)
    together = float(np.average(says, weights=expected / (1 - expected)))
    lead, finding = firm[int(np.abs(says - together).argmin())]
    return PoseEvidence(calibration.answered("pose", together), lead, finding)
