"""Fit the weights by which `quad_classifier` chooses, on staged scenes; in: pictures; out: a model.

SciPy does the fitting. Only the pictures set aside for tuning take part.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.proposals import propose_quads
from matcher.core.detect.quad_classifier import measurements
from matcher.core.detect.reduced_image import reduce
from matcher.core.photo import Photo
from matcher.core.settings import FaceSize
from matcher.lab.evaluation.detection import draw, plan
from matcher.lab.evaluation.detection_measures import jaccard
from matcher.lab.synthesis.staging import EMPTY, SINGLE, Props, Staged
from matcher.lab.training.logistic_onnx import LogisticModel, standardised

Values = NDArray[np.float32]

SHAPES = np.array([FaceSize().aspect])


@dataclass(frozen=True)
class Choice:
    """The pool of one scene: measurements (n, f), how much each quad is the right one (n,), sums to 1 or all 0."""

    inputs: Values
    right: Values


def choices(props: Props, scenes: int, seed: int) -> Iterator[Choice]:
    """Scenes of all types, with and without a card, as the search sees them."""
    for kind, number in plan(scenes, SINGLE + EMPTY):
        scene = draw(kind, (seed, number, sum(map(ord, kind))), props)
        picture = reduce(Photo.from_pixels(scene.pixels, dpi=scene.dpi))
        quads = propose_quads(picture, SHAPES)
        if len(quads):
            yield Choice(measurements(picture, quads, SHAPES), _right(scene, quads / np.array(picture.scale)))


def _right(scene: Staged, quads: NDArray[np.floating]) -> Values:
    """The best quads share 1 between them, sharply: a hundredth of the Jaccard index is much."""
    index = np.array([max((jaccard(c, np.asarray(q, np.float32)) for c in scene.cards), default=0.0) for q in quads])
    if scene.kind in ("cropped", "overcropped") and index[0] > 0.85:
        index[0] = 1.0  # the whole picture is the answer, whatever was cut off
    if index.max() < 0.85:
        return np.zeros(len(quads), np.float32)
    share = np.exp((index - index.max()) / 0.008) * (index > index.max() - 0.03)
    return np.asarray(share / share.sum(), np.float32)


def fit_choice(pools: Sequence[Choice], weight_decay: float = 1.0) -> LogisticModel:
    """Log odds of each quad against "there is no card here": a multinomial logit over each scene's pool and nothing."""
    from scipy.optimize import minimize

    every = np.concatenate([one.inputs for one in pools])
    mean, scale = every.mean(axis=0), every.std(axis=0) + 1e-3
    x = standardised(every, mean, scale)
    right = np.concatenate([one.right for one in pools]).astype(np.float64)
    counts = [len(one.inputs) for one in pools]
    first, scene = np.cumsum([0, *counts[:-1]]), np.repeat(np.arange(len(pools)), counts)

    def loss(parameters: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        odds = x @ parameters[:-1] + parameters[-1]
        top = np.maximum(np.maximum.reduceat(odds, first), 0)
        share = np.exp(odds - top[scene])
        total = np.add.reduceat(share, first) + np.exp(-top)
        surprise = float((np.log(total) + top).sum() - right @ odds)
        slope = share / total[scene] - right
        decay = weight_decay * parameters[:-1]
        return surprise + float(decay @ parameters[:-1]), np.append(x.T @ slope + 2 * decay, slope.sum())

    found = minimize(loss, np.zeros(x.shape[1] + 1), jac=True, method="L-BFGS-B", options={"maxiter": 300}).x
    return LogisticModel(mean, scale, found[:-1], float(found[-1]))
