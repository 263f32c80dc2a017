"""Lines of letters on two cards each, with the truth where they differ: pictures, typefaces and a seed in; what the
network of letters learns from out. Everything is numpy: `letter_network` makes tensors of it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.align.alignment import align
from matcher.core.align.view import View
from matcher.core.card_lines import BoxMm
from matcher.core.flatten import Face, flatten
from matcher.core.ladder.caption_strips import ink_of
from matcher.core.ladder.change_detector import network_input
from matcher.core.ladder.letters import WHOLE_PX, LineCut, cut_line
from matcher.core.ladder.words_settings import LetterSettings
from matcher.lab.evaluation.lettering_set import LetteringQuery, draw_lettering_query, drawn_card, lettering_plan
from matcher.lab.evaluation.negatives import Negative
from matcher.lab.synthesis import scan
from matcher.lab.synthesis.line_drawing import draw_line
from matcher.lab.synthesis.training_pairs import UNKNOWN
from matcher.lab.synthesis.type_cases import Typeface
from matcher.lab.synthesis.wording import SetLine, set_lines
from matcher.lab.training.fit_mark import SCAN_PX_PER_MM, seen

ASKED = ("same", "letter", "club", "same")

OFF_MM = 0.15
"""Standard deviation by which each side of a line's box is off: it is found, not known."""

INKED, HARDLY = 0.18, 0.08
"""Difference of ink from which a pixel differs, and from which it cannot be told whether it does; by hand."""

WINDOW = (40, 192)
"""Height and width of what the network is shown at once while it learns."""

Grey = NDArray[np.uint8]
Floats = NDArray[np.float32]
Shown = tuple[Floats, Floats, Floats]
"""(2, h, w) prepared pair, (2,) noise of both, (h / 2, w / 2) truth: 0, 1, or 2 where it cannot be told."""


@dataclass(frozen=True)
class LinePatch:
    """One line, level, as the network is given it: query and reference (height, width) float32, their noise; truth:
    uint8 of their shape, 1 where the letters differ, 0 where not, `UNKNOWN` between."""

    query: Floats
    reference: Floats
    noise: tuple[float, float]
    truth: NDArray[np.uint8]
    changed: bool


def line_patches(
    negatives: Sequence[Negative], types: Sequence[Typeface], count: int, seed: int, rough: bool
) -> Iterator[LinePatch]:
    """All lines of `count` photos, each beside its negative's reference."""
    _, asked = lettering_plan(negatives, types, count, seed, rough=rough, asked=ASKED)
    for query in asked:
        yield from _lines_of(query, types, np.random.default_rng([query.seed, seed]))


def _lines_of(query: LetteringQuery, types: Sequence[Typeface], rng: np.random.Generator) -> Iterator[LinePatch]:
    known = query.record.card
    reference = flatten(*seen(scan(drawn_card(known, types, SCAN_PX_PER_MM), rng), rng))
    face = flatten(*seen(draw_lettering_query(query, types)[1], rng))
    found = align(View(face), View(reference))
    if not found:
        return
    ours, theirs = ({line.part: line for line in set_lines(card.wording)} for card in (query.card, known))
    for part in ("name", "club"):
        pair = theirs.get(part), ours.get(part)
        if pair != (None, None):
            patch = _patch(face, reference, found.transform, pair, rng)
            if patch is not None:
                yield patch


def _patch(
    face: Face,
    reference: Face,
    transform: NDArray[np.float64],
    pair: tuple[SetLine | None, SetLine | None],
    rng: np.random.Generator,
) -> LinePatch | None:
    """pair: the line as the reference and as the query has it."""
    one = pair[0] or pair[1]
    assert one is not None
    box = np.array(_box(one)) + rng.normal(0, OFF_MM, 4)
    cut = cut_line(face, reference, transform, tuple(box), LetterSettings())
    if cut is None:
        return None
    changed = pair[0] is None or pair[1] is None or pair[0].words != pair[1].words
    truth = _truth(face, pair, transform, cut) if changed else np.zeros(cut.query.shape, np.uint8)
    turns = 0 if abs(one.turn) < 45 else 3 if one.turn < 0 else 1
    query, other, told = (np.ascontiguousarray(np.rot90(one, turns)) for one in (cut.query, cut.reference, truth))
    return patch_of(query, other, told, changed)


def patch_of(query: Grey, reference: Grey, truth: Grey, changed: bool) -> LinePatch:
    """One level line as the network is given it. truth: as of `LinePatch`."""
    (first, noise), (second, other_noise) = network_input(query), network_input(reference)
    return LinePatch(first, second, (noise, other_noise), truth, changed)


def _box(line: SetLine) -> BoxMm:
    """Where a line's letters stand, mm."""
    half, high = line.width / 2, 0.8 * line.body
    if abs(line.turn) > 45:
        left = line.x - high if line.turn < 0 else line.x
        return left, line.y - half, left + high, line.y + half
    return line.x - half, line.y - high, line.x + half, line.y + 0.1 * line.body


def _truth(
    face: Face,
    pair: tuple[SetLine | None, SetLine | None],
    transform: NDArray[np.float64],
    cut: LineCut,
) -> Grey:
    """Where the two inks differ, laid where the ink is found: cards are cut and outlined by hand."""
    search, (column, row), (rows, columns) = LetterSettings().search_px, cut.corner, cut.query.shape
    inks = []
    for line in pair:
        ink = np.zeros(face.grey.shape, np.float32)
        if line is not None:
            drawn = draw_line(line, face.grey.shape, face.size.px_per_mm).alpha
            flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
            ink = np.asarray(cv2.warpPerspective(drawn, transform, face.grey.shape[::-1], flags=flags), np.float32)
        ink = np.asarray(cv2.copyMakeBorder(ink, *(search,) * 4, cv2.BORDER_CONSTANT), np.float32)
        inks.append(ink[row : row + rows + 2 * search, column : column + columns + 2 * search])
    there = 0 if pair[0] is not None else 1
    strokes = np.abs(ink_of((cut.reference, cut.query)[there]))
    _, _, _, (x, y) = cv2.minMaxLoc(cv2.matchTemplate(inks[there], strokes, cv2.TM_CCOEFF_NORMED))
    first, second = (ink[y : y + rows, x : x + columns] for ink in inks)
    return difference(first, second)


def difference(first: Floats, second: Floats) -> Grey:
    """Where two inks of (height, width), 0 to 1, differ however one of them is moved by a pixel; as of `LinePatch`."""
    moves = [(down, across) for down in (-1, 0, 1) for across in (-1, 0, 1)]
    softly = (cv2.GaussianBlur(np.abs(first - np.roll(second, move, (0, 1))), (0, 0), 1.0) for move in moves)
    apart = np.min([*softly], axis=0)
    near = cv2.dilate((apart > HARDLY).astype(np.uint8), np.ones((7, 7), np.uint8))
    return np.where(apart > INKED, 1, np.where(near > 0, UNKNOWN, 0)).astype(np.uint8)


def windows(lines: Iterable[LinePatch], each: int, rng: np.random.Generator) -> Iterator[Shown]:
    """So many windows of each line; of one that differs, most hold some of that."""
    for line in lines:
        for _ in range(each):
            yield _window(line, rng)


def _window(line: LinePatch, rng: np.random.Generator) -> Shown:
    query, reference, truth = line.query, line.reference, line.truth
    (high, wide), (rows, columns) = WINDOW, query.shape
    spots = np.argwhere(truth == 1)
    if len(spots) and rng.random() < 0.85:
        y, x = spots[int(rng.integers(len(spots)))]
        top, left = int(y - rng.integers(4, high - 4)), int(x - rng.integers(4, wide - 4))
    else:
        top, left = int(rng.integers(0, max(1, rows - high + 1))), int(rng.integers(0, max(1, columns - wide + 1)))
    top, left = int(np.clip(top, 0, max(0, rows - high))), int(np.clip(left, 0, max(0, columns - wide)))

    def part(values: NDArray[np.generic], beyond: float) -> NDArray[np.generic]:
        cut = values[top : top + high, left : left + wide]
        room = ((0, high - cut.shape[0]), (0, wide - cut.shape[1]))
        return np.pad(cut, room, constant_values=beyond)

    cells = part(truth, UNKNOWN).reshape(high // WHOLE_PX, WHOLE_PX, wide // WHOLE_PX, WHOLE_PX)
    other, untold = (cells == 1).any(axis=(1, 3)), (cells == UNKNOWN).any(axis=(1, 3))
    untold |= line.changed and not len(spots)  # they differ by less than can be laid where it stands
    answer = np.where(other, 1, np.where(untold, 2, 0)).astype(np.float32)
    pair = np.stack([part(query, 0), part(reference, 0)]).astype(np.float32)
    return pair, np.array(line.noise, np.float32), answer
