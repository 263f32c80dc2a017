"""Strips of cards as the product searches them for lines, and where lines stand in them: pictures, typefaces and a seed
in, strips out that `line_finder_network` learns from. Everything is numpy.

What is to be told of a line is the core of the box that the reading library would put round it if it were printed black
on clean paper: so a line that is found is cut out as tall as before, however worn it is, and read as before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from zlib import crc32

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.card_lines import BoxMm
from matcher.core.ocr.every_line import Sides, Zone, cut_zone, zones
from matcher.core.ocr.reading import stretched
from matcher.core.ocr.settings import EveryLineSettings
from matcher.core.settings import FaceSize
from matcher.lab.evaluation.lettering_set import LetteredCard, draw_lettering_query, drawn_card, lettering_plan
from matcher.lab.evaluation.negatives import Negative
from matcher.lab.synthesis import scan
from matcher.lab.synthesis.line_drawing import draw_line, fall, ink_on
from matcher.lab.synthesis.photographing import Shot
from matcher.lab.synthesis.type_cases import Typeface
from matcher.lab.synthesis.wording import SetLine, face_of, set_lines
from matcher.lab.training.fit_mark import SCAN_PX_PER_MM, seen
from matcher.lab.training.reader_lines import CHANGES, ground_of, on_card, plain_line, said_otherwise, worn

Grey = NDArray[np.uint8]
Floats = NDArray[np.float32]
Points = NDArray[np.float64]

ROWS, COLUMNS = 160, 640
"""Of every strip that is learnt from: a foot is 154 by 571 at the scale at which it is searched."""

NOTHING, CORE, OPEN = 0, 1, 2
"""What a pixel is: no line, the core of one, or not to be told."""

PAD_SHARE, PAD_PX = 0.12, 2.5
"""Room that the library leaves round a line's ink: a share of its height, and pixels of what is searched. Measured on
146 lines black on clean paper, of which none was missed."""

UNCLIP = 1.6
"""By how much the library lets a core grow again: its area times this, over its outline (Liao et al. 2020, AAAI). What
learns from these cores gives broader ones, whose rims it is not asked about where the library took them for a line's:
the product lets them grow less (`ocr.settings.ReaderSettings.grown`)."""

LEAST_STEP, LEAST_CLEAR = 0.012, 0.35
"""Below so little between ink and what lies round it, 0 to 1, or so little beside its spread, an eighth of a line is
not seen; own choices."""

EIGHTHS, ENOUGH = 8, 4
"""Of a line's length, and how many must be seen for it to be asked about; own choice."""

FAINT = 0.2
"""Residual contrast below which a whole card's lines are not asked about; whether each can be seen is not looked at, as
it is on plain strips. Own choice."""

UPRIGHT = 45.0
"""Degrees of a turn from which a line stands along a side."""

SCALES = (7.5, 16.5)
"""Pixels a mm of what is searched: from a side of a photo to a foot."""


@dataclass(frozen=True)
class Strip:
    """grey: (ROWS, COLUMNS) uint8, level, its contrast stretched. told: its shape, of NOTHING, CORE and OPEN."""

    grey: Grey
    told: Grey


def plain_strips(pictures: Sequence[Grey], types: Sequence[Typeface], rng: np.random.Generator) -> Iterator[Strip]:
    """Endless strips, their lines drawn straight on a bit of a picture or of a mount."""
    while True:
        yield _plain_strip(pictures, types, rng)


def _plain_strip(pictures: Sequence[Grey], types: Sequence[Typeface], rng: np.random.Generator) -> Strip:
    scale = float(rng.uniform(*SCALES))
    shape = (round(min(float(rng.uniform(4.5, 10.5)) * scale, ROWS)), COLUMNS)
    ground = sheet = ground_of(pictures, shape, rng)
    drawn = []
    for line in _rows_of_lines(types, shape[0] / scale, shape[1] / scale, rng):
        inked = draw_line(_set_off(line, ground, scale), shape, scale)
        sheet = ink_on(sheet, inked)
        drawn.append((line, inked.alpha))
    grey = worn(sheet, scale, rng)
    told = np.zeros(shape, np.uint8)
    for line, alpha in drawn:
        fill(told, core(line, scale), CORE if is_seen(alpha, grey) else OPEN)
    level = stretched(grey, EveryLineSettings().tone_mm * scale) if rng.random() < 0.95 else grey
    return framed(level, told, rng)


def _rows_of_lines(types: Sequence[Typeface], high: float, wide: float, rng: np.random.Generator) -> Iterator[SetLine]:
    """None to four lines in rows, now and then two in one row; some reach beyond the strip's edge. All in mm."""
    y = float(rng.uniform(-0.5, 2.5))
    for _ in range(int(rng.choice([0, 1, 2, 3, 4], p=[0.1, 0.25, 0.35, 0.2, 0.1]))):
        line = plain_line(types, rng)
        y += 1.05 * line.body
        if not line.words or y > high + 0.4:
            return
        free = max(0.0, wide - 0.9 * line.width) / 2
        middle = wide / 2 + (0.0 if rng.random() < 0.5 else float(rng.uniform(-free, free)))
        yield replace(line, x=middle, y=y)
        if rng.random() < 0.15:
            beside = plain_line(types, rng)
            x = middle + (line.width + beside.width) / 2 + float(rng.uniform(2.5, 8))
            if beside.words and x + beside.width / 2 < wide:
                yield replace(beside, x=x, y=y)
        y += float(rng.choice([0.25, 0.4, 2.0])) * line.body * float(rng.uniform(0.7, 1.3))


def _set_off(line: SetLine, ground: Floats, scale: float) -> SetLine:
    """Light on dark and dark on light, as a printer has it."""
    rows = slice(max(0, round((line.y - line.body) * scale)), max(1, round(line.y * scale)))
    columns = slice(
        max(0, round((line.x - line.width / 2) * scale)), max(1, round((line.x + line.width / 2) * scale))
    )  # fmt: skip
    beneath = ground[rows, columns]
    dark = beneath.size > 0 and float(np.median(beneath)) < 0.5
    return replace(line, tone=0.95 if dark else 0.08)


def is_seen(alpha: Floats, grey: Grey) -> bool:
    """Whether an eye sees enough of a line beside what lies under and round it. alpha: of its ink on the strip."""
    inked = alpha > 0.5
    rows, columns = np.flatnonzero(inked.any(axis=1)), np.flatnonzero(inked.any(axis=0))
    if len(rows) < 4 or len(columns) < 2 * EIGHTHS:
        return False
    box = (slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1))
    paper = alpha[box] < 0.05
    values, ink = np.asarray(grey[box] / 255, np.float32), inked[box]
    parts = np.array_split(np.arange(values.shape[1]), EIGHTHS)
    return sum(_stands_out(values[:, part], ink[:, part], paper[:, part]) for part in parts) >= ENOUGH


def _stands_out(values: Floats, ink: NDArray[np.bool_], paper: NDArray[np.bool_]) -> bool:
    if ink.sum() < 4 or paper.sum() < 4:
        return False
    step = abs(float(values[ink].mean() - values[paper].mean()))
    return step >= max(LEAST_STEP, LEAST_CLEAR * float(values[paper].std()))


def core(line: SetLine, scale: float) -> Points:
    """(n, 2) pixels: the outline of a line's core, turned and bent as the line is. scale: px a mm."""
    left, top, right, bottom = (scale * side for side in ink_of_line(line))
    pad = PAD_SHARE * (bottom - top) + PAD_PX
    wide, high = right - left + 2 * pad, bottom - top + 2 * pad
    inset = pad - shrunk_by(wide, high)
    across = np.linspace(left - inset, right + inset, 24)
    edge = np.concatenate(
        [
            np.column_stack([across, np.full(24, top - inset)]),
            np.column_stack([across[::-1], np.full(24, bottom + inset)]),
        ]
    )
    if line.arc:
        edge[:, 1] += fall(edge[:, 0], line.arc * scale)
    angle = np.radians(line.turn)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return np.asarray(edge @ turn.T + scale * np.array([line.x, line.y]), np.float64)


def shrunk_by(wide: float, high: float) -> float:
    """By how much each side of a box moves in to be the core that grows into it again.

    >>> round(shrunk_by(200.0, 26.0), 1)
    7.8
    """
    low, most = 0.0, min(wide, high) / 2
    for _ in range(40):
        by = (low + most) / 2
        inner = (wide - 2 * by, high - 2 * by)
        grown = UNCLIP * inner[0] * inner[1] / (2 * (inner[0] + inner[1]))
        low, most = (by, most) if grown > by else (low, by)
    return low


def ink_of_line(line: SetLine) -> BoxMm:
    """Where its ink lies beside the middle of its baseline, mm, before it is turned or bent."""
    inked = face_of(line.type.path, 100).getbbox(line.words, anchor="ms")
    left, top, right, bottom = (side * line.body / 100 for side in inked)
    if line.spacing > 0:
        left, right = -line.width / 2, line.width / 2
    return left, top, right, bottom


def fill(told: Grey, outline: Points, value: int) -> None:
    """Mark what lies in an outline, but for what is left open there."""
    marked = np.zeros_like(told)
    cv2.fillPoly(marked, [np.rint(outline).astype(np.int32)], 1)
    told[(marked > 0) & (told != OPEN)] = value


def framed(grey: Grey, told: Grey, rng: np.random.Generator) -> Strip:
    """A strip of any size in one of ROWS by COLUMNS; beyond it its edge is carried on."""
    high, wide = (min(one, most) for one, most in zip(grey.shape, (ROWS, COLUMNS), strict=True))
    top, left = (int(rng.integers(0, one - most + 1)) for one, most in zip(grey.shape, (high, wide), strict=True))
    above, before = (
        int(rng.integers(0, most - one + 1)) for one, most in zip((high, wide), (ROWS, COLUMNS), strict=True)
    )
    room = (above, ROWS - high - above, before, COLUMNS - wide - before)
    bit = (slice(top, top + high), slice(left, left + wide))
    return Strip(
        np.asarray(cv2.copyMakeBorder(grey[bit], *room, cv2.BORDER_REPLICATE), np.uint8),
        np.asarray(cv2.copyMakeBorder(told[bit], *room, cv2.BORDER_CONSTANT, value=OPEN), np.uint8),
    )


def card_strips(negatives: Sequence[Negative], types: Sequence[Typeface], count: int, seed: int) -> Iterator[Strip]:
    """Foot, head and sides of `count` photos and scans of whole cards, without words that nobody tells of."""
    _, asked = lettering_plan(negatives, types, count, seed, rough=True, asked=CHANGES)
    for query in asked:
        rng = np.random.default_rng([query.seed, seed, 11])
        card = replace(query.card, wording=said_otherwise(query.card.wording, rng), scene=0, note=0)
        scanned = rng.random() < 0.3
        shot = (
            scan(drawn_card(card, types, SCAN_PX_PER_MM), rng)
            if scanned
            else draw_lettering_query(replace(query, card=card), types)[1]
        )
        yield from _zones_of(card, shot, "looked at" if scanned else "glanced at", rng)


def _zones_of(card: LetteredCard, shot: Shot, sides: Sides, rng: np.random.Generator) -> Iterator[Strip]:
    photo, outline = seen(shot, rng)
    for strip, told in told_zones(card, photo.grey, np.asarray(outline.corners, np.float32), sides):
        share = float(rng.uniform(*SCALES)) / EveryLineSettings().px_per_mm
        grey = cv2.resize(strip, None, fx=share, fy=share, interpolation=cv2.INTER_LINEAR) if share < 1 else strip
        as_large = (grey.shape[1], grey.shape[0])
        yield framed(
            np.asarray(grey, np.uint8),
            np.asarray(cv2.resize(told, as_large, interpolation=cv2.INTER_NEAREST), np.uint8),
            rng,
        )


def told_zones(
    card: LetteredCard, grey: Grey, corners: NDArray[np.float32], sides: Sides
) -> Iterator[tuple[Grey, Grey]]:  # fmt: skip
    """Each zone of a card whose corners lie at (4, 2) TL TR BR BL in a grey: as it is searched, and what is to be told.

    A line that lies otherwise than the zone is read is not asked about.
    """
    size, rules = FaceSize(), EveryLineSettings()
    value = CORE if card.age.residual_contrast >= FAINT else OPEN
    move = on_card(card)
    lines = [(_on_card(line, move), abs(line.turn) > UPRIGHT) for line in set_lines(card.wording)]
    for zone in zones(size, rules, sides):
        strip = cut_zone(grey, corners, size, zone, rules)
        told = np.zeros(strip.shape, np.uint8)
        for outline, upright in lines:
            fill(told, in_zone(outline, zone) * rules.px_per_mm, value if upright == (zone.quarters != 0) else OPEN)
        yield strip, told


def _on_card(line: SetLine, move: Callable[[BoxMm], BoxMm]) -> Points:
    """The outline of a line's core in mm, where this copy of the card has it; its room as at the largest scale."""
    at = core(line, EveryLineSettings().px_per_mm) / EveryLineSettings().px_per_mm
    return np.array([move((x, y, x, y))[:2] for x, y in at], np.float64)


def in_zone(points: Points, zone: Zone) -> Points:
    """Mm on the card as mm in a zone's turned strip."""
    left, top, right, bottom = zone.box
    x, y = points[:, 0] - left, points[:, 1] - top
    if zone.quarters == 3:
        x, y = (bottom - top) - y, x
    elif zone.quarters == 1:
        x, y = y, (right - left) - x
    return np.column_stack([x, y])


def seed_of(seed: int, number: int) -> int:
    """Of one hand-over of strips."""
    return crc32(bytes(f"lines {seed} {number}", "ascii"))
