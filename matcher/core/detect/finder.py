"""What is a card's inside and what its border, as a small network sees it: proposals, and a witness for each quad.

In: the reduced picture; out: a `Response`, two maps of chances. The network (`finder.onnx`) was trained on drawn desks
(`scripts/train_finder`): it has learnt what a card looks like among holders, prints, covers and screens, where lines and
regions only tell that something has four straight sides.

The numbers here are the network's input: they change only with a new training.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.reduced_image import ReducedImage
from matcher.core.nets import weight_file
from matcher.core.nets.runtime import infer

Chances = NDArray[np.float32]

WEIGHTS = weight_file("finder.onnx")

LONG_SIDE = 448
"""Pixels of the picture as it is looked at."""

CELL = 4
"""Its pixels to a cell of the answer."""

STEP = 32
"""The network halves the picture five times."""

LEVELS = ((0.3, 0.0), (0.5, 0.0), (0.5, 0.5), (0.75, 0.7))
"""Chances of the inside from which a cell belongs to a card, and how much of the border's chance is taken off, so that
cards that touch come apart."""

FEWEST = 4.0
"""Cells that a proposal covers."""


@dataclass(frozen=True)
class Response:
    """inside, border: (rows, columns) 0 to 1 of cells; scale: cells to a pixel of the reduced picture, (x, y)."""

    inside: Chances
    border: Chances
    scale: tuple[float, float]


def respond(picture: ReducedImage) -> Response:
    """Look at the reduced picture once."""
    factor = LONG_SIDE / max(picture.width, picture.height)
    width, height = max(1, round(picture.width * factor)), max(1, round(picture.height * factor))
    way = cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR
    small = cv2.resize(picture.lab, (width, height), interpolation=way).astype(np.float32)
    rows, columns = -(-height // STEP) * STEP, -(-width // STEP) * STEP
    shown = np.zeros((1, 4, rows, columns), np.float32)
    shown[0, :3, :height, :width] = ((small - 128) / 64).transpose(2, 0, 1)
    shown[0, 3, :height, :width] = 1
    odds = infer(WEIGHTS, picture=shown)[0, :, : -(-height // CELL), : -(-width // CELL)]
    inside, border = 1 / (1 + np.exp(-odds))
    return Response(inside, border, (width / picture.width / CELL, height / picture.height / CELL))


def finder_quads(response: Response) -> NDArray[np.float32]:
    """(n, 4, 2) quads around what the network takes for cards, in reduced pixels."""
    quads = response_quads(response.inside, response.border)
    return np.asarray(quads / CELL / np.array(response.scale), np.float32)


def response_quads(inside: Chances, border: Chances) -> NDArray[np.float32]:
    """(n, 4, 2) the same in pixels of the picture as the network saw it."""
    quads: list[NDArray[np.float32]] = []
    for least, parting in LEVELS:
        chance = inside - parting * border
        grown = cv2.resize(np.pad(chance, 1, constant_values=0), None, fx=2, fy=2, interpolation=cv2.INTER_LINEAR)
        level = least if not parting else least * (1 - parting)
        contours, _ = cv2.findContours((grown > level).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        lost = (0.0 if not parting else 0.5) * CELL  # half of the border's band
        for contour in contours:
            if cv2.contourArea(contour) >= 4 * FEWEST:
                quads += [((quad - 2) * (CELL / 2), lost) for quad in _quads_around(contour)]  # type: ignore[misc]
    return np.array([_grown(quad, by) for quad, by in quads], np.float32).reshape(-1, 4, 2)  # type: ignore[misc]


def _quads_around(contour: NDArray[np.int32]) -> list[NDArray[np.float32]]:
    """The narrowest rectangle, and the four-sided outline that adds the least to the hull."""
    hull = cv2.convexHull(contour)
    found = [np.asarray(cv2.boxPoints(cv2.minAreaRect(hull)), np.float32)]
    if len(hull) >= 4:
        four = np.asarray(cv2.approxPolyN(hull, 4, None, -1, True), np.float32).reshape(-1, 2)
        found += [four] if len(four) == 4 else []
    return [quad + 0.5 for quad in found]


def _grown(quad: NDArray[np.float32], by: float) -> NDArray[np.float32]:
    """All sides moved outwards by so many pixels, about."""
    middle = quad.mean(axis=0)
    away = quad - middle
    return np.asarray(middle + away * (1 + by * np.sqrt(2) / np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1)))

