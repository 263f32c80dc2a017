"""Trials in, the rungs' logistic models out, with how well they do on trials of other pictures.

Plain regularised logistic regression (scikit-learn), stored as centres, scales and weights in JSON: nothing here is
needed to use a calibration, only to make one.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from matcher.core.calibration import PlattScaling, RungModel
from matcher.core.ladder.caption import is_legible
from matcher.core.ladder.crop import EDGE_NAMES, EDGES
from matcher.lab.measures import SURE, auroc, reliability
from matcher.lab.synthesis.trials import Trial

RUNGS = ("pose", "crop", "edges", "caption", "copy", "rivals")
MIRRORED = "rivals"
"""The rung whose two sides may change places."""

NOT_FITTED = {"caption": ("agreement", "ink")}
"""Measured for people and for `is_legible`; the fit has their logarithms, and the two inks apart."""

SPEAKS_AGAINST = {
    "caption": (
        "letter", "word", "whole", "shortfall", "worst", "seen_twice", "differs_6", "differs_12", "differs_24",
        "differs_most", "differs_sum", "differs_all", "odds_4", "odds_6", "odds_12", "odds_24", "ink_query",
        "ink_reference",
    ),
    "reading": tuple(
        f"{line}_{what}"
        for line in ("name", "club")
        for what in ("one", "two", "more", "cut", "unread", "replaced", "misfit", "doubt", "clear")
    ),
}  # fmt: skip
"""Measures of difference that must never speak for the same, whatever the trials happen to say: a letter too few
once in a while comes with a card that was read badly as a whole; and more ink to see is no sign of the same words."""

EVEN = ("caption",)
"""Rungs whose two answers weigh alike. How often a card of a known negative and crop bears other words is a matter of
the series, not of how the trials were drawn: captions are what most variations differ by. Reading adds its own odds."""

STRENGTH = 3.0
"""Inverse regularisation: with under two thousand trials a rung, stronger weights did not help on held-out ones."""


@dataclass(frozen=True)
class Rows:
    """The trials that a rung can learn from: (n, k) features, n truths and n kinds."""

    names: tuple[str, ...]
    values: NDArray[np.float64]
    truth: NDArray[np.bool_]
    kinds: tuple[str, ...]


def rows_of(trials: Iterable[Trial], rung: str) -> Rows:
    """Trials that were aligned (and legible, for captions), and of which the rung's right answer is defined."""
    if rung == EDGES:
        return _only(rows_of(trials, "crop"), EDGE_NAMES)
    used = [trial for trial in trials if rung in trial.features and trial.truth.get(rung) is not None]
    if rung == "caption":
        used = [trial for trial in used if is_legible(trial.features[rung])]
    names = tuple(name for name in used[0].features[rung] if name not in NOT_FITTED.get(rung, ()))
    values = np.array([[trial.features[rung][name] for name in names] for trial in used], np.float64)
    truth = np.array([bool(trial.truth[rung]) for trial in used])
    return Rows(names, values, truth, tuple(t.kind for t in used))


def _only(rows: Rows, names: tuple[str, ...]) -> Rows:
    chosen = [rows.names.index(name) for name in names]
    return replace(rows, names=names, values=rows.values[:, chosen])


def fit_rung(rung: str, rows: Rows) -> RungModel:
    """Fit a rung as its features ask. Raises ValueError where all its rows have one answer."""
    return fit(rows, mirrored=rung == MIRRORED, even=rung in EVEN, against=SPEAKS_AGAINST.get(rung, ()))


def fit(rows: Rows, *, mirrored: bool = False, even: bool = False, against: Collection[str] = ()) -> RungModel:
    """Fit one rung's model. Raises ValueError where all trials have one answer.

    mirrored: the features change sign when the two sides change places, and so must the answer.
    even:     weigh both answers alike: the odds are then what the features alone say, to be added to other evidence.
    against:  features that may only speak against: their weights are kept from rising above zero.
    """
    from sklearn.linear_model import LogisticRegression

    if mirrored:
        return _fit_mirrored(rows)
    if rows.truth.all() or not rows.truth.any():
        raise ValueError("all trials have one answer")
    centres, scales = rows.values.mean(axis=0), _scales(rows.values.std(axis=0))
    standard = np.clip((rows.values - centres) / scales, -4, 4)
    # Trials come as photos do: most show a known negative, crop and caption. Weighing both answers alike made every
    # rung too doubtful (expected calibration error of the pose 0.09, against 0.04).
    if against:
        share = rows.truth.mean()
        heavy = np.where(rows.truth, 0.5 / share, 0.5 / (1 - share)) if even else np.ones(len(standard))
        weights, intercept = _fit_signed(standard, rows.truth, heavy, [name in against for name in rows.names])
    else:
        balance = "balanced" if even else None
        model = LogisticRegression(C=STRENGTH, max_iter=2000, class_weight=balance).fit(standard, rows.truth)
        weights, intercept = model.coef_[0], model.intercept_[0]
    return RungModel(rows.names, _rounded(centres), _rounded(scales), _rounded(weights), round(float(intercept), 6))


def _fit_signed(
    standard: NDArray[np.float64], truth: NDArray[np.bool_], heavy: NDArray[np.float64], never_for: Sequence[bool]
) -> tuple[NDArray[np.float64], float]:
    """The same regularised likelihood, with some weights kept at or below zero (scikit-learn has no such bounds)."""
    from scipy.optimize import minimize

    sign = np.where(truth, 1.0, -1.0)

    def loss(values: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        weights, margin = values[:-1], sign * (standard @ values[:-1] + values[-1])
        missed = -sign * heavy / (1 + np.exp(np.clip(margin, -500, 500)))
        slope = np.append(standard.T @ missed + weights / STRENGTH, missed.sum())
        return float((heavy * np.logaddexp(0, -margin)).sum() + 0.5 * weights @ weights / STRENGTH), slope

    bounds = [(None, 0.0 if bound else None) for bound in never_for] + [(None, None)]
    start = np.zeros(len(never_for) + 1)
    found = minimize(loss, start, jac=True, bounds=bounds, method="L-BFGS-B", options={"maxiter": 3000})
    return found.x[:-1], float(found.x[-1])


def _fit_mirrored(rows: Rows) -> RungModel:
    from sklearn.linear_model import LogisticRegression

    scales = _scales(np.sqrt((rows.values**2).mean(axis=0)))
    standard = np.clip(rows.values / scales, -4, 4)
    both, answers = np.vstack([standard, -standard]), np.concatenate([rows.truth, ~rows.truth])
    model = LogisticRegression(C=STRENGTH, max_iter=2000, fit_intercept=False).fit(both, answers)
    centres = (0.0,) * len(rows.names)
    return RungModel(rows.names, centres, _rounded(scales), _rounded(model.coef_[0]), 0.0)


def _scales(spreads: NDArray[np.float64]) -> NDArray[np.float64]:
    """A feature that never varied is left as it is, not blown up."""
    return np.where(spreads < 1e-5, 1.0, spreads)


def _rounded(values: NDArray[np.float64]) -> tuple[float, ...]:
    return tuple(round(float(value), 6) for value in values)


def rung_json(model: RungModel) -> dict[str, Any]:
    """One rung as `Calibration.load` reads it."""
    return {
        "names": model.names,
        "centres": model.centres,
        "scales": model.scales,
        "weights": model.weights,
        "intercept": model.intercept,
    }


def as_json(
    models: Mapping[str, RungModel], provenance: Mapping[str, object], answers: Mapping[str, PlattScaling] | None = None
) -> dict[str, Any]:
    """What `Calibration.load` reads."""
    rungs = {rung: rung_json(model) for rung, model in models.items()}
    scaled = {rung: (scaling.shift, scaling.slope) for rung, scaling in (answers or {}).items()}
    return {"provenance": provenance, "rungs": rungs, "answers": scaled}


def probabilities(model: RungModel, rows: Rows) -> NDArray[np.float64]:
    """Each row's probability under the model."""
    named = ({name: float(v) for name, v in zip(rows.names, row, strict=True)} for row in rows.values)
    return np.array([1 / (1 + np.exp(-model.logit(features))) for features in named])


def report(model: RungModel, rows: Rows) -> dict[str, float]:
    """AUROC, Brier score, expected calibration error (15 bins) and precision of the top bin, on these rows."""
    given = probabilities(model, rows)
    found = reliability(given, rows.truth)
    return {
        "pairs": float(found.n),
        "auroc": auroc(given, rows.truth),
        "brier": found.brier,
        "ece": found.ece,
        "precision_at_95": found.precision,
        "share_at_95": float((given >= SURE)[rows.truth].mean()),
    }
