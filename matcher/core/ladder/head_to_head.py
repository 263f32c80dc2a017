"""Two known candidates that may both fit: which of them does the query show, where the two differ from each other?

Each candidate alone is compared with the query at the quality of its own reference: a faint reference can look the
better fit. Against each other, only the spots count where the references show different things: a letter, a hand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.calibration import Calibration, sigmoid
from matcher.core.ladder.change_detector import STEP, DifferenceMap, compare, prepared

SURE = 6.0
"""Log odds beyond which one spot's word counts no more."""

RUNG = "rivals"

CHALLENGES = 0.08
"""A candidate less likely than this by itself is no rival."""

MOST = 4
"""Rivals that are compared with each other: more than have ever been alike."""


@dataclass(frozen=True)
class Contender:
    """A candidate explanation: its probability taken alone, and the parts by which it was judged.

    testimony: log odds, within the probability, that do not come from the parts: what was read.
    """

    probability: float
    parts: tuple[DifferenceMap, ...]
    testimony: float = 0.0


def share_odds(rivals: Mapping[str, Contender], calibration: Calibration | None = None) -> dict[str, float]:
    """Probabilities of rival explanations, of which at most one holds, from each one's own probability.

    With a calibration, the likeliest are first compared with each other where they differ: each defends what it has won
    so far against the next, and the two share the better one's odds as that comparison says.

    >>> share_odds({"A": Contender(0.9, ()), "B": Contender(0.9, ())})["A"]  # neither is sure, 'neither' unlikely
    0.4737
    >>> share_odds({"A": Contender(0.9, ())})["A"]
    0.9
    """
    odds = {name: min(r.probability, 1 - 1e-6) / (1 - min(r.probability, 1 - 1e-6)) for name, r in rivals.items()}
    ranked = sorted((n for n, r in rivals.items() if r.probability >= CHALLENGES and r.parts), key=lambda n: -odds[n])
    if calibration is not None and len(ranked) > 1:
        first = ranked[0]
        for second in ranked[1:MOST]:
            features = rival_features(rivals[first].parts, rivals[second].parts)
            told = rivals[first].testimony - rivals[second].testimony
            wins = sigmoid(calibration.rungs[RUNG].logit(features) + told)
            best = max(odds[first], odds[second])
            odds[first], odds[second] = best * wins, best * (1 - wins)
            first = max(first, second, key=lambda name: odds[name])
    total = 1.0 + sum(odds.values())
    return {name: round(o / total, 4) for name, o in odds.items()}


def rival_features(first: Sequence[DifferenceMap], second: Sequence[DifferenceMap]) -> dict[str, float]:
    """Evidence for `first` and against `second`, of one query; it changes its sign when they change places.

    spots:    how much more the comparator finds against the second, per spot where the two differ.
    evidence: the same, grown with the number of spots.
    template: how much better the first's detail fits the query's there, from -1 to 1.
    strength: the same, grown with the size and clearness of what differs.
    """
    against = fit = spots = size = noise = 0.0
    for one, other in zip(first, second, strict=True):
        where = _where_they_differ(one, other)
        against += float((where * (np.clip(other.differs, -SURE, SURE) - np.clip(one.differs, -SURE, SURE))).sum())
        spots += float(where.sum())
        better, energy, paper = _template(one, other, where)
        fit, size, noise = fit + better, size + energy, max(noise, paper)
    template = float(np.clip(fit / (size + 1e-6), -1.5, 1.5))
    return {
        "spots": against / (spots + 4.0),
        "evidence": float(np.arcsinh(against / 4.0)),
        "template": template,
        "strength": float(np.arcsinh(template * np.sqrt(size) / (1e-3 + noise) / 20)),
    }


def _where_they_differ(one: DifferenceMap, other: DifferenceMap) -> NDArray[np.float32]:
    """Chance, at each spot, that the two references show different things there."""
    everywhere = np.ones(one.theirs.shape, np.bool_)
    # Asked both ways round, so that who comes first does not matter.
    there, back = (compare(one.kind, a.theirs, b.theirs, everywhere).chance for a, b in ((one, other), (other, one)))
    return np.asarray(0.5 * (there + back) * one.seen * other.seen, np.float32)


def _template(one: DifferenceMap, other: DifferenceMap, where: NDArray[np.float32]) -> tuple[float, float, float]:
    """How much nearer the query is to the first than to the second, how far apart those are, the query's noise."""
    (mine, noise), (first, _), (second, _) = (prepared(grey) for grey in (one.mine, one.theirs, other.theirs))
    height, width = mine.shape
    weight = cv2.resize(where, (where.shape[1] * STEP, where.shape[0] * STEP), interpolation=cv2.INTER_LINEAR)
    weight = np.asarray(weight[:height, :width], np.float32)
    nearer = weight * ((mine - second) ** 2 - (mine - first) ** 2)
    apart = weight * (first - second) ** 2
    return float(nearer.sum()), float(apart.sum()), float(np.exp(noise))
