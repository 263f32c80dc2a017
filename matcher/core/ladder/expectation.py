"""What is expected of a pose before its picture is compared closely: a pose's candidates in, log odds out.

The comparison of two pictures gives a likelihood ratio. What it is multiplied with, the prior, is known from elsewhere:
how often a card's negative is enrolled at all, whether the card resembled this pose on the shortlist, and whether the
picture lies on it in a window that the pose is known in. Another negative was brought to the card's size by itself, and
seldom lies within a hand's cut of where this one does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from matcher.core.calibration import log_odds
from matcher.core.ladder.candidate import Candidate
from matcher.core.ladder.settings import ExpectationSettings


def expected_odds(of_one_pose: Sequence[Candidate], settings: ExpectationSettings | None = None) -> float:
    """Log odds that the card shows the pose of these candidates, whatever a comparison of the pictures will say."""
    asked = settings or ExpectationSettings()
    resembles = max(candidate.matches for candidate in of_one_pose) >= asked.many_matches
    measured = [candidate.same_window for candidate in of_one_pose if candidate.same_window is not None]
    alike = max(measured, default=None)
    near = (asked.many_in_window, asked.many_elsewhere)
    one = _likelihood(resembles, alike, asked.window_of_one, near)
    twin = _likelihood(resembles, alike, asked.window_of_another, near)
    stranger = _likelihood(resembles, alike, asked.window_of_another, (asked.many_of_none,) * 2)
    return log_odds(asked.prior) + math.log(one / (asked.near * twin + (1 - asked.near) * stranger))


def _likelihood(resembles: bool, alike: float | None, in_window: float, many: tuple[float, float]) -> float:
    """Of what was seen, where a share of the cards shows its picture in the same window.

    alike: how likely this one does; None where that was not measured. many: share of the cards that resemble the pose
    on the shortlist, in the same window and in another.
    """
    seen = [share if resembles else 1 - share for share in many]
    window = (1.0, 1.0) if alike is None else (alike, 1 - alike)
    return in_window * window[0] * seen[0] + (1 - in_window) * window[1] * seen[1]
