"""Two known candidates that may both fit: which of them does the query show, where the two differ from each other?

Each candidate alone is compared with the query at the quality of its own reference: a faint reference can look the
better fit. Against each other, only the spots count where the references show different things: a letter, a hand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.calibration import Calibration, sigmoid
from matcher.core.ladder.change_detector import STEP, DifferenceMap, compare, network_input
from matcher.core.ladder.settings import HeadToHeadSettings

Floats = NDArray[np.float32]

RUNG = "rivals"
"""The model's name in a `Calibration`."""

Parts = tuple[DifferenceMap, ...]

KEPT = 8
"""Comparisons, a megabyte each, that a process keeps: more than one card has; own choice."""


@dataclass(frozen=True)
class Contender:
    """A candidate explanation: its probability taken alone, and the parts by which it was judged.

    read: log odds, within the probability, that do not come from the parts but from what was read.
    """

    probability: float
    parts: Parts
    read: float = 0.0

    @property
    def odds(self) -> float:
        capped = min(self.probability, 1 - 1e-6)
        return capped / (1 - capped)


def share_odds(
    rivals: Mapping[str, Contender],
    calibration: Calibration | None = None,
    settings: HeadToHeadSettings | None = None,
) -> dict[str, float]:
    """Probabilities of rival explanations, of which at most one holds, from each one's own probability.

    With a calibration, the likeliest are first compared with each other where they differ: each defends what it has won
    so far against the next, and the two share the better one's odds as that comparison says.

    >>> share_odds({"A": Contender(0.9, ()), "B": Contender(0.9, ())})["A"]  # neither is sure, 'neither' unlikely
    0.4737
    >>> share_odds({"A": Contender(0.9, ())})["A"]
    0.9
    """
    settings = settings or HeadToHeadSettings()
    odds = {name: rival.odds for name, rival in rivals.items()}
    ranked = [name for name, rival in rivals.items() if rival.probability >= settings.challenges and rival.parts]
    ranked.sort(key=lambda name: -odds[name])
    if calibration is not None and len(ranked) > 1:
        first = ranked[0]
        for second in ranked[1 : settings.most_rivals]:
            wins = _first_wins(rivals[first], rivals[second], calibration, settings)
            best = max(odds[first], odds[second])
            odds[first], odds[second] = best * wins, best * (1 - wins)
            first = max(first, second, key=lambda name: odds[name])
    total = 1.0 + sum(odds.values())
    return {name: round(o / total, 4) for name, o in odds.items()}


def _first_wins(first: Contender, second: Contender, calibration: Calibration, settings: HeadToHeadSettings) -> float:
    """Probability that of two contenders, one of which holds, it is the first."""
    features = rival_features(first.parts, second.parts, settings)
    return sigmoid(calibration.rungs[RUNG].logit(features) + first.read - second.read)


def rival_features(
    first: Sequence[DifferenceMap], second: Sequence[DifferenceMap], settings: HeadToHeadSettings | None = None
) -> dict[str, float]:
    """Evidence for `first` and against `second`, of one query; it changes its sign when they change places.

    spots:    how much more the change detector finds against the second, per spot where the two differ.
    evidence: the same, grown with the number of spots.
    template: how much better the first's detail fits the query's there, from -1 to 1.
    strength: the same, grown with the size and clearness of what differs.
    """
    most = (settings or HeadToHeadSettings()).most_log_odds
    return dict(_compared(tuple(first), tuple(second), most))


@lru_cache(maxsize=KEPT)
def _compared(first: Parts, second: Parts, most: float) -> dict[str, float]:
    """`rival_features`, kept: an answer is decided again for all that was read, and its rivals stay who they were."""
    against = fit = spots = size = noise = 0.0
    for one, other in zip(first, second, strict=True):
        where = _where_they_differ(one, other)
        against += float((where * (np.clip(other.logits, -most, most) - np.clip(one.logits, -most, most))).sum())
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


def _where_they_differ(one: DifferenceMap, other: DifferenceMap) -> Floats:
    """Probability, at each spot, that the two references show different things there."""
    everywhere = np.ones(one.reference.shape, np.bool_)
    # Asked both ways round, so that who comes first does not matter.
    there, back = (
        compare(one.kind, a.reference, b.reference, everywhere).probability for a, b in ((one, other), (other, one))
    )
    return np.asarray(0.5 * (there + back) * one.shown * other.shown, np.float32)


def _template(one: DifferenceMap, other: DifferenceMap, where: Floats) -> tuple[float, float, float]:
    """How much nearer the query is to the first than to the second, how far apart those are, the query's noise."""
    greys = (one.query, one.reference, other.reference)
    (query, noise), (first, _), (second, _) = (network_input(grey) for grey in greys)
    height, width = query.shape
    weight = cv2.resize(where, (where.shape[1] * STEP, where.shape[0] * STEP), interpolation=cv2.INTER_LINEAR)
    weight = np.asarray(weight[:height, :width], np.float32)
    nearer = weight * ((query - second) ** 2 - (query - first) ** 2)
    apart = weight * (first - second) ** 2
    return float(nearer.sum()), float(apart.sum()), float(np.exp(noise))
