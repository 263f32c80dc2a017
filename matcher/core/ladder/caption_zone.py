"""Is the head of a card picture, or does a caption stand there? A `Face` in, yes or no out.

A sitter's head often stands where other cards of the series have their words. Words that differ must not be taken for
another exposure, and a head that is turned must not be overlooked: so the head is judged as picture only where
neither a dividing edge nor a line of letters is seen.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from matcher.core.align.view import picture_zone, wide_zone
from matcher.core.flatten import Face
from matcher.core.ladder.caption_strips import HEAD_MM, RIM_MM, SIDE_MM
from matcher.core.settings import FaceSize

Floats = NDArray[np.float32]

EDGE_MM = (2.2, 8.7)
"""Where, from the top, the lower edge of a caption's strip may lie."""

EDGE_BLOCKS, EDGE_EXEMPT = 16, 2
"""The edge is looked for in so many blocks side by side; so many may miss it, under a stain or a worn corner."""

EDGE_DEVIATIONS = 1.35
"""A step down in tone, in robust deviations of the blocks' own steps, from which it is an edge: of 366 rehearsed
strips at the head one has a weaker edge, of 366 heads without a strip 4 in a hundred have such a step."""

CELL_MM = 0.9
"""About a letter of small type."""

LINE_CELLS, LINE_FILLED = 12, 9
"""A line of letters fills so many of so many neighbouring cells."""

LINE_MM = 4.9
"""A caption's strongest line stands no lower than this under the rim."""

BELOW_MM = 12.2
"""So far under the rim the picture is looked at, to tell letters from a rough backdrop."""

MOST_INK = 60.0
"""Energy, in units of the strip's noise, beyond which a stroke counts no more: a dark edge is no line of letters."""

STROKE_PX = (0.8, 2.2)
ALONG_PX = 1.5
"""Gaussian sigmas of the band, across the card, that holds upright strokes; and of the blur along them."""

LEVEL, GAP, STANDS_OUT = 0.85, 1.2, 0.9
"""Logarithms of energy: of a line's own, by which it exceeds a gap below it, and by which it exceeds the picture
further down. Edges apart, 96 in a hundred of those heads without words pass as picture, and one of 366 with words."""


def shown_picture(face: Face) -> NDArray[np.bool_]:
    """(height, width) bool: where the face shows the photograph, with the head where that is picture."""
    return wide_zone(face.size) if is_picture(face) else picture_zone(face.size)


def is_picture(face: Face) -> bool:
    """Whether the head shows nothing but the photograph; False where in doubt."""
    return not (_has_edge(face) or _has_letters(face))


def _has_edge(face: Face) -> bool:
    """Light above, darker below, at one height over nearly the whole width."""
    first, last = (round(mm * face.size.px_per_mm) for mm in EDGE_MM)
    smooth = cv2.GaussianBlur(face.grey[: last + 20].astype(np.float32), (0, 0), 1.5)
    steps = (smooth[first + 4 : last + 4] - smooth[first - 4 : last - 4])[:, _across(face.size)]
    blocks = np.stack([block.mean(axis=1) for block in np.array_split(steps, EDGE_BLOCKS, axis=1)], axis=1)
    noise = 1.48 * float(np.median(np.abs(blocks - np.median(blocks, axis=0)))) + 0.2
    # The edge may be a little slanted: each block's strongest step within a few rows counts.
    darkest = cv2.erode(blocks.astype(np.float32), np.ones((7, 1)))
    weakest = np.sort(-darkest / noise, axis=1)[:, EDGE_EXEMPT]
    return bool(weakest.max() > EDGE_DEVIATIONS)


def _has_letters(face: Face) -> bool:
    """A row where most of a dozen neighbouring cells hold upright strokes, with a gap below it."""
    px = face.size.px_per_mm
    rim, lowest, head = round(RIM_MM * px), round(LINE_MM * px), round((HEAD_MM - RIM_MM) * px) - 5
    lines = _lines(face, slice(rim, rim + round(BELOW_MM * px)), head)
    row = int(lines[: lowest - rim].argmax())
    line, gap, picture = lines[row], lines[row : row + round(2.4 * px)].min(), np.median(lines[head:])
    return bool(line > LEVEL and line - gap > GAP and line - picture > STANDS_OUT)


def _lines(face: Face, rows: slice, head: int) -> Floats:
    """(rows,) how like a line of letters each row is: logarithm of its filled cells' stroke energy over the noise."""
    columns = _across(face.size)
    grey = face.grey[: rows.stop + 20].astype(np.float32)
    fine, coarse = (cv2.GaussianBlur(grey, (0, 0), sigmaX=across, sigmaY=ALONG_PX) for across in STROKE_PX)
    energy = np.square(fine - coarse)[rows, columns] * face.trusted[rows, columns]
    noise = float(np.median(energy[:head])) / 0.45 + 1e-3  # median over mean of a squared Gaussian
    cell = round(CELL_MM * face.size.px_per_mm)
    filled = cv2.boxFilter(np.minimum(energy, MOST_INK * noise), -1, (cell, cell), borderType=cv2.BORDER_REFLECT)
    cells = sliding_window_view(filled[:, cell // 2 + 1 :: cell] / noise, LINE_CELLS, axis=1)
    least = np.sort(cells, axis=2)[:, :, LINE_CELLS - LINE_FILLED]
    return np.asarray(np.log(least.max(axis=1) + 1e-2), np.float32)


def _across(size: FaceSize) -> slice:
    side = round(SIDE_MM * size.px_per_mm) + 2
    return slice(side, size.width - side)
