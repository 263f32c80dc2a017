"""The words on a card: in: a print 0..1 and a `Caption`; out: the print with the words on it.

Three ways occur: set in type on a blank strip below the picture, or above it (dark on light), or written on
the plate itself, where they print light on dark. The faces lie in `fonts/`, each with its licence. A `Wording` stands
wherever it says.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from matcher.lab.synthesis.line_drawing import draw_line, ink_on
from matcher.lab.synthesis.wording import BORDER_MM, Wording, set_lines

Style = Literal["below", "plate", "top"]

FONTS_FOLDER = Path(__file__).with_name("fonts")
CENTURY, ITALIC, ROMAN = (
    str(FONTS_FOLDER / f"{name}.ttf") for name in ("Century-Catalogue", "OldStandard-Italic", "OldStandard-Regular")
)
FONTS = ("", CENTURY, ITALIC, ROMAN)
"""What captions are set in, Pillow's own among them. A seed draws by place: their order is part of every set drawn."""


@dataclass(frozen=True)
class Caption:
    """Printed or written words.

    name, club, issuer: the three lines; empty ones are left out.
    style:      `below` or `top`, on a blank strip of the print; `plate`, written into the picture.
    font:       path of a TrueType file for the name; empty for Pillow's own.
    small_font: the same for club and issuer; empty for `font`.
    wording:    where and how all of it is set, in place of what stands above.
    """

    name: str
    club: str = ""
    issuer: str = ""
    style: Style = "below"
    font: str = ""
    small_font: str = ""
    wording: Wording | None = None

    @classmethod
    def worded(cls, wording: Wording) -> Caption:
        """The caption of a card that is set as a wording says."""
        style: Style = {"foot": "below", "head": "top"}.get(wording.strip, "plate")  # type: ignore[assignment]
        return cls(wording.name, wording.club, wording.mark.words if wording.mark else "", style, wording=wording)


@dataclass(frozen=True)
class _Line:
    """One line: words, type; body, letter-spacing, distance from the block's top in mm; strength of ink."""

    words: str
    font: str
    body: float
    spacing: float
    top: float
    strength: float


def letter(sheet: NDArray[np.float32], caption: Caption, scale: float, bleed: float) -> NDArray[np.float32]:
    """Print the words on a sheet, (h, w) 0..1, at `scale` px/mm, whose outer `bleed` mm will be cut off."""
    if caption.wording:
        return _as_worded(sheet, caption.wording, scale, bleed)
    lines = [line for line in _lines(caption) if line.words]
    block = max((line.top + line.body for line in lines), default=0.0)
    height_mm, width_mm = sheet.shape[0] / scale, sheet.shape[1] / scale - 2 * bleed
    top = bleed + 0.25 if caption.style == "top" else height_mm - bleed - block - 0.35
    out = sheet.copy()
    for line in lines:
        ink = _ink(line, width_mm, scale) * np.float32(line.strength)
        row = max(0, round((top + line.top) * scale))
        column = (out.shape[1] - ink.shape[1]) // 2
        part = out[row : row + ink.shape[0], column : column + ink.shape[1]]
        ink = ink[: part.shape[0]]
        colour = 0.97 if caption.style == "plate" else 0.1
        part += (np.float32(colour) - part) * ink
    return out


def _as_worded(sheet: NDArray[np.float32], wording: Wording, scale: float, bleed: float) -> NDArray[np.float32]:
    origin = (BORDER_MM - bleed, BORDER_MM - bleed)
    for line in set_lines(wording):
        sheet = ink_on(sheet, draw_line(line, (sheet.shape[0], sheet.shape[1]), scale, origin))
    return sheet


def _lines(caption: Caption) -> list[_Line]:
    small = caption.small_font or caption.font
    if caption.style == "top":
        return [
            _Line(caption.name, caption.font, 2.1, 0.07, 0.0, 0.92),
            _Line(_joined(caption.club, caption.issuer), small, 1.15, 0.08, 2.2, 0.75),
        ]
    if caption.style == "plate":
        return [
            _Line(caption.name, caption.font, 2.6, 0.0, 0.0, 0.95),
            _Line(caption.club, caption.font, 1.7, 0.0, 2.6, 0.9),
            _Line(caption.issuer.upper(), small, 1.0, 0.08, 4.5, 0.8),
        ]
    return [
        _Line(caption.name, caption.font, 2.25, 0.08, -0.1, 0.93),
        _Line(caption.club.upper(), small, 1.45, 0.13, 2.45, 0.85),
        _Line(caption.issuer.upper(), small, 0.95, 0.09, 4.1, 0.75),
    ]


def _joined(*parts: str) -> str:
    return "  –  ".join(part for part in parts if part)


def _ink(line: _Line, width_mm: float, scale: float) -> NDArray[np.float32]:
    """(h, w) float32: 1 where ink is, the line centred; drawn at twice the size for the small type."""
    fine = 2 * scale
    natural = _length(line, line.body, fine)
    body = line.body * min(1.0, 0.93 * width_mm * fine / max(natural, 1.0))
    height, width = round(line.body * 1.25 * fine), round(width_mm * fine)
    image = Image.new("L", (width, height), 0)
    pen, type_ = ImageDraw.Draw(image), _type(line.font, max(4, round(body * fine)))
    x = (width - _length(line, body, fine)) / 2
    for character in line.words:
        pen.text((x, height * 0.78), character, fill=255, font=type_, anchor="ls")
        x += type_.getlength(character) + line.spacing * fine * body / line.body
    mask = cv2.GaussianBlur(np.asarray(image, np.float32) * np.float32(1 / 255), (0, 0), 0.05 * fine)
    return np.asarray(cv2.resize(mask, (width // 2, height // 2), interpolation=cv2.INTER_AREA), np.float32)


def _length(line: _Line, body: float, fine: float) -> float:
    type_ = _type(line.font, max(4, round(body * fine)))
    spacing = line.spacing * fine * body / line.body
    return sum(type_.getlength(c) + spacing for c in line.words) - spacing


@lru_cache(maxsize=32)
def _type(path: str, size: int) -> ImageFont.FreeTypeFont:
    type_ = ImageFont.truetype(path, size) if path else ImageFont.load_default(size)
    if not isinstance(type_, ImageFont.FreeTypeFont):
        raise ValueError("Pillow was built without FreeType: name a TrueType font")
    return type_
