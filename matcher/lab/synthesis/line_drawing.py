"""Lines of letters drawn: a `SetLine` and a scale in, how strongly each pixel of a sheet is inked out.

Types are drawn at twice the size, letter by letter where they are spaced, bent along a bow, framed, and laid where they
stand. Ink spreads a little, and a pen's line is not as even as a type's.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from matcher.lab.synthesis.wording import SetLine, face_of

Floats = NDArray[np.float32]

FINE = 2
"""How much larger letters are drawn than they are laid."""

ROUND_MM = 1.4
"""Room round a line's letters, for frames and for letters that swing out."""


@dataclass(frozen=True)
class Inked:
    """One line on a sheet: alpha: (h, w) float32, ink there; tone: (h, w) float32, of that ink."""

    alpha: Floats
    tone: Floats


def draw_line(line: SetLine, shape: tuple[int, int], scale: float, origin: tuple[float, float] = (0.0, 0.0)) -> Inked:
    """The line on a sheet of (rows, columns) at `scale` px/mm, whose upper left corner lies at `origin` mm."""
    patch, tone, middle = _patch(line, scale)
    angle = np.radians(line.turn)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]) / FINE
    at = np.array([(line.x - origin[0]) * scale, (line.y - origin[1]) * scale])
    move = np.column_stack([turn, at - turn @ np.array(middle)])
    size = (shape[1], shape[0])
    alpha = cv2.warpAffine(patch, move, size, flags=cv2.INTER_AREA)
    toned = cv2.warpAffine(tone, move, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return Inked(np.asarray(alpha * np.float32(line.strength), np.float32), np.asarray(toned, np.float32))


def ink_on(sheet: Floats, inked: Inked) -> Floats:
    """The sheet, 0..1, with the line on it."""
    return np.asarray(sheet + (inked.tone - sheet) * inked.alpha, np.float32)


def _patch(line: SetLine, scale: float) -> tuple[Floats, Floats, tuple[float, float]]:
    """Ink and tone of the line alone at FINE times the scale, and where the middle of its baseline lies."""
    fine = FINE * scale
    around, bow = ROUND_MM * fine, _bow(line) * fine
    wide, high = round(line.width * fine + 2 * around), round((2.1 * line.body) * fine + 2 * around + bow)
    image = Image.new("L", (max(8, wide), max(8, high)), 0)
    baseline = around + 1.35 * line.body * fine
    _letters(image, line, fine, around, baseline)
    ink = np.asarray(np.asarray(image) / 255, np.float32)
    if line.arc:
        ink = _bent(ink, line.arc * fine)
    ink = np.asarray(cv2.GaussianBlur(ink, (0, 0), max(0.3, 0.035 * fine)), np.float32)
    tone = np.full(ink.shape, line.tone, np.float32)
    if line.part == "mark" and line.frame != "line":
        ink, tone = _framed(ink, line, fine, around, baseline)
    return np.asarray(np.clip(ink * 1.12, 0, 1), np.float32), tone, (wide / 2, baseline)


def _letters(image: Image.Image, line: SetLine, fine: float, left: float, baseline: float) -> None:
    pen, face = ImageDraw.Draw(image), face_of(line.type.path, max(4, round(line.body * fine)))
    if line.spacing <= 0.001:
        pen.text((left, baseline), line.words, fill=255, font=face, anchor="ls")
        return
    x = left
    for place, letter in enumerate(line.words):
        pen.text((x, baseline), letter, fill=255, font=face, anchor="ls")
        # With the next one, so that pairs stand as the type has them.
        pair = line.words[place : place + 2]
        x += face.getlength(pair) - face.getlength(pair[1:]) + line.spacing * line.body * fine


def _bow(line: SetLine) -> float:
    """How far a bent line's ends fall, mm."""
    return 0.0 if not line.arc else float(abs(line.arc) - np.sqrt(max(line.arc**2 - (line.width / 2) ** 2, 0.0)))


def _bent(ink: Floats, radius: float) -> Floats:
    """The same along a circle whose top, or for a radius below 0 bottom, is the middle of the line."""
    rows, columns = np.mgrid[0 : ink.shape[0], 0 : ink.shape[1]].astype(np.float32)
    down = rows - fall(columns - ink.shape[1] / 2, radius)
    return np.asarray(cv2.remap(ink, columns, down.astype(np.float32), cv2.INTER_LINEAR), np.float32)


def fall(across: NDArray[Any], radius: float) -> NDArray[Any]:
    """How far a bent line has fallen so far from its middle, in the same unit."""
    return np.asarray((abs(radius) - np.sqrt(np.maximum(radius**2 - across**2, 1.0))) * np.sign(radius))


def _framed(ink: Floats, line: SetLine, fine: float, left: float, baseline: float) -> tuple[Floats, Floats]:
    """Ink and tone with the mark's frame round the words: a box, an oval, or a ribbon out of which they are left."""
    pad, body = 0.5 * fine, line.body * fine
    x0, x1 = left - pad, left + line.width * fine + pad
    y0, y1 = baseline - 0.95 * body - 0.5 * pad, baseline + 0.3 * body + 0.5 * pad
    canvas = np.zeros(ink.shape, np.uint8)
    thick = max(1, round(0.11 * fine))
    if line.frame == "box":
        cv2.rectangle(canvas, (round(x0), round(y0)), (round(x1), round(y1)), 255, thick, cv2.LINE_AA)
    elif line.frame == "oval":
        middle = (round((x0 + x1) / 2), round((y0 + y1) / 2))
        axes = (round((x1 - x0) / 2 + 0.4 * pad), round((y1 - y0) / 2 + 0.5 * pad))
        cv2.ellipse(canvas, middle, axes, 0, 0, 360, 255, thick, cv2.LINE_AA)
    else:
        notch = 0.35 * (y1 - y0)
        middle_y = (y0 + y1) / 2
        ends = [(x0 - notch, y0), (x1 + notch, y0), (x1, middle_y), (x1 + notch, y1), (x0 - notch, y1), (x0, middle_y)]
        cv2.fillPoly(canvas, [np.rint(np.array(ends)).astype(np.int32)], 255, cv2.LINE_AA)
    frame = np.asarray(canvas / 255, np.float32)
    if line.frame != "ribbon":
        return np.maximum(ink, frame), np.full(ink.shape, line.tone, np.float32)
    return frame, np.asarray(line.tone + (1 - 2 * line.tone) * np.clip(ink, 0, 1), np.float32)
