"""Fit the weights by which `quad_classifier` chooses, on staged scenes; in: pictures; out: a model.

SciPy does the fitting. Only the pictures set aside for tuning take part.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, islice

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.proposals import propose_quads
from matcher.core.detect.quad_classifier import measurements, with_witness
from matcher.core.detect.reduced_image import ReducedImage, reduce
from matcher.core.photo import Photo
from matcher.core.settings import FaceSize
from matcher.lab.evaluation.detection import draw, plan
from matcher.lab.evaluation.detection_measures import jaccard
from matcher.lab.synthesis.desks import DeskDrawer
from matcher.lab.synthesis.staging import EMPTY, SINGLE, Props, Staged, TrueCard
from matcher.lab.training.logistic_onnx import LogisticModel, standardised

Values = NDArray[np.float32]

SHAPES = np.array([FaceSize().aspect])

DESKS_A_SCENE, DESK_PX = 0.7, 1000
"""Desks that are drawn for each staged scene with a card, and their longer side."""


@dataclass(frozen=True)
class Choice:
    """The pool of one scene: measurements (n, f), how much each quad is the right one (n,), sums to 1 or all 0."""

    inputs: Values
    right: Values


def choices(props: Props, scenes: int, seed: int, seen: bool = False) -> Iterator[Choice]:
    """Scenes of all types, with and without a card, and desks with one or none, as the search sees them.

    seen: those alone in which the network that finds cards sees one, with what it says of each quad.
    """
    for scene in chain(_staged(props, scenes, seed), _desks(props, round(DESKS_A_SCENE * scenes), seed)):
        choice = choice_of(reduce(Photo.from_pixels(scene.pixels, dpi=scene.dpi)), scene.cards, scene.kind, seen)
        if choice is not None:
            yield choice


def choice_of(picture: ReducedImage, cards: Sequence[TrueCard], kind: str, seen: bool) -> Choice | None:
    """What the search proposes, and which of it is right; None where it proposes nothing, or there is nothing seen."""
    quads = propose_quads(picture, SHAPES)
    if not len(quads) or (seen and not picture.sees_card):
        return None
    measured = with_witness if seen else measurements
    return Choice(measured(picture, quads, SHAPES), _right(cards, kind, quads / np.array(picture.scale)))


def _staged(props: Props, scenes: int, seed: int) -> Iterator[Staged]:
    for kind, number in plan(scenes, SINGLE + EMPTY):
        yield draw(kind, (seed, number, sum(map(ord, kind))), props)


def _desks(props: Props, count: int, seed: int) -> Iterator[Staged]:
    """Those on which no more than one card lies."""
    drawer = DeskDrawer(props, np.random.default_rng([seed, 5]), DESK_PX)
    few = (desk for desk in iter(drawer.desk, None) if len(desk.cards) < 2)
    for desk in islice(few, count):
        cards = tuple(TrueCard(card, _as_seen(card), np.ones(4, bool)) for card in desk.cards)
        yield Staged(desk.pixels, cards, "desk")


def _as_seen(card: NDArray[np.float64]) -> tuple[float, float]:
    """Width and height in pixels: a desk does not tell mm, and an outline is judged by its share."""
    return float(np.linalg.norm(card[1] - card[0])), float(np.linalg.norm(card[3] - card[0]))


def _right(cards: Sequence[TrueCard], kind: str, quads: NDArray[np.floating]) -> Values:
    """The best quads share 1 between them, sharply: a hundredth of the Jaccard index is much."""
    index = np.array([max((jaccard(c, np.asarray(q, np.float32)) for c in cards), default=0.0) for q in quads])
    if kind in ("cropped", "overcropped") and index[0] > 0.85:
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
