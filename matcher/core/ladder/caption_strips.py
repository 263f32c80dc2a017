"""The strips where captions stand, foot and head of the card, registered on their own; the picture plays no part.

Two faces and the pictures' `Alignment` in, a `CaptionStrip` for the foot and one for the head out. Words, dividing
line and picture were printed together, so on one crop the strips' transform is the picture's; on another crop of the
negative the words stay while the picture moves. Where the scissors went matters to neither.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.align.alignment import Alignment, warp_reference
from matcher.core.filters import slow
from matcher.core.flatten import Face
from matcher.core.settings import FaceSize

Floats = NDArray[np.float32]
Bools = NDArray[np.bool_]

FOOT_MM = 10.0
HEAD_MM = 8.0
"""Height of the strip that holds a caption, at the foot or at the head of the card."""

SIDE_MM = 2.2
RIM_MM = 1.3
"""Left out of the strips: cut edges, the mount's border, wear."""

HIDDEN = (4.0, 14.0)
"""A spot is covered (by a thumb, say) where its slow tone is off by so many robust deviations and grey levels."""

COVER_PX = 36
"""What covers is at least as broad as this: a bold letter more, or fewer, also changes the slow tone."""

MARGIN_PX = 8
"""Left out round what covers: its edge and its shadow."""

TONE_PX, TONE_STEP = 10.0, 4
"""Gaussian sigma of the slow tone, and every how many pixels it is computed."""

WORDS_MM = (1.6, 0.8)
"""How far, across and down, words may sit from where the picture's transform puts them: other words may be longer."""

FINE_PX = 14.0
"""The fine registration may move a corner of the strip by no more than this: more means that it has lost its way. The
picture's transform, carried on to the foot of the card, may be off by three or four per cent in scale."""

STROKE = (0.8, 4.5)
"""Gaussian sigmas (face pixels) of the band that holds pen and type strokes."""


@dataclass(frozen=True)
class CaptionStrip:
    """One strip of the query with the reference's laid over it.

    rows, columns: where it lies on the face.
    mine, theirs:  (rows, columns) uint8 greys, `theirs` moved to where its ink fits best.
    inks:          of both, as `ink_of` has them.
    shown:         (rows, columns) bool, what both show, uncovered.
    transform:     (3, 3) float64, query face pixels to reference face pixels, as the ink has it.
    correlation:   of the two inks under it, -1 to 1.
    """

    rows: slice
    columns: slice
    mine: NDArray[np.uint8]
    theirs: NDArray[np.uint8]
    inks: tuple[Floats, Floats]
    shown: Bools
    transform: NDArray[np.float64]
    correlation: float

    @property
    def middle(self) -> NDArray[np.float64]:
        """(2,) x and y of the strip's middle on the query's face."""
        return np.array([(self.columns.start + self.columns.stop) / 2, (self.rows.start + self.rows.stop) / 2])


def shown_by_both(query: Face, reference: Face, alignment: Alignment) -> Bools:
    """(height, width): where the query's card is seen uncovered, and the reference too."""
    laid, covered = warp_reference(reference, alignment)
    return query.trusted & covered & ~_hidden(query.grey, laid)


def register_strips(
    query: Face, reference: Face, start: NDArray[np.float64], shown: Bools, search_mm: tuple[float, float] = WORDS_MM
) -> tuple[CaptionStrip, CaptionStrip]:
    """The foot and the head of the card, each moved to where the ink fits best.

    start:     (3, 3), query face pixels to reference face pixels: the picture's transform, or the identity, which lays
               one card's edges on the other's.
    shown:     (height, width), from `shown_by_both`.
    search_mm: how far, across and down, the ink may sit from there.
    """
    foot, head = (
        _registered(query, reference, start, shown, rows, columns, search_mm)
        for rows, columns in caption_strips(query.size)
    )
    return foot, head


def caption_strips(size: FaceSize, rim_mm: float = RIM_MM) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    """(rows, columns) of the face's foot and head, where captions stand; the worn outer rim is left out."""
    side, rim, foot, head = (round(mm * size.px_per_mm) for mm in (SIDE_MM, rim_mm, FOOT_MM, HEAD_MM))
    across = slice(side, size.width - side)
    return (slice(size.height - foot, size.height - rim), across), (slice(rim, head), across)


def ink_of(grey: NDArray[np.uint8]) -> Floats:
    """The band of a grey that holds strokes, positive where it is lighter."""
    values = grey.astype(np.float32)
    fine, coarse = STROKE
    return np.asarray(cv2.GaussianBlur(values, (0, 0), fine) - slow(values, coarse), np.float32)


def _registered(
    query: Face,
    reference: Face,
    start: NDArray[np.float64],
    shown: Bools,
    rows: slice,
    columns: slice,
    search_mm: tuple[float, float],
) -> CaptionStrip:
    """First whole pixels, then a fine affine transform of the strip."""
    corner = np.array([[1, 0, columns.start], [0, 1, rows.start], [0, 0, 1]], np.float64)
    canvas = (columns.stop - columns.start, rows.stop - rows.start)
    mine, seen = query.grey[rows, columns], shown[rows, columns]
    ink = ink_of(mine)
    theirs = _cut(reference.grey, start @ corner, canvas)
    search_px = (round(search_mm[0] * query.size.px_per_mm), round(search_mm[1] * query.size.px_per_mm))
    move = np.vstack([_move(ink, ink_of(theirs), seen, search_px), [0, 0, 1]])
    transform = start @ corner @ move @ np.linalg.inv(corner)
    # Taken from the face once more: twice resampled would be twice blurred.
    moved = _cut(reference.grey, transform @ corner, canvas)
    believed = _cut(reference.trusted.astype(np.uint8), transform @ corner, canvas, cv2.INTER_NEAREST)
    seen = seen & (believed > 0)
    inks = ink, ink_of(moved)
    fit = _correlation(*inks, seen)
    return CaptionStrip(rows, columns, mine, moved, inks, seen, transform / transform[2, 2], fit)


def _cut(
    image: NDArray[np.uint8], transform: NDArray[np.float64], canvas: tuple[int, int], how: int = cv2.INTER_LINEAR
) -> NDArray[np.uint8]:
    border = cv2.BORDER_REPLICATE if how == cv2.INTER_LINEAR else cv2.BORDER_CONSTANT
    flags = how | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpPerspective(image, transform, canvas, flags=flags, borderMode=border), np.uint8)


def _move(mine: Floats, theirs: Floats, seen: Bools, search_px: tuple[int, int]) -> NDArray[np.float64]:
    """(2, 3): where on `theirs` each pixel of `mine` lies."""
    across, down = search_px
    framed = cv2.copyMakeBorder(theirs, down, down, across, across, cv2.BORDER_CONSTANT, value=0)
    scores = cv2.matchTemplate(framed, mine * seen, cv2.TM_CCORR_NORMED)
    _, _, _, (x, y) = cv2.minMaxLoc(scores)
    move = np.array([[1, 0, x - across], [0, 1, y - down]], np.float32)
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 30, 1e-4)
    with suppress(cv2.error):  # no convergence: the whole pixels stand
        mask = seen.astype(np.uint8) * 255
        _, finer = cv2.findTransformECC(mine, theirs, move.copy(), cv2.MOTION_AFFINE, criteria, mask, 3)
        if _strays(finer - move, mine.shape) < min(FINE_PX, max(search_px)):
            move = np.asarray(finer, np.float32)
    return move.astype(np.float64)


def _strays(change: NDArray[np.float32], shape: tuple[int, ...]) -> float:
    """Largest distance, in pixels, by which a (2, 3) change of transform moves a corner of the strip."""
    corners = np.array([[0, 0, 1], [shape[1], 0, 1], [0, shape[0], 1], [shape[1], shape[0], 1]], np.float64)
    return float(np.linalg.norm(corners @ change.T, axis=1).max())


def _correlation(mine: Floats, theirs: Floats, seen: Bools) -> float:
    if seen.sum() < 100:
        return 0.0
    a, b = mine[seen], theirs[seen]
    a, b = a - a.mean(), b - b.mean()
    return float((a * b).sum() / (np.sqrt(float((a * a).sum()) * float((b * b).sum())) + 1e-6))


def _hidden(grey: NDArray[np.uint8], laid: NDArray[np.uint8]) -> Bools:
    """Where something lies over the query's card: its slow tone cannot be the reference's under any one fading."""
    mine, theirs = (_toned(g) for g in (grey, laid))
    slope, level = np.polyfit(theirs[::2, ::2].ravel(), mine[::2, ::2].ravel(), 1)
    rest = np.abs(mine - (slope * theirs + level))
    deviations, levels = HIDDEN
    limit = max(levels, deviations * 1.48 * float(np.median(rest)))
    broad = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (COVER_PX // TONE_STEP, COVER_PX // TONE_STEP))
    covered = cv2.morphologyEx((rest > limit).astype(np.uint8), cv2.MORPH_OPEN, broad, borderType=cv2.BORDER_REPLICATE)
    margin = cv2.dilate(covered, np.ones((2 * MARGIN_PX // TONE_STEP + 1,) * 2, np.uint8))
    return np.asarray(cv2.resize(margin, grey.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0)


def _toned(grey: NDArray[np.uint8]) -> Floats:
    """The slow tone, on every `TONE_STEP`-th pixel: it holds nothing finer."""
    size = (grey.shape[1] // TONE_STEP, grey.shape[0] // TONE_STEP)
    small = cv2.resize(grey.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.GaussianBlur(small, (0, 0), TONE_PX / TONE_STEP), np.float32)
