"""Which way up is a card, and is it its front? A photo and an outline in, an `Orientation` out, without any match.

What tells: letters stand on their feet, and the lines of a caption follow each other; where words and picture lie;
light from above, floor below, people upright; a back shows no picture. A network weighs it
(`orientation.onnx`), trained on printed, aged, drawn copies of photographs (`scripts/train_orientation`). It is given
the full card small, and head and foot so large that letters can be told from letters upside down. The card is shown to
it both ways up and the two answers are set against each other, so that it cannot contradict itself.

The numbers here are the network's input: they change only with a new training.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.geometry import Array
from matcher.core.detect.warp import warp_quad
from matcher.core.filters import slow
from matcher.core.nets import weight_file
from matcher.core.nets.runtime import infer
from matcher.core.photo import Photo, to_grey

Floats = NDArray[np.float32]
Grey = NDArray[np.uint8]

WEIGHTS = weight_file("orientation.onnx")

SHAPE = (384, 220)
"""Height and width in which a card is cut out, about 6 pixels a mm: the body of a name is a dozen pixels high."""

WHOLE = (144, 84)
"""Height and width of the full card as it is looked at: lines of words can be told apart."""

STRIP = 64
"""Rows of `SHAPE` at head and foot that are looked at in full, 10.5 mm."""

WHOLE_WINDOW_PX, STRIP_WINDOW_PX = 6.0, 10.0
"""Gaussian sigma of local mean and contrast."""

LEAST_RANGE = 24.0
"""Levels to which a face of less is not stretched: what a bare board shows must stay faint."""


@dataclass(frozen=True)
class Orientation:
    """odds: log odds that the outline's first corner is the card's upper left one. back: probability that no picture is
    on this side."""

    odds: float
    back: float


@dataclass(frozen=True)
class Shown:
    """What the network is given of one card. whole: (2, *WHOLE); head, foot: (2, STRIP, width); float32."""

    whole: Floats
    head: Floats
    foot: Floats

    def turned(self) -> Shown:
        """The same card upside down."""
        return Shown(*(np.ascontiguousarray(part[:, ::-1, ::-1]) for part in (self.whole, self.foot, self.head)))


def orientation(photo: Photo, corners: Array) -> Orientation:
    """How the card lies in the outline given.

    corners: (4, 2) TL TR BR BL of one of the two portrait readings, pixels of the photo.
    """
    flat, _ = warp_quad(photo.pixels, corners, SHAPE[::-1], lambda: photo.half)
    shown = prepared(to_grey(flat))
    turned = shown.turned()
    both = {name: np.stack([getattr(shown, name), getattr(turned, name)]) for name in ("whole", "head", "foot")}
    as_is, upside_down = infer(WEIGHTS, **both).astype(np.float64)
    odds = float(as_is[0] - upside_down[0])
    return Orientation(odds, float(1 / (1 + np.exp(-np.clip((as_is[1] + upside_down[1]) / 2, -30, 30)))))


def prepared(grey: Grey) -> Shown:
    """What the network is given of a card cut out; grey: (h, w) uint8 of `SHAPE`."""
    whole = np.asarray(cv2.resize(grey, WHOLE[::-1], interpolation=cv2.INTER_AREA), np.uint8)
    head, foot = (evened(strip, STRIP_WINDOW_PX, 2) for strip in (grey[:STRIP], grey[-STRIP:]))
    return Shown(evened(whole, WHOLE_WINDOW_PX, 8), head, foot)


def evened(grey: Grey, window_px: float, rim: int) -> Floats:
    """(2, h, w) float32: tones over their range, and detail at equal local contrast.

    window_px: Gaussian sigma of local mean and contrast. rim: pixels at each side that do not count for the range.
    """
    values = grey.astype(np.float32)
    low, high = np.percentile(values[rim:-rim:2, rim:-rim:2], [2, 98])
    tones = (values - (low + high) / 2) / max(float(high - low), LEAST_RANGE)
    detail = values - slow(values, window_px)
    contrast = np.sqrt(slow(detail * detail, window_px))
    even = detail / (contrast + 0.5 * float(np.median(contrast)) + 0.6)
    return np.stack([np.clip(tones, -1.5, 1.5), np.clip(even, -4, 4)]).astype(np.float32)
