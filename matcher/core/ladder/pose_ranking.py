"""Which pose does the card show? Candidates in, the poses with their probabilities out.

The one place where a pose is chosen: `verification` asks which pose's crops and captions are to be measured, `decision`
which pose the answer is about.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from matcher.core.calibration import Calibration
from matcher.core.ladder.candidate import Candidate
from matcher.core.ladder.fusion import PoseEvidence, fuse_by_pose
from matcher.core.ladder.head_to_head import Contender, share_odds
from matcher.core.ladder.settings import LadderSettings


@dataclass(frozen=True)
class PoseRanking:
    """The candidates' poses, of which at most one is the card's.

    evidence:   of each pose that was judged, what its references say together, before poses compete.
    candidates: of all poses, also of those that could not be judged.
    """

    evidence: Mapping[str, PoseEvidence]
    candidates: Sequence[Candidate]
    calibration: Calibration
    settings: LadderSettings

    def __bool__(self) -> bool:
        return bool(self.candidates)

    @cached_property
    def shares(self) -> dict[str, float]:
        """Probability of each pose once the likely ones have been compared with each other where they differ."""
        contenders = {candidate.record.pose: Contender(0.0, ()) for candidate in self.candidates}
        contenders |= {name: Contender(one.probability, one.finding.parts) for name, one in self.evidence.items()}
        return share_odds(contenders, self.calibration, self.settings.head_to_head)

    @property
    def likeliest(self) -> str:
        """The pose that the answer is about. Raises ValueError where there is no candidate."""
        return max(self.shares, key=lambda name: self.shares[name])

    @property
    def fits(self) -> bool:
        """Whether the pictures themselves speak for the likeliest pose, whatever was expected."""
        pose = self.likeliest
        return pose in self.evidence and self.evidence[pose].log_ratio > 0

    @property
    def most_alone(self) -> float:
        """The highest probability of any pose before poses compete."""
        return max((one.probability for one in self.evidence.values()), default=0.0)

    @property
    def lead(self) -> Candidate:
        """The likeliest pose's reference that speaks for it. Raises ValueError where there is no candidate."""
        pose = self.likeliest
        if pose in self.evidence:
            return self.evidence[pose].lead
        return next(candidate for candidate in self.candidates if candidate.record.pose == pose)


def rank_poses(
    candidates: Sequence[Candidate], calibration: Calibration, settings: LadderSettings | None = None
) -> PoseRanking:
    """The ranking of the poses of `candidates`; falsy where there are none."""
    settings = settings or LadderSettings()
    evidence = fuse_by_pose(candidates, calibration, settings)
    return PoseRanking(evidence, tuple(candidates), calibration, settings)
