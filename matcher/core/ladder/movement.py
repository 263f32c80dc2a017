"""Has the sitter moved, or does something lie upon a card? A small network's word on two registered faces.

Two greys of one frame in, a `MovementMap` out: for every spot how likely it shows the same thing, something that has
moved, or what was laid over or lost on either card; and for the pair the log odds of one negative. Another exposure is
a displacement of the picture: edges go on elsewhere. What lies upon a card belongs to nothing on the other one, and
says nothing about the exposure. The network learnt it on drawn prints, wear and movements
(`lab/training/train_movement.py`); its features are compared at every small displacement, so that what has moved finds
itself again.

The constants here are the shape of what the network was trained on: they change with the weights alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.calibration import log_gap
from matcher.core.ladder.change_detector import NetworkInputs, network_input
from matcher.core.nets import weight_file
from matcher.core.nets.runtime import infer_all

Floats = NDArray[np.float32]
Grey = NDArray[np.uint8]
Cells = NDArray[np.bool_]

CELL = 4
"""The maps hold one value for CELL x CELL pixels."""

WHOLE_PX = 16
"""The network halves a picture three times, and its last map must be even."""

TONE_LIMIT = 3.0

SAME, MOVED, ON_QUERY, ON_REFERENCE = range(4)
"""The classes of a spot, in the network's order."""

SPOTS_PX = (6.0, 12.0, 24.0)
"""Gaussian sigmas of spots whose mean counts: about an eye, a hand, a head with shoulders, at 10 px/mm."""


@dataclass(frozen=True)
class MovementMap:
    """Two registered greys, compared.

    classes:  (4, rows, columns) float32, probabilities of the classes, each cell CELL x CELL pixels.
    shown:    (rows, columns) float32, 1 where both are shown, else 0.
    log_odds: that both come from one negative, as the network says.
    """

    classes: Floats
    shown: Floats
    log_odds: float

    @property
    def moved(self) -> Floats:
        """Probability that a spot has moved; 0 where it is not shown."""
        return np.asarray(self.classes[MOVED] * self.shown, np.float32)

    @property
    def damaged(self) -> Floats:
        """Probability that a spot is laid over or lost on either card; 0 where it is not shown."""
        return np.asarray((self.classes[ON_QUERY] + self.classes[ON_REFERENCE]) * self.shown, np.float32)

    def with_damage(self, on_query: Cells, on_reference: Cells) -> MovementMap:
        """With spots, (rows, columns) bool, of which it is known that something lies upon either card or is lost there:
        the network was not shown them, and nothing else is said of them."""
        if not (on_query.any() or on_reference.any()):
            return self
        classes, shown = self.classes.copy(), self.shown.copy()
        for where, kind in ((on_reference, ON_REFERENCE), (on_query, ON_QUERY)):
            classes[:, where], shown[where] = 0.0, 1.0
            classes[kind, where] = 1.0
        return replace(self, classes=classes, shown=shown)

    @property
    def comparable(self) -> float:
        """Share of the picture that is shown on both and damaged on neither."""
        return float((self.shown * (self.damaged < 0.5)).mean())


def compare_movement(
    query: Grey, reference: Grey, mask: NDArray[np.bool_], inputs: NetworkInputs | None = None
) -> MovementMap:
    """Ask the network; query, reference: (height, width) uint8, registered. mask: their shape, where both are shown.

    inputs: `network_input` of both, where it is at hand.
    """
    height, width = query.shape
    padded = tuple(-(-side // WHOLE_PX) * WHOLE_PX for side in (height, width))
    shown = np.zeros((padded[0] // CELL, padded[1] // CELL), np.float32)
    rows, columns = -(-height // CELL), -(-width // CELL)
    shown[:rows, :columns] = in_cells(mask)
    wide = np.repeat(np.repeat(shown, CELL, 0), CELL, 1)
    sides, noise = [], []
    inputs = inputs or (network_input(query), network_input(reference))
    for grey, (even, level) in zip((query, reference), inputs, strict=True):
        side = np.zeros((2, *padded), np.float32)
        side[:, :height, :width] = np.stack([even, toned(grey)])
        sides.append((side * wide)[None])
        noise.append(level)
    logits, odds = infer_all(
        weight_file("movement.onnx"),
        query=sides[0],
        reference=sides[1],
        noise=np.array([noise], np.float32),
        shown=shown[None, None],
    )
    strong = np.exp(logits[0] - logits[0].max(axis=0))
    classes = (strong / strong.sum(axis=0))[:, :rows, :columns]
    return MovementMap(classes.astype(np.float32), shown[:rows, :columns], float(odds[0]))


def in_cells(mask: NDArray[np.bool_]) -> Cells:
    """A (height, width) mask by the middles of its cells, as the maps have them."""
    rows, columns = (-(-side // CELL) for side in mask.shape)
    spots = np.zeros((rows, columns), np.bool_)
    middles = mask[CELL // 2 :: CELL, CELL // 2 :: CELL]
    spots[: middles.shape[0], : middles.shape[1]] = middles
    return spots


def movement_features(found: MovementMap) -> dict[str, float]:
    """What the pose's probability is computed from: the network's log odds, how large and sure the largest movement,
    and how large a spot may as well be laid over as moved: paper of the picture's own tone looks like either."""
    moved = found.moved
    either = 2 * np.minimum(moved, found.damaged)
    features = {"odds": float(np.clip(found.log_odds, -12, 12)), "moved_most": log_gap(float(moved.max()), 0.01)}
    for size in SPOTS_PX:
        spot = float(cv2.GaussianBlur(moved, (0, 0), size / CELL).max())
        features[f"moved_{size:.0f}"] = log_gap(spot, 0.01)
        features[f"either_{size:.0f}"] = log_gap(float(cv2.GaussianBlur(either, (0, 0), size / CELL).max()), 0.01)
    features["moved_all"] = log_gap(float(moved.sum()), 0.3)
    features["comparable"] = found.comparable
    return features


def toned(grey: Grey) -> Floats:
    """A face's tones about their median, in units of their usual spread: flat losses, ink and paper stand out."""
    values = grey.astype(np.float32)
    low, middle, high = np.percentile(values[::4, ::4], [25, 50, 75])
    even = np.clip((values - middle) / np.float32(high - low + 8), -TONE_LIMIT, TONE_LIMIT)
    return np.asarray(even, np.float32)
