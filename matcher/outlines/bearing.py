"""Which way up is a card, and is it its front? A photo and an outline in, a `Bearing` out, without any match.

What tells: where the words stand and how their lines follow each other, light from above, floor below, people on their
feet; a back shows no picture. A small network weighs it (`weights/bearing.onnx`), trained on printed, aged rehearsals
of photographs (`rehearsal/sides.py`, `scripts/train_bearing`). The card is shown to it both ways up and the two answers
are set against each other, so that it cannot contradict itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.contrast import slow
from matcher.outlines.cut import cut_out
from matcher.outlines.geometry import Array
from matcher.photo import to_grey

Floats = NDArray[np.float32]

WEIGHTS = Path(__file__).parent.parent / "weights" / "bearing.onnx"

SHAPE = (144, 84)
"""Height and width in which a card is looked at, about 2.3 pixels a mm: lines of words can be told apart."""

WINDOW_PX = 6.0
"""Gaussian sigma of local mean and contrast."""

LEAST_RANGE = 24.0
"""Levels to which a face of less is not stretched: what a bare board shows must stay faint."""


@dataclass(frozen=True)
class Bearing:
    """odds: log odds that the outline's first corner is the card's upper left one. back: probability that no picture is
    on this side."""

    odds: float
    back: float


def bearing(pixels: NDArray[np.uint8], corners: Array) -> Bearing:
    """pixels: (h, w, 3) uint8 RGB. corners: (4, 2) TL TR BR BL of one of the two portrait readings."""
    flat, _ = cut_out(pixels, corners, SHAPE[::-1])
    shown = prepared(to_grey(flat))
    network = _network()
    network.setInput(np.stack([shown, shown[:, ::-1, ::-1]]))
    as_is, turned = np.asarray(network.forward(), np.float64)
    odds = float(as_is[0] - turned[0])
    return Bearing(odds, float(1 / (1 + np.exp(-np.clip((as_is[1] + turned[1]) / 2, -30, 30)))))


def prepared(grey: NDArray[np.uint8]) -> Floats:
    """(2, h, w) what the network is given: tones over their range, and detail at equal local contrast."""
    values = grey.astype(np.float32)
    low, high = np.percentile(values[8:-8, 8:-8], [2, 98])
    tones = (values - (low + high) / 2) / max(float(high - low), LEAST_RANGE)
    detail = values - slow(values, WINDOW_PX)
    contrast = np.sqrt(slow(detail * detail, WINDOW_PX))
    even = detail / (contrast + 0.5 * float(np.median(contrast)) + 0.6)
    return np.stack([np.clip(tones, -1.5, 1.5), np.clip(even, -4, 4)]).astype(np.float32)


@lru_cache(maxsize=1)
def _network() -> cv2.dnn.Net:
    """Read once a process; its weights never change."""
    return cv2.dnn.readNetFromONNX(str(WEIGHTS))
