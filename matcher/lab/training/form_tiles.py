"""Lines in frames, cut out as the product cuts them: pictures, typefaces and a seed in, tiles and their forms out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from matcher.core.card_lines import BoxMm
from matcher.core.ocr.mark_form import form_tile
from matcher.core.ocr.reading import stretched
from matcher.core.ocr.settings import EveryLineSettings
from matcher.lab.synthesis.line_drawing import draw_line, ink_on
from matcher.lab.synthesis.mark_frames import with_frame
from matcher.lab.synthesis.type_cases import Typeface
from matcher.lab.synthesis.wording import MARK_FORMS, SetLine
from matcher.lab.training.reader_lines import ground_of, ink_box, plain_line, worn

Grey = NDArray[np.uint8]
Floats = NDArray[np.float32]

SHARES = (0.4, 0.2, 0.2, 0.2)
"""How often each of MARK_FORMS is drawn."""

SCALES = (8.0, 20.0)
"""Pixels a mm, from a side of a photo to a scan."""

LEAST_STEP = 0.12
"""Between print and ground, 0..1, below which nobody sees a frame; own choice."""


LEAST_PX = 4.0
"""Sides of a line's ink below which it is none; own choice."""


@dataclass(frozen=True)
class FormTile:
    """grey: (ROWS, COLUMNS) uint8, as of `mark_form`. form: place in MARK_FORMS."""

    grey: Grey
    form: int


def form_tiles(pictures: Sequence[Grey], types: Sequence[Typeface], rng: np.random.Generator) -> Iterator[FormTile]:
    """Endless tiles, each drawn on a bit of a picture or of a mount."""
    while True:
        tile = _form_tile(pictures, types, rng)
        if tile is not None:
            yield tile


def _form_tile(pictures: Sequence[Grey], types: Sequence[Typeface], rng: np.random.Generator) -> FormTile | None:
    form, scale = int(rng.choice(len(MARK_FORMS), p=SHARES)), float(rng.uniform(*SCALES))
    line = replace(plain_line(types, rng), part="name", frame="line", arc=0.0)
    size = (line.width + 12.0, 2.2 * line.body + 9.0)
    if not line.words or size[0] * scale > 1600:
        return None
    line = replace(line, x=size[0] / 2, y=size[1] / 2 + 0.3 * line.body, turn=float(rng.normal(0, 0.8)))
    ground = ground_of(pictures, (round(size[1] * scale), round(size[0] * scale)), rng)
    box: BoxMm = tuple(scale * side for side in ink_box(line, scale))  # type: ignore[assignment]
    if box[2] - box[0] < LEAST_PX or box[3] - box[1] < LEAST_PX:  # a dash, or no ink at all
        return None
    rows, columns = slice(int(box[1]), int(box[3]) + 1), slice(int(box[0]), int(box[2]) + 1)
    beneath = float(np.median(ground[rows, columns]))
    ink = float(rng.uniform(0.0, 0.25) if beneath > 0.5 else rng.uniform(0.8, 1.0))
    if abs(beneath - ink) < LEAST_STEP:
        return None
    framed = with_frame(ground, box, MARK_FORMS[form], ink, rng)
    sheet = ink_on(framed.sheet, draw_line(replace(line, tone=framed.letters), ground.shape, scale))
    if rng.random() < 0.4:
        sheet = _with_another(sheet, replace(line, tone=ink), types, scale, rng)
    grey = worn(sheet, scale, rng)
    level = stretched(grey, EveryLineSettings().tone_mm * scale) if rng.random() < 0.9 else grey
    return FormTile(form_tile(level, _found(box, form > 0, rng)), form)


def _with_another(
    sheet: Floats, line: SetLine, types: Sequence[Typeface], scale: float, rng: np.random.Generator
) -> Floats:
    """Another line above or below, as cards have."""
    other = replace(plain_line(types, rng), part="name", frame="line", tone=line.tone)
    apart = float(rng.choice([-1, 1])) * (0.8 * (line.body + other.body) * float(rng.uniform(1.0, 1.5)))
    there = replace(other, x=line.x + float(rng.uniform(-3, 3)), y=line.y + apart)
    return ink_on(sheet, draw_line(there, (sheet.shape[0], sheet.shape[1]), scale))


def _found(box: BoxMm, framed: bool, rng: np.random.Generator) -> Floats:
    """(4, 2): where a search finds the line, its letters or, as often as not, the frame as well. box: pixels."""
    left, top, right, bottom = box
    high = bottom - top
    with_it = framed and rng.random() < 0.5
    along, across = (
        high * rng.uniform(low, most, 2) for low, most in ([(0.3, 1.2), (0.2, 0.7)] if with_it else [(-0.05, 0.3)] * 2)
    )
    left, right, top, bottom = left - along[0], right + along[1], top - across[0], bottom + across[1]
    return np.array([[left, top], [right, top], [right, bottom], [left, bottom]], np.float32)
