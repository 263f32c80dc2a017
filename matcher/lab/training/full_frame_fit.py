"""Fit the weights by which `core.detect.full_frame` decides; in: pictures for tuning; out: a model.

Cards cut to their edges or a little inside, fronts and some backs, against tables, cloth, paper and print without one.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import count, islice

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.full_frame import full_frame_measurements
from matcher.core.detect.reduced_image import reduce
from matcher.core.photo import Photo
from matcher.core.settings import FaceSize
from matcher.lab.evaluation.detection import draw
from matcher.lab.synthesis.backs import card_back
from matcher.lab.synthesis.staging import EMPTY, Props, draw_card
from matcher.lab.training.logistic_onnx import LogisticModel, standardised

SHAPES = np.array([FaceSize().aspect])

CARDS = ("cropped", "overcropped", "back")
SHARES = {"cropped": 1.0, "overcropped": 1.0, "back": 0.25}
"""How many of each kind for each picture asked for."""

WITHOUT = tuple(kind for kind in EMPTY if kind != "no_rectangles")
"""An even rectangle may well be a bare board."""

WITHOUT_SHARE = 0.25
"""Of each of these nine, so that there are as many pictures without a card as with one."""


def fit_full_frame(props: Props, pictures: int, seed: int) -> LogisticModel:
    """Plain logistic regression (scikit-learn)."""
    from sklearn.linear_model import LogisticRegression

    rows, truth = [], []
    for kind in (*CARDS, *WITHOUT):
        wanted = round(pictures * SHARES.get(kind, WITHOUT_SHARE))
        for row in islice(_measured(kind, props, seed), wanted):
            rows.append(row)
            truth.append(kind in CARDS)
    values = np.array(rows, np.float64)
    mean, scale = values.mean(axis=0), values.std(axis=0) + 1e-3
    model = LogisticRegression(C=1.0).fit(standardised(values, mean, scale), np.array(truth))
    return LogisticModel(mean, scale, model.coef_[0], float(model.intercept_[0]))


def _measured(kind: str, props: Props, seed: int) -> Iterator[NDArray[np.float32]]:
    """Measurements of one scene after the other, as far as they have a card's proportions."""
    for number in count():
        key = (seed, number, sum(map(ord, kind)))
        pixels = _back(props, np.random.default_rng(key)) if kind == "back" else draw(kind, key, props).pixels
        photo = Photo.from_pixels(pixels)
        yield from full_frame_measurements(photo, reduce(photo), SHAPES)


def _back(props: Props, rng: np.random.Generator) -> NDArray[np.uint8]:
    """A card's back, cut to its edges."""
    card = card_back(draw_card(props, rng), rng, props.fonts)
    height = int(rng.integers(500, 1500))
    width = round(height * card.size_mm[0] / card.size_mm[1])
    grown = cv2.resize(card.pixels, (width, height), interpolation=cv2.INTER_AREA).astype(np.float32)
    return np.asarray(np.clip(grown + rng.normal(0, 1.5, grown.shape), 0, 255), np.uint8)
