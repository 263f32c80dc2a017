"""Rows of an evaluation in, a scaling of each rung's log odds out: how stated confidence and truth belong together.

The rungs are fitted on pairs, one query against one reference. An answer asks several references, sets candidates
against each other and hears a reader; and near twins are rarer in it than in trials. Two numbers a rung put that right
(Platt, Probabilistic outputs for support vector machines, 1999).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

import numpy as np

from matcher.core.calibration import PlattScaling, log_odds
from matcher.lab.evaluation.scored_answers import stated

SCALED = ("pose", "copy")
"""The crop is left as it is: what it states is nearly always settled, and true. So is the caption: with a scaling it
was too modest less often, but of 400 photos with other negatives one more was called known with wrong words."""

MOST = 0.9999
"""Stated probabilities are published with four digits."""

LEAST_ROWS = 60
"""With fewer answers on a rung its scaling would follow single ones."""


def fit_answers(
    rows: Sequence[Mapping[str, Any]], before: Mapping[str, PlattScaling], rungs: Collection[str] = SCALED
) -> dict[str, PlattScaling]:
    """Fit the scaling on what answers stated and what was so; `before` is the scaling that they were made with.

    A rung with too few answers, or of one kind only, keeps its scaling.
    """
    from sklearn.linear_model import LogisticRegression

    scalings = dict(before)
    for rung in rungs:
        given, right = stated(list(rows), rung)
        if len(given) < LEAST_ROWS or all(right) or not any(right):
            continue
        logits = np.array([[log_odds(value, MOST)] for value in given])
        model = LogisticRegression(C=np.inf).fit(logits, np.array(right))
        shift, slope = float(model.intercept_[0]), float(model.coef_[0, 0])
        old = before.get(rung, PlattScaling())
        scalings[rung] = PlattScaling(round(shift + slope * old.shift, 4), round(slope * old.slope, 4))
    return scalings
