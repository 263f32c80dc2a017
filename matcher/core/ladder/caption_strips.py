"""The strips where captions stand, foot and head of the card, registered on their own; the picture plays no part.

A `Registered` pair in, a `CaptionStrip` for the foot and one for the head out. Words, dividing line and picture were
printed together, so on one crop the strips' transform is the picture's; on another crop of the negative the words stay
while the picture moves. Where the scissors went matters to neither.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.filters import slow
from matcher.core.ladder.registered import Registered
from matcher.core.ladder.words_settings import StripSettings
from matcher.core.shared_settings import FaceSize

Floats = NDArray[np.float32]
Bools = NDArray[np.bool_]
Grey = NDArray[np.uint8]

Zone = tuple[slice, slice]
"""Rows and columns of a face."""


@dataclass(frozen=True)
class Start:
    """Where the ink of two strips is looked for.

    transform: (3, 3) float64, query face pixels to reference face pixels: the picture's, or the identity, which lays
               one card's edges on the other's.
    shown:     (height, width) bool on the query's face: what of the cards counts.
    search_mm: how far, across and down, the ink may sit from there.
    """

    transform: NDArray[np.float64]
    shown: Bools
    search_mm: tuple[float, float]


@dataclass(frozen=True)
class CaptionStrip:
    """One strip of the query with the reference's laid over it.

    rows, columns:    where it lies on the face.
    query, reference: (rows, columns) uint8 greys, the reference's moved to where its ink fits best.
    inks:             (rows, columns) float32 of query and reference, as `ink_of` has them.
    shown:            (rows, columns) bool, what both show, uncovered.
    transform:        (3, 3) float64, query face pixels to reference face pixels, as the ink has it.
    """

    rows: slice
    columns: slice
    query: Grey
    reference: Grey
    inks: tuple[Floats, Floats]
    shown: Bools
    transform: NDArray[np.float64]


def register_strips(pair: Registered, start: Start | None = None) -> tuple[CaptionStrip, CaptionStrip]:
    """The foot and the head of the card, each moved to where the ink fits best.

    start: where the ink is looked for; by default about where the picture's transform puts it.
    """
    settings = pair.settings.strips
    start = start or Start(pair.alignment.transform, pair.uncovered, settings.search_mm)
    foot, head = (_registered(pair, start, zone) for zone in caption_strips(pair.query.face.size, settings))
    return foot, head


def caption_strips(size: FaceSize, settings: StripSettings | None = None) -> tuple[Zone, Zone]:
    """(rows, columns) of the face's foot and head, where captions stand; the worn outer rim is left out."""
    settings = settings or StripSettings()
    edges_mm = (settings.side_mm, settings.rim_mm, settings.foot_mm, settings.head_mm)
    side, rim, foot, head = (round(mm * size.px_per_mm) for mm in edges_mm)
    across = slice(side, size.width - side)
    return (slice(size.height - foot, size.height - rim), across), (slice(rim, head), across)


def ink_of(grey: Grey, settings: StripSettings | None = None) -> Floats:
    """The band of a grey, (height, width), that holds strokes, positive where it is lighter; float32 of its shape."""
    values = grey.astype(np.float32)
    fine, coarse = (settings or StripSettings()).stroke_px
    return np.asarray(cv2.GaussianBlur(values, (0, 0), fine) - slow(values, coarse), np.float32)


def _registered(pair: Registered, start: Start, zone: Zone) -> CaptionStrip:
    """First whole pixels, then a fine affine transform of the strip."""
    settings, (rows, columns) = pair.settings.strips, zone
    query, reference = pair.query.face, pair.reference.face
    corner = np.array([[1, 0, columns.start], [0, 1, rows.start], [0, 0, 1]], np.float64)
    canvas = (columns.stop - columns.start, rows.stop - rows.start)
    grey, shown = query.grey[zone], start.shown[zone]
    ink = ink_of(grey, settings)
    as_started = ink_of(_cut(reference.grey, start.transform @ corner, canvas), settings)
    across, down = (round(mm * query.size.px_per_mm) for mm in start.search_mm)
    move = np.vstack([_move(ink, as_started, shown, (across, down), settings), [0, 0, 1]])
    transform = start.transform @ corner @ move @ np.linalg.inv(corner)
    # Taken from the face once more: twice resampled would be twice blurred.
    moved = _cut(reference.grey, transform @ corner, canvas)
    trusted = _cut(reference.trusted.astype(np.uint8), transform @ corner, canvas, cv2.INTER_NEAREST)
    inks = ink, ink_of(moved, settings)
    return CaptionStrip(rows, columns, grey, moved, inks, shown & (trusted > 0), transform / transform[2, 2])


def _cut(image: Grey, transform: NDArray[np.float64], canvas: tuple[int, int], how: int = cv2.INTER_LINEAR) -> Grey:
    border = cv2.BORDER_REPLICATE if how == cv2.INTER_LINEAR else cv2.BORDER_CONSTANT
    flags = how | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpPerspective(image, transform, canvas, flags=flags, borderMode=border), np.uint8)


def _move(
    query: Floats, reference: Floats, shown: Bools, search_px: tuple[int, int], settings: StripSettings
) -> NDArray[np.float64]:
    """(2, 3): where on the reference's ink each pixel of the query's lies."""
    across, down = search_px
    framed = cv2.copyMakeBorder(reference, down, down, across, across, cv2.BORDER_CONSTANT, value=0)
    scores = cv2.matchTemplate(framed, query * shown, cv2.TM_CCORR_NORMED)
    _, _, _, (x, y) = cv2.minMaxLoc(scores)
    move = np.array([[1, 0, x - across], [0, 1, y - down]], np.float32)
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 30, 1e-3)
    with suppress(cv2.error):  # no convergence: the whole pixels stand
        mask = shown.astype(np.uint8) * 255
        _, finer = cv2.findTransformECC(query, reference, move.copy(), cv2.MOTION_AFFINE, criteria, mask, 3)
        if _most_moved(finer - move, query.shape) < min(settings.fine_px, max(search_px)):
            move = np.asarray(finer, np.float32)
    return move.astype(np.float64)


def _most_moved(change: NDArray[np.float32], shape: tuple[int, ...]) -> float:
    """Largest distance, in pixels, by which a (2, 3) change of transform moves a corner of the strip."""
    corners = np.array([[0, 0, 1], [shape[1], 0, 1], [0, shape[0], 1], [shape[1], shape[0], 1]], np.float64)
    return float(np.linalg.norm(corners @ change.T, axis=1).max())
