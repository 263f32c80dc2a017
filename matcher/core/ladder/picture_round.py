"""What the picture round a place tells of the place: two laid greys and a box in, numbers out.

Does it go on as on the other card? What lies over a mark that cannot be seen any more mostly lies over what is round it
as well. And how much of a mark's ink would show on a card that is as faded and as grainy as this one is there?
"""

from __future__ import annotations

import math
from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.card_lines import BoxMm, moved_box, wider
from matcher.core.flatten import Face
from matcher.core.ladder.caption_strips import ink_of
from matcher.core.ladder.words_settings import MarkSettings

Floats = NDArray[np.float32]
Grey = NDArray[np.uint8]


def picture_round(own: Grey, other: Grey, mark: BoxMm, scale: float, settings: MarkSettings) -> tuple[float, float]:
    """Correlation of two pictures round a mark, -1 to 1, where they fit best; and the deviation of the reference's
    there, grey levels. mark: with its frame, mm; its own strokes on the reference are left out."""
    search, (height, width) = settings.round_px, own.shape
    left, top, right, bottom = (round(side * scale) for side in wider(mark, settings.ring_mm))
    rows = slice(max(top, search), min(bottom, height - search))
    columns = slice(max(left, search), min(right, width - search))
    if rows.stop - rows.start < settings.least_px or columns.stop - columns.start < settings.least_px:
        return -1.0, math.inf
    ink, (x0, y0, x1, y1) = np.abs(ink_of(other)), (max(0, round(side * scale)) for side in mark)
    strokes = np.zeros(own.shape, np.uint8)
    strokes[y0:y1, x0:x1] = ink[y0:y1, x0:x1] > STROKE * ink[y0:y1, x0:x1].max(initial=0.0)
    free = (cv2.dilate(strokes, np.ones((5, 5), np.uint8)) == 0)[rows, columns]
    if not free.any():
        return -1.0, math.inf
    known, best = _detail(other)[rows, columns][free], -1.0
    detail = _detail(own)
    for down in range(-search, search + 1, 2):
        for across in range(-search, search + 1, 2):
            moved = detail[rows.start + down : rows.stop + down, columns.start + across : columns.stop + across][free]
            best = max(best, _correlation(moved, known))
    return best, float(known.std())


def expected_ink(
    own: Grey, other: Grey, shown: NDArray[np.bool_], line: BoxMm, scale: float, settings: MarkSettings
) -> float:  # fmt: skip
    """Correlation, 0 to 1, of the inks of a line that both cards bear: 1 where it stands out on the first as it does on
    the other, 0 where it would drown in what the first shows of its own, or lies beyond its edge.

    line: where it stands on the other, mm. How much fainter the first is, is told by its whole picture; the noise of
    either by what lies near the line, on the first where it is not as on the other.
    """
    inks, box = (ink_of(own), ink_of(other)), _box_of(line, scale, own.shape)
    elsewhere = shown.copy()
    elsewhere[box] = False
    if min(box[0].stop - box[0].start, box[1].stop - box[1].start) < settings.least_px or not elsewhere.any():
        return 0.0
    fainter = _fainter(inks, elsewhere)
    room = round(settings.noise_mm * scale)
    wide = tuple(slice(max(0, side.start - room), side.stop + room) for side in box)
    near = elsewhere[wide]
    if not near.any():
        return 0.0
    noise = _mean_square((inks[0] - fainter * inks[1])[wide][near])
    letters = max(0.0, float(inks[1][box].var()) - _mean_square(inks[1][wide][near]))
    signal = fainter**2 * letters
    return math.sqrt(signal / (signal + noise + 1e-6))


def _mean_square(values: Floats) -> float:
    """Of most of them: what is near a line may bear other letters."""
    return float(np.median(values**2)) / MEDIAN_OF_SQUARES


def missing_ink(
    own: Grey, other: Grey, shown: NDArray[np.bool_], line: BoxMm, scale: float, settings: MarkSettings
) -> float:  # fmt: skip
    """Share, 0 to 1, of the ink that a line of the other card would leave on this one, and that is not there: what its
    place holds of ink is too little for it, whatever the picture round it does. Arguments as of `expected_ink`."""
    inks = ink_of(own), ink_of(other)
    box, fainter = _box_of(line, scale, own.shape), _fainter(inks, shown)
    if min(box[0].stop - box[0].start, box[1].stop - box[1].start) < settings.least_px or not shown[box].all():
        return 0.0
    left, wanted = float(inks[0][box].var()), fainter**2 * float(inks[1][box].var())
    return max(0.0, 1 - left / (wanted + 1e-6))


def _box_of(line: BoxMm, scale: float, shape: tuple[int, ...]) -> tuple[slice, slice]:
    """Rows and columns of a box, mm, as far as the face goes."""
    (left, top, right, bottom), (rows, columns) = (round(side * scale) for side in line), shape
    return slice(max(0, top), min(rows, bottom)), slice(max(0, left), min(columns, right))


def _fainter(inks: tuple[Floats, Floats], where: NDArray[np.bool_]) -> float:
    """How much fainter the first of two inks is, by the whole picture."""
    first, second = (ink[where] for ink in inks)
    return max(0.0, float((first * second).sum()) / (float((second**2).sum()) + 1e-6))


Measure = Callable[[Grey, Grey, NDArray[np.bool_], BoxMm, float, MarkSettings], float]


def of_line(
    measure: Measure,
    query: Face,
    reference: Face,
    transform: NDArray[np.float64],
    line: BoxMm,
    settings: MarkSettings,
) -> float:
    """`expected_ink` or `missing_ink` of a line on the reference, mm. transform: (3, 3), query face pixels to reference
    face pixels. Neither glare nor what lies over the line is asked about."""
    canvas, flags = (query.size.width, query.size.height), cv2.WARP_INVERSE_MAP
    other = cv2.warpPerspective(
        reference.grey, transform, canvas, flags=cv2.INTER_LINEAR | flags, borderMode=cv2.BORDER_REPLICATE
    )
    shown = cv2.warpPerspective(reference.trusted.astype(np.uint8), transform, canvas, flags=cv2.INTER_NEAREST | flags)
    to_mm = np.diag([1 / query.size.px_per_mm, 1 / query.size.px_per_mm, 1.0])
    to_px = np.diag([reference.size.px_per_mm, reference.size.px_per_mm, 1.0])
    here = moved_box(line, to_mm @ np.linalg.inv(transform) @ to_px)
    trusted = np.asarray(query.trusted & (shown > 0))
    return measure(query.grey, np.asarray(other, np.uint8), trusted, here, query.size.px_per_mm, settings)


MEDIAN_OF_SQUARES = 0.455
"""Of a normal distribution, over its mean of squares."""

STROKE = 0.25
"""Share of a mark's boldest stroke from which its ink is left out; by hand."""


def _detail(grey: Grey) -> Floats:
    """The picture without its slow tone and its grain."""
    values = grey.astype(np.float32)
    return np.asarray(cv2.GaussianBlur(values, (0, 0), 1.2) - cv2.GaussianBlur(values, (0, 0), 8.0), np.float32)


def _correlation(one: Floats, other: Floats) -> float:
    one, other = one - one.mean(), other - other.mean()
    return float((one * other).sum() / math.sqrt(float((one**2).sum() * (other**2).sum()) + 1e-6))
