"""From a rung's measured features to a calibrated probability.

One logistic model a rung, its coefficients in plain JSON with their provenance (which pictures, which seed, how
many pairs). The file that is shipped was fitted on rehearsals of photographs that are in no demo and no test.
Rehearsed pairs are harder than what is asked of a whole answer, and several references speak for it: its log odds are
scaled once more, by two numbers a rung that were fitted on answers (Platt 1999).
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from matcher.core.nets import check_weights, weight_file

DEFAULT = "calibration.json"


@dataclass(frozen=True)
class RungModel:
    """Logistic coefficients over named features, each centred and scaled first."""

    names: tuple[str, ...]
    centres: tuple[float, ...]
    scales: tuple[float, ...]
    weights: tuple[float, ...]
    intercept: float

    def __post_init__(self) -> None:
        if not len(self.names) == len(self.centres) == len(self.scales) == len(self.weights):
            raise ValueError("a rung model needs one centre, scale and weight for each name")

    def logit(self, features: Mapping[str, float]) -> float:
        """Log odds that query and reference agree. Raises KeyError for a missing feature."""
        terms = zip(self.names, self.centres, self.scales, self.weights, strict=True)
        # Features beyond what the rehearsals showed carry no further evidence: hence the limit.
        return self.intercept + sum(w * max(-4.0, min(4.0, (features[n] - c) / s)) for n, c, s, w in terms)


@dataclass(frozen=True)
class PlattScaling:
    """How log odds that were fitted on pairs become those of an answer."""

    shift: float = 0.0
    slope: float = 1.0

    def __call__(self, logit: float) -> float:
        return self.shift + self.slope * logit


@dataclass(frozen=True)
class Calibration:
    """The models of all rungs, by name.

    provenance: what they were fitted on.
    platt:      of those rungs that have one, the scaling from log odds of pairs to those of whole answers (Platt 1999).
    """

    rungs: Mapping[str, RungModel]
    provenance: Mapping[str, object]
    platt: Mapping[str, PlattScaling] = field(default_factory=dict)

    def probability(self, rung: str, features: Mapping[str, float]) -> float:
        """Probability that query and reference agree on this rung. Raises KeyError for an unknown rung or
        a missing feature."""
        return sigmoid(self.rungs[rung].logit(features))

    def answered(self, rung: str, logit: float) -> float:
        """Probability that an answer is right on this rung, from the log odds that its pairs have given."""
        return sigmoid(self.platt.get(rung, PlattScaling())(logit))

    @classmethod
    def load(cls, path: Path | None = None) -> Calibration:
        """Read coefficients from `path`, or the ones shipped with the package.

        Raises OSError, ValueError or KeyError where the file is not there or is no calibration.
        """
        path = path or weight_file(DEFAULT)
        check_weights(path)
        stored = json.loads(path.read_text())
        rungs = {
            name: RungModel(
                tuple(model["names"]),
                tuple(model["centres"]),
                tuple(model["scales"]),
                tuple(model["weights"]),
                float(model["intercept"]),
            )
            for name, model in stored["rungs"].items()
        }
        platt = {name: PlattScaling(*pair) for name, pair in stored.get("answers", {}).items()}
        return cls(rungs, stored["provenance"], platt)


def percent(probability: float) -> str:
    """A probability as a person is told it: what some hundreds of pairs bear out, never certainty.

    >>> percent(0.974), percent(0.9999), percent(0.0001)
    ('97 %', 'over 99 %', 'under 1 %')
    >>> percent(0.995), percent(0.005)
    ('over 99 %', 'under 1 %')
    """
    if probability >= 0.995:
        return "over 99 %"
    return "under 1 %" if probability <= 0.005 else f"{100 * probability:.0f} %"


def log_gap(shortfall: float, floor: float) -> float:
    """A shortfall on a logarithmic scale, levelling off at `floor`: from 0.02 to 0.2 is as far as from 0.2 to 2.

    Of two pictures of one thing the shortfalls scatter by factors, not by sums; negative ones count as none.
    """
    return math.log(floor + max(shortfall, 0.0))


def log_odds(probability: float, most: float = 1 - 1e-6) -> float:
    """The inverse of `sigmoid`; probabilities beyond `most`, or below 1 - `most`, count as that.

    >>> log_odds(0.5), round(log_odds(1.0), 1)
    (0.0, 13.8)
    """
    kept = min(max(probability, 1 - most), most)
    return math.log(kept / (1 - kept))


def sigmoid(logit: float) -> float:
    """Logistic function, safe for large arguments.

    >>> sigmoid(0.0), round(sigmoid(-800.0), 3)
    (0.5, 0.0)
    """
    if logit >= 0:
        return 1.0 / (1.0 + math.exp(-min(logit, 700.0)))
    grown = math.exp(max(logit, -700.0))
    return grown / (1.0 + grown)
