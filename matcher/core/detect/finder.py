"""What is a card's inside and what its border, as a small network sees it: proposals, and a witness for each quad.

In: the reduced picture; out: a `Response`, two maps of chances. The network (`finder.onnx`) was trained on drawn desks
(`scripts/train_finder`): it has learnt what a card looks like among holders, prints, covers and screens, where lines
and regions only tell that something has four straight sides.

The numbers here are the network's input: they change only with a new training.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.geometry import Array, area, clockwise_portrait, height
from matcher.core.detect.sampling import grid, outward, side_points
from matcher.core.nets import weight_file
from matcher.core.nets.runtime import infer
from matcher.core.shared_settings import FaceSize

Chances = NDArray[np.float32]

WEIGHTS = weight_file("finder.onnx")

LONG_SIDE = 448
"""Pixels of the picture as it is looked at."""

CELL = 4
"""Its pixels to a cell of the answer."""

STEP = 32
"""The network halves the picture five times."""

LEVELS = ((0.3, False), (0.5, False), (0.5, True), (0.75, True))
"""Chances of the inside from which a cell belongs to a card, and whether those of no border are asked for, so that
cards that touch come apart."""

BAND_PX = 2.5
"""Half of a border's width, as the network has learnt it."""

FEWEST = 4.0
"""Cells that a proposal covers."""

BESIDE_MM = (1.5, 4.0, 9.0)
"""How far from a side, inwards and outwards, it is asked what is inside of a card, at the scale of 63.5 mm high ones: a
print on its mount, a sleeve, a holder."""

WHOLE, EDGED = 1.5, -1.0
"""Log odds of a quad's inside, on average, and of the border along its weakest side, from which it is a whole card."""

SURE = 3.0
"""Log odds from which the network is sure that a place is, or is not, inside a card."""

FLOOR = 1e-3
"""Chances nearer to 0 or 1 than this count as that."""


@dataclass(frozen=True)
class Response:
    """inside, border: (rows, columns) 0 to 1 of cells; scale: cells to a pixel of the reduced picture, (x, y)."""

    inside: Chances
    border: Chances
    scale: tuple[float, float]


def respond(lab: NDArray[np.uint8]) -> Response:
    """Look once at a reduced picture, (h, w, 3) uint8 L a b."""
    rows, columns = lab.shape[:2]
    factor = LONG_SIDE / max(columns, rows)
    width, high = max(1, round(columns * factor)), max(1, round(rows * factor))
    way = cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR
    small = cv2.resize(lab, (width, high), interpolation=way).astype(np.float32)
    shown = np.zeros((1, 4, -(-high // STEP) * STEP, -(-width // STEP) * STEP), np.float32)
    shown[0, :3, :high, :width] = ((small - 128) / 64).transpose(2, 0, 1)
    shown[0, 3, :high, :width] = 1
    odds = infer(WEIGHTS, picture=shown)[0, :, : -(-high // CELL), : -(-width // CELL)]
    inside, border = (np.ascontiguousarray(1 / (1 + np.exp(-one)), np.float32) for one in odds)
    return Response(inside, border, (width / columns / CELL, high / rows / CELL))


def finder_quads(response: Response) -> NDArray[np.float32]:
    """(n, 4, 2) quads around what the network takes for cards, in reduced pixels."""
    quads = response_quads(response.inside, response.border)
    return np.asarray(quads / CELL / np.array(response.scale), np.float32)


def response_quads(inside: Chances, border: Chances) -> NDArray[np.float32]:
    """(n, 4, 2) the same in pixels of the picture as the network saw it."""
    quads: list[NDArray[np.float32]] = []
    for least, apart in LEVELS:
        chance = inside * (1 - border) if apart else inside
        grown = cv2.resize(np.pad(chance, 1, constant_values=0), None, fx=2, fy=2, interpolation=cv2.INTER_LINEAR)
        contours, _ = cv2.findContours((grown > least).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        for contour in contours:
            if cv2.contourArea(contour) >= 4 * FEWEST:
                found = [(quad - 2) * (CELL / 2) for quad in _quads_around(np.asarray(contour, np.int32))]
                # A contour runs through the middles of the outermost cells.
                quads += [_grown(quad, CELL / 4 + (BAND_PX if apart else 0.0)) for quad in found]
    return np.array(quads, np.float32).reshape(-1, 4, 2)


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
    far = np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1)
    return np.asarray(middle + away * (1 + by * np.sqrt(2) / far), np.float32)


def witness(response: Response, quads: Array, height_mm: float) -> Chances:
    """(n, 18) float32: what the network says of quads (n, 4, 2), in reduced pixels and portrait order.

    Log odds of the inside: mean and faintest tenth; of the border along the four sides, weakest first; of the inside
    beside the sides, inwards (the least) and outwards (mean and most) at each distance; and how much of all that it
    takes for cards lies in the quad, and of the quad in that.
    """
    across, down = (np.linspace(0.04, 0.96, steps, dtype=np.float32) for steps in (10, 16))
    within = _seen(response.inside, response, grid(quads, across, down), outside=0).reshape(len(quads), -1)
    along = side_points(quads, np.linspace(0.04, 0.96, 14, dtype=np.float32))[..., None, :]
    per_mm = (height(quads) / height_mm)[:, None, None, None, None]
    normal = outward(quads)[:, :, None, None, :]
    near = along + np.array([-0.6, 0.0, 0.6], np.float32)[:, None] * normal * per_mm
    border = np.sort(_seen(response.border, response, near).max(axis=-1).mean(axis=-1), axis=1)
    columns = [_log_odds(within.mean(axis=1)), _log_odds(np.percentile(within, 10, axis=1)), *_log_odds(border).T]
    for mm in BESIDE_MM:
        inner, outer = (
            _seen(response.inside, response, along + way * mm * normal * per_mm, outside=0)[..., 0].mean(axis=-1)
            for way in (-1, 1)
        )
        columns += [_log_odds(inner.min(axis=1)), _log_odds(outer.mean(axis=1)), _log_odds(outer.max(axis=1))]
    covered = within.mean(axis=1) * _cells(response, quads)
    everything = float(response.inside.sum())
    columns.append(np.log((covered + 1) / (everything + 1)))
    columns.append(np.log((covered + 1) / (_cells(response, quads) + 1)))
    columns.append(np.full(len(quads), np.log(float(response.inside.max()) + FLOOR)))
    return np.stack(columns, axis=1).astype(np.float32)


def crosses(seen: Chances, border: float = -SURE) -> NDArray[np.bool_]:
    """(n,): of which quads a side runs through a card's inside, no border along it; seen: (n, 18), as of `witness`.

    border: log odds of the border below which there is none.
    """
    weakest_border, near, further = seen[:, 2], seen[:, 8], seen[:, 11]
    return np.asarray((weakest_border < border) & (near > SURE) & (further > SURE))


def whole(seen: Chances) -> NDArray[np.bool_]:
    """(n,): which quads the network sees as one whole card, an inside with a border all around it; seen: (n, 18)."""
    return np.asarray((seen[:, 0] > WHOLE) & (seen[:, 2] > EDGED))


def sees_card(response: Response) -> bool:
    """Whether the network sees a whole card anywhere: an inside with a border all around it. What it has not learnt to
    know, a coloured cover or a drawing, it takes for nothing, and has nothing to say of."""
    quads = clockwise_portrait(finder_quads(response)).astype(np.float32)
    if not len(quads):
        return False
    return bool(whole(witness(response, quads, FaceSize().height_mm)).any())


def _cells(response: Response, quads: Array) -> Array:
    """(n,) how many cells each quad covers."""
    return np.abs(area(quads * np.array(response.scale)))


def _seen(chances: Chances, response: Response, points: Array, outside: float | None = None) -> Chances:
    """The map at points (..., 2) in reduced pixels, bilinear; beyond the picture the nearest, or what is given."""
    places = (points * np.array(response.scale) - 0.5).reshape(-1, 1, 2).astype(np.float32)
    columns = min(len(places), 4096)  # remap wants images below 32768 pixels a side
    folded = np.pad(places, ((0, -len(places) % columns), (0, 0), (0, 0))).reshape(-1, columns, 2)
    x, y = np.ascontiguousarray(folded[..., 0]), np.ascontiguousarray(folded[..., 1])
    way = cv2.BORDER_REPLICATE if outside is None else cv2.BORDER_CONSTANT
    found = cv2.remap(chances, x, y, cv2.INTER_LINEAR, borderMode=way, borderValue=outside or 0.0)
    return np.asarray(found.reshape(-1)[: len(places)].reshape(points.shape[:-1]), np.float32)


def _log_odds(chances: Chances) -> Chances:
    held = np.clip(chances, FLOOR, 1 - FLOOR)
    return np.asarray(np.log(held / (1 - held)), np.float32)
