"""Scores and truths in, the measures of the table out; scikit-learn's and SciPy's wherever they have one.

A measure that is not defined (no case, or cases of one kind only) is NaN, and is shown as missing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

BINS = 15
SURE = 0.95
"""'Top bin': stated probabilities from here on."""

RESAMPLES = 200

Numbers = Sequence[float] | NDArray[np.float64]
Truths = Sequence[bool] | NDArray[np.bool_]


@dataclass(frozen=True)
class Reliability:
    """How a rung's stated probabilities compare with what was found.

    n:          probabilities judged. ece, brier: see `expected_calibration_error`; mean squared error.
    sure, precision: how many were stated at `SURE` or above, and the share of those that were right.
    bins:       (mean stated, share right, count) of each of the 15 bins that holds any.
    """

    n: int
    ece: float
    brier: float
    sure: int
    precision: float
    bins: tuple[tuple[float, float, int], ...]


def auroc(scores: Numbers, truth: Truths) -> float:
    """Area under the ROC curve: the chance that a true case scores above a false one."""
    from sklearn.metrics import roc_auc_score

    known = np.asarray(truth, bool)
    return float(roc_auc_score(known, np.asarray(scores, float))) if _both(known) else float("nan")


def false_positives_at(scores: Numbers, truth: Truths, found: float = 0.95) -> float:
    """Smallest false-positive rate at which at least `found` of the true cases are found."""
    from sklearn.metrics import roc_curve

    known = np.asarray(truth, bool)
    if not _both(known):
        return float("nan")
    false, true, _ = roc_curve(known, np.asarray(scores, float), drop_intermediate=False)
    return float(false[true >= found - 1e-12].min())


def cllr(log_odds: Numbers, truth: Truths) -> float:
    """Cost of log likelihood ratios (natural logarithm), in bits: 0 perfect, 1 as good as saying nothing.

    Bruemmer & du Preez 2006.
    """
    own, other = np.asarray(log_odds)[np.asarray(truth, bool)], np.asarray(log_odds)[~np.asarray(truth, bool)]
    return float(0.5 * (np.logaddexp(0, -own).mean() + np.logaddexp(0, other).mean()) / np.log(2))


def posterior_calibration_error(log_odds: Numbers, truth: Truths) -> float:
    """`expected_calibration_error` of log likelihood ratios (natural logarithm), once they are told how often these
    cases are true: a ratio speaks for both answers alike, and states no more often than it is right only with a prior.

    >>> posterior_calibration_error([0.0, 0.0, 0.0, 0.0], [True, True, True, False])
    0.0
    """
    known = np.asarray(truth, bool)
    if not _both(known):
        return float("nan")
    prior = np.log(known.mean() / (~known).mean())
    stated = 1 / (1 + np.exp(-np.clip(np.asarray(log_odds, float) + prior, -500, 500)))
    return expected_calibration_error(stated, known)


def reliability(given: Numbers, truth: Truths) -> Reliability:
    """Calibration of stated probabilities 0..1."""
    from sklearn.metrics import brier_score_loss

    stated, known = np.asarray(given, float), np.asarray(truth, bool)
    if not len(stated):
        return Reliability(0, float("nan"), float("nan"), 0, float("nan"), ())
    sure = stated >= SURE
    return Reliability(
        n=len(stated),
        ece=expected_calibration_error(stated, known),
        brier=float(brier_score_loss(known, stated, pos_label=True)),
        sure=int(sure.sum()),
        precision=float(known[sure].mean()) if sure.any() else float("nan"),
        bins=tuple(
            (float(stated[chosen].mean()), float(known[chosen].mean()), int(chosen.sum()))
            for chosen in (_bins(stated) == number for number in range(BINS))
            if chosen.any()
        ),
    )


def expected_calibration_error(given: Numbers, truth: Truths) -> float:
    """Mean gap between stated and found frequency over 15 equal bins, weighted by their size (Naeini et al. 2015).

    >>> expected_calibration_error(np.array([1.0, 1.0, 0.0, 0.0]), [True, True, False, False])
    0.0
    """
    stated, known = np.asarray(given, float), np.asarray(truth, float)
    bins = _bins(stated)
    gaps = [abs(stated[bins == b].mean() - known[bins == b].mean()) * (bins == b).mean() for b in np.unique(bins)]
    return float(sum(gaps))


def share_interval(right: int, n: int) -> tuple[float, float]:
    """95 % interval of a share (Wilson 1927, SciPy's).

    >>> [round(limit, 3) for limit in share_interval(0, 100)]
    [0.0, 0.037]
    """
    from scipy.stats import binomtest

    if not n:
        return float("nan"), float("nan")
    found = binomtest(right, n).proportion_ci(method="wilson")
    return float(found.low), float(found.high)


def resampled(measure: Callable[[Any, Any], float], scores: Numbers, truth: Truths) -> tuple[float, float]:
    """95 % interval of a measure by drawing true and false cases anew (percentile bootstrap, a fixed seed)."""
    values, known = np.asarray(scores, float), np.asarray(truth, bool)
    if not _both(known):
        return float("nan"), float("nan")
    rng = np.random.default_rng(0)
    kinds = [np.flatnonzero(known), np.flatnonzero(~known)]
    drawn = (np.concatenate([rng.choice(kind, len(kind)) for kind in kinds]) for _ in range(RESAMPLES))
    low, high = np.percentile([measure(values[chosen], known[chosen]) for chosen in drawn], [2.5, 97.5])
    return float(low), float(high)


def percentile_95(values: Numbers) -> float:
    """The 95th percentile."""
    return float(np.percentile(values, 95)) if len(values) else float("nan")


def _bins(stated: NDArray[np.float64]) -> NDArray[np.int64]:
    return np.minimum((stated * BINS).astype(np.int64), BINS - 1)


def _both(known: NDArray[np.bool_]) -> bool:
    return bool(known.any() and not known.all())
