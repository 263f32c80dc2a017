"""What helps an eye compare a card with a reference laid over it: tones brought together, and places to look at.

A `Candidate` with the two pictures in, plain numbers and one small picture out. Nothing here decides anything: the
places are those that the ladder's own findings stand on.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.polynomial import Polynomial
from numpy.typing import NDArray

from matcher.core.card_lines import wider
from matcher.core.flatten import Face
from matcher.core.ladder.candidate import Candidate
from matcher.core.ladder.caption_strips import ink_of
from matcher.core.ladder.change_detector import STEP, DifferenceMap
from matcher.core.ladder.letters import WHOLE_PX, compare_letters
from matcher.core.ladder.words import WordLine
from matcher.core.settings import FaceSize

Pixels = NDArray[np.uint8]
Box = tuple[int, int, int, int]
"""Left, top, width, height."""

NODES = 17
"""A tone table's entries, evenly over black to white: finer than any tone curve of a print bends."""

NODES_AT = np.linspace(0, 1, NODES)

LEAST_TONES, LEAST_RISE = 0.004, 0.3
"""Of black to white: with less there are no tones; and share of its mean slope that a tone curve must have anywhere;
by hand, on seven of the demo's pairs."""

LEAST_SHOWN = 2000
"""Pixels that both must show before tones are compared; our own choice."""

LEAST_MOVED_MM2 = 1.0
"""A smaller patch is no movement that an eye would find; our own choice."""

GREY = np.array([0.299, 0.587, 0.114], np.float32)
"""Of red, green and blue (ITU-R BT.601)."""

MOST_PLACES = 5
GAP = 6
"""Rows between two strips."""

AROUND_MARK_MM = 1.2
"""Shown round a mark; our own choice."""

LETTER_CELLS = 2
"""Cells of the difference map that a letter takes at least."""

LEAST_SHARE = 0.2
"""Of what differs most: a strip with less, often at a worn edge, is not shown; our own choice."""


@dataclass(frozen=True)
class Tones:
    """How the duller of two pictures is brought to the other's tones.

    of:     which of the two it is.
    tables: of its grey, which red, green and blue it is shown in, so that no faint colour is blown up with the tones;
            each `NODES` values for inputs evenly from 0 to 1; below 0 or above 1 is black or white.
    """

    of: Literal["card", "reference"]
    tables: tuple[tuple[float, ...], ...]


@dataclass(frozen=True)
class Line:
    """One strip of words of both cards, the card's above the reference's.

    pixels:  (2 * height + gap, width) uint8. step: from the card's row to the reference's.
    letters: where they differ, on the card's row, the most different first.
    """

    pixels: Pixels
    step: int
    letters: tuple[Box, ...]


def matched_tones(card: Pixels, reference: Pixels, shown: Pixels) -> Tones | None:
    """The tone table that brings the duller one to the other: equal shares of both are then as dark.

    card, reference: (height, width, 3) RGB, registered. shown: (height, width), above 0 where both are shown.
    None where too little is shown, or one of them has no tones at all.
    """
    where = shown > 0
    if int(where.sum()) < LEAST_SHOWN:
        return None
    sides = card[where], reference[where]
    spread = [float(np.ptp(np.percentile(side.mean(axis=1), (5, 95)))) for side in sides]
    if min(spread) < 1:
        return None
    duller, clearer = sides if spread[0] < spread[1] else sides[::-1]
    grey = duller.astype(np.float32) @ GREY
    return Tones("card" if spread[0] < spread[1] else "reference", _tables(grey, clearer))


def _tables(values: NDArray[np.float32], wanted: Pixels) -> tuple[tuple[float, ...], ...]:
    """The smoothest curves near equal quantiles: parabolas where all of them rise everywhere, else straight lines.

    A curve through every quantile would tear tones apart where a lamp's shine or a blotch lies on one of the two; of
    one kind, the three leave the colour in peace.
    """
    shares = np.linspace(2, 98, 49)
    have, want = (np.percentile(side, shares, axis=0) / 255 for side in (values, wanted))
    if np.ptp(have) < LEAST_TONES:
        return (tuple(NODES_AT.round(3).tolist()),) * 3
    ends = have[[0, -1]]
    curves = [Polynomial.fit(have, channel, 2) for channel in want.T]
    steepness = [curve.deriv()(ends) / (np.diff(curve(ends)) / np.diff(ends)) for curve in curves]
    if np.min(steepness) < LEAST_RISE:
        curves = [Polynomial.fit(have, channel, 1) for channel in want.T]
    seen = np.clip(NODES_AT, *ends)  # beyond what was seen they go on straight
    return tuple(tuple((curve(seen) + curve.deriv()(seen) * (NODES_AT - seen)).round(3).tolist()) for curve in curves)


def moved_places(found: Candidate, size: FaceSize) -> tuple[Box, ...]:
    """Where the picture has moved, in pixels of the card's face, the largest first."""
    if found.pose is None:
        return ()
    scale = size.height / found.pose.map.shape[0]
    moved = np.nan_to_num(1 - found.pose.map, nan=0.0)
    joined = cv2.morphologyEx((moved > 0.5).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    least = LEAST_MOVED_MM2 * (size.px_per_mm / scale) ** 2
    return _boxes(np.asarray(joined, np.uint8), moved, least, scale)[:MOST_PLACES]


def words_line(found: Candidate, face: Face, reference: Face, differ: bool) -> tuple[Line, ...]:
    """The words of both cards one above the other, what says most first: line by line where they were compared so, else
    by the strips of foot and head.

    differ: whether letters are to be pointed out.
    """
    compared = found.words.lines if found.words else ()
    lines = [_compared(line, found, face, reference, differ) for line in compared]
    shown = [line for line in lines if line is not None]
    if shown:
        return tuple(sorted(shown, key=_differing, reverse=True))
    parts = found.caption.parts if found.caption else ()
    return _telling(parts, differ) if parts else ()


def _compared(line: WordLine, found: Candidate, face: Face, reference: Face, differ: bool) -> Line | None:
    """One line that was looked at on both cards: its letters where their ink differs, all of it where that shows none
    that was read; None where too little of it lies on the card."""
    ink = compare_letters(face, reference, found.alignment.transform, line.box_mm, line.quarters)
    if ink is None:
        return None
    pixels, step = _stacked(ink.query, ink.reference)
    if not differ or line.probability >= SAME_LINE:
        return Line(pixels, step, ())
    odds = ink.probability
    letters = _boxes((odds > 0.5).astype(np.uint8), odds, LETTER_CELLS, WHOLE_PX)
    begins, ends = (round(side) for side in ink.along)
    return Line(pixels, step, letters or ((begins, 1, ends - begins, len(ink.query) - 2),))


SAME_LINE = 0.5
"""Probability that a line says the same from which none of it is pointed out; our own choice."""


def _telling(parts: Sequence[DifferenceMap], differ: bool) -> tuple[Line, ...]:
    """The strip in which most letters differ and any with a good part as much; without any, that of most strokes."""
    lines = sorted((_line(part, differ) for part in parts), key=_differing, reverse=True)
    if most := _differing(lines[0]):
        return tuple(line for line in lines if _differing(line) >= LEAST_SHARE * most)
    strokes = [min(float(ink_of(side).std()) for side in (part.query, part.reference)) for part in parts]
    return (_line(parts[int(np.argmax(strokes))], differ),)


def _differing(line: Line) -> int:
    """Pixels in the boxes about its differing letters."""
    return sum(width * height for _, _, width, height in line.letters)


def mark_lines(found: Candidate, face: Face, reference: Face) -> tuple[Line, ...]:
    """Where the issuer's mark stands on either card, both cards' one above the other; boxed where it is another.

    Nothing where no mark was compared; two lines where it stands in two places.
    """
    if found.mark is None or found.mark.probability is None:
        return ()
    canvas = (face.size.width, face.size.height)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    laid = cv2.warpPerspective(
        reference.grey, found.alignment.transform, canvas, flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    differs, lines = found.mark.probability < 0.5, list[Line]()
    for box in found.mark.boxes_mm(face, reference, found.alignment.transform):
        left, top, right, bottom = (round(side * face.size.px_per_mm) for side in wider(box, AROUND_MARK_MM))
        place = slice(max(top, 0), max(bottom, 1)), slice(max(left, 0), max(right, 1))
        own = face.grey[place]
        pixels, step = _stacked(own, np.asarray(laid, np.uint8)[place])
        lines.append(Line(pixels, step, ((1, 1, own.shape[1] - 2, own.shape[0] - 2),) if differs else ()))
    return tuple(lines)


def _line(part: DifferenceMap, differ: bool) -> Line:
    pixels, step = _stacked(part.query, part.reference)
    odds = part.probability
    letters = _boxes((odds > 0.5).astype(np.uint8), odds, LETTER_CELLS, STEP) if differ else ()
    return Line(pixels, step, letters)


def _stacked(own: Pixels, known: Pixels) -> tuple[Pixels, int]:
    """The card's strip above the reference's, and how far that one lies below."""
    height, width = own.shape
    pixels = np.full((2 * height + GAP, width), 128, np.uint8)
    pixels[:height], pixels[height + GAP :] = _stretched(own), _stretched(known)
    return pixels, height + GAP


def _stretched(grey: Pixels) -> Pixels:
    """From its darkest to its lightest twentieth, so that faded words can be read."""
    low, high = np.percentile(grey, (1, 99))
    values = (grey.astype(np.float32) - low) * (235 / max(high - low, 12.0)) + 10
    return np.asarray(np.clip(values, 0, 255), np.uint8)


def _boxes(mask: Pixels, weight: NDArray[np.float32], least: float, scale: float) -> tuple[Box, ...]:
    """Boxes about the patches of a mask that have at least so many cells, the weightiest first."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    held = [label for label in range(1, count) if stats[label, cv2.CC_STAT_AREA] >= least]
    held.sort(key=lambda label: -float(weight[labels == label].sum()))
    return tuple(_scaled(stats[label, :4], scale) for label in held)


def _scaled(box: Iterable[int], scale: float) -> Box:
    left, top, width, height = (round(float(value) * scale) for value in box)
    return left, top, width, height
