"""What one candidate's line says: nothing that holds only if an improbable negative were right."""

from __future__ import annotations

import pytest

from matcher.cli.identify import candidate_line
from matcher.core.answer import CandidateEvidence, CandidateResult
from matcher.core.ladder.candidate import Confidence

TWICE = "by itself it fits as well: much alike, or the same negative enrolled twice"


@pytest.mark.parametrize(
    ("pose", "crop", "evidence", "told"),
    [
        (0.98, 0.96, CandidateEvidence(method="orb", pose_log10_ratio=3.0), "pose 98 %, crop 96 %"),
        (0.02, 0.68, CandidateEvidence(method="orb", pose_log10_ratio=-2.0), "pose 2 %"),  # a crop of what negative?
        (0.001, None, CandidateEvidence(method="orb", pose_log10_ratio=-4.0), "pose under 1 %"),
        # a rival is likelier, which does not make it another negative: where one was enrolled twice both fit
        (0.001, None, CandidateEvidence(method="orb", pose_log10_ratio=2.0), TWICE),
        (0.08, None, CandidateEvidence(method="orb", pose_log10_ratio=1.0), f"{TWICE}, pose 8 %"),
        # one that was spared, since another is nearly certain, is not found to be unlikely
        (0.0, None, CandidateEvidence(method="none"), "not compared"),
    ],
)
def test_a_candidate_s_line(pose: float, crop: float | None, evidence: CandidateEvidence, told: str) -> None:
    one = CandidateResult("V1", "P1", "A", "A. Name", "1", Confidence(pose=pose, crop=crop), None, evidence)
    assert candidate_line(one) == f"  V1   P1 A A. Name   {told}"
