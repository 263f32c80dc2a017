"""The ink of one line on two cards: which letters differ? A small network looks, where a line was found.

Two faces, their transform and a line's box in, a `LetterMap` out. The line's ink is registered by itself, since words
may sit a hair off the picture; the picture beneath is the same on both cards and says nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.card_lines import BoxMm
from matcher.core.flatten import Face
from matcher.core.ladder.caption_strips import ink_of
from matcher.core.ladder.change_detector import network_input
from matcher.core.ladder.words_settings import LetterSettings
from matcher.core.nets import weight_file
from matcher.core.nets.runtime import infer

Floats = NDArray[np.float32]
Grey = NDArray[np.uint8]

WHOLE_PX = 2
"""The network, which doubles its picture and halves it twice, holds one value for 2 x 2 pixels."""


@dataclass(frozen=True)
class LetterMap:
    """One line on both cards.

    query, reference: (height, width) uint8, the line with some room, level, the reference's moved to where its ink
                      fits best.
    logits:           (height / 2, width / 2) float32, log odds that the two bear different letters there.
    fit:              correlation of the two inks, -1 to 1.
    along:            columns of the line at which its box begins and ends, pixels.
    """

    query: Grey
    reference: Grey
    logits: Floats
    fit: float
    along: tuple[float, float]

    @property
    def probability(self) -> Floats:
        """(height / 2, width / 2) float32, that the two bear different letters there."""
        return np.asarray(1 / (1 + np.exp(-np.clip(self.logits, -30.0, 30.0))), np.float32)

    def surest(self, spans: Sequence[tuple[float, float]]) -> float:
        """How sure the surest difference of a stroke's size is within these parts of the line's box, each from one
        share of its length to another; of all the line where none is given."""
        sure = _blurred(self.logits, 2)
        begins, long = self.along[0], self.along[1] - self.along[0]
        parts = []
        for ends in spans:
            first, last = ((begins + share * long) / WHOLE_PX for share in ends)
            start = min(max(int(first), 0), sure.shape[1] - 1)
            parts.append(sure[:, start : max(start + 1, math.ceil(last))])
        return max(float(part.max()) for part in parts or [sure])

    @property
    def features(self) -> Mapping[str, float]:
        """What the calibration asks for: how sure the surest difference is, from a stroke's size to several letters',
        and how well the inks fit."""
        pooled = {f"letters_{px}": float(_blurred(self.logits, px).max()) for px in (2, 4, 8)}
        return {**pooled, "ink_fit": self.fit}


def _blurred(logits: Floats, px: int) -> Floats:
    return np.asarray(cv2.GaussianBlur(np.clip(logits, -8.0, 8.0), (0, 0), px / 2), np.float32)


@dataclass(frozen=True)
class LineCut:
    """One line cut out of both cards, not turned yet.

    query, reference: (height, width) uint8, the reference's moved to where its ink fits best.
    fit:              correlation of the two inks, -1 to 1.
    corner:           of the cut on the query's face, its upper left (column, row), pixels.
    box:              of the line in the cut, left, top, right, bottom, pixels.
    moved:            by how much the reference's was moved from where the transform lays it (columns, rows), pixels.
    """

    query: Grey
    reference: Grey
    fit: float
    corner: tuple[int, int]
    box: tuple[float, float, float, float]
    moved: tuple[int, int]


def compare_letters(
    query: Face,
    reference: Face,
    transform: NDArray[np.float64],
    box: BoxMm,
    quarters: int = 0,
    settings: LetterSettings | None = None,
) -> LetterMap | None:
    """Compare one line; None where too little of it lies on the query's face.

    transform: (3, 3), query face pixels to reference face pixels. box: of the line, mm on the reference. quarters: of a
    turn, anticlockwise, by which it comes to lie level.
    """
    settings = settings or LetterSettings()
    cut = cut_line(query, reference, transform, box, settings)
    if cut is None:
        return None
    level = [np.ascontiguousarray(np.rot90(grey, quarters)) for grey in (cut.query, cut.reference)]
    left, top, right, bottom = cut.box
    along = {1: (top, bottom), 3: (len(cut.query) - bottom, len(cut.query) - top)}.get(quarters, (left, right))
    return LetterMap(level[0], level[1], letter_odds(*level), cut.fit, along)


def letter_odds(query: Grey, reference: Grey) -> Floats:
    """(height / 2, width / 2) float32 log odds that two registered greys of one line bear different letters."""
    (one, noise_1), (other, noise_2) = network_input(query), network_input(reference)
    odd = ((0, 0), *((0, -side % WHOLE_PX) for side in query.shape))
    pair, noise = np.pad(np.stack([one, other]), odd)[None], np.array([[noise_1, noise_2]], np.float32)
    return np.asarray(infer(weight_file("change_letters.onnx"), pair=pair, noise=noise)[0], np.float32)


def cut_line(
    query: Face, reference: Face, transform: NDArray[np.float64], box: BoxMm, settings: LetterSettings
) -> LineCut | None:
    """The line on both cards; None where too little of it is left. box: mm on the reference."""
    scale, search = reference.size.px_per_mm, settings.search_px
    left, top, right, bottom = (side * scale for side in box)
    corners = np.array([[[left, top], [right, top], [right, bottom], [left, bottom]]], np.float64)
    placed = cv2.perspectiveTransform(corners, np.linalg.inv(transform))[0]
    room = settings.around_mm * query.size.px_per_mm
    low = np.maximum(placed.min(axis=0) - room, 0).astype(int)
    high = np.minimum(placed.max(axis=0) + room + 1, [query.size.width, query.size.height]).astype(int)
    wide, tall = high - low
    if wide < settings.least_px or tall < settings.least_px:
        return None
    own = np.ascontiguousarray(query.grey[low[1] : high[1], low[0] : high[0]])
    shift = np.array([[1, 0, low[0] - search], [0, 1, low[1] - search], [0, 0, 1]], np.float64)
    canvas = (int(wide) + 2 * search, int(tall) + 2 * search)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    other = cv2.warpPerspective(reference.grey, transform @ shift, canvas, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    fits = cv2.matchTemplate(ink_of(np.asarray(other, np.uint8)), ink_of(own), cv2.TM_CCOEFF_NORMED)
    _, fit, _, (x, y) = cv2.minMaxLoc(fits)
    there = np.asarray(other[y : y + tall, x : x + wide], np.uint8)
    corner = (int(low[0]), int(low[1]))
    ends = (float(side) for side in (*(placed.min(axis=0) - low), *(placed.max(axis=0) - low)))
    return LineCut(own, there, float(fit), corner, tuple(ends), (search - x, search - y))  # type: ignore[arg-type]
