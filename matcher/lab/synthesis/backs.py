"""Cards seen from behind: a card in, its back out: bare board, printed matter, or somebody's handwriting."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from matcher.lab.synthesis.ageing import age_card
from matcher.lab.synthesis.chance import random_age
from matcher.lab.synthesis.printing import Card
from matcher.lab.synthesis.textures import clouds, grain
from matcher.lab.synthesis.words import random_caption

Ink = NDArray[np.float32]
KINDS = ("bare", "bare", "printed", "written")


def card_back(card: Card, rng: np.random.Generator, fonts: Sequence[str] = ("",), kind: str | None = None) -> Card:
    """The same card seen from behind, foxed and stained; no picture. kind: one of `KINDS`, any by default."""
    height, width = card.cover.shape
    board = np.array([1.0, 0.95, 0.83], np.float32) ** rng.uniform(0.2, 1.3) * np.float32(rng.uniform(150, 240))
    tone = 1 + 0.03 * clouds(height, width, rng, 3, 4) + 0.012 * grain(height, width, rng, 0.8)
    kind = kind or str(rng.choice(KINDS))
    if kind != "bare":
        draw = _printed if kind == "printed" else _written
        ink = draw(height, width, card.px_per_mm, rng, str(rng.choice(list(fonts))))
        tone = tone * (1 - float(rng.uniform(0.25, 0.85)) * ink)
    pixels = np.clip(board * tone[..., None], 0, 255).astype(np.uint8)
    return age_card(replace(card, pixels=pixels), replace(random_age(rng, 1.0), worn_corners=0.0), rng)


def _printed(height: int, width: int, scale: float, rng: np.random.Generator, font: str) -> Ink:
    """Lines of an issuer's notice, large and small, sometimes in a frame; 0 to 1 ink."""
    image = Image.new("L", (width, height), 0)
    pen = ImageDraw.Draw(image)
    inset = round(float(rng.uniform(2, 5)) * scale)
    if rng.random() < 0.5:
        pen.rectangle((inset, inset, width - inset, height - inset), outline=255, width=max(1, round(0.3 * scale)))
    y, foot = float(rng.uniform(0.06, 0.4)) * height, float(rng.uniform(0.5, 0.95)) * height
    while y < foot:
        body = float(rng.choice([1.4, 1.8, 1.8, 2.6, 4.0])) * scale
        words = random_caption(rng)
        line = str(rng.choice([words.club, words.name, words.issuer, f"{words.issuer}, {words.club}"]))
        type_ = _type(font, body)
        while type_.getlength(line) > width - 2.4 * inset and len(line) > 4:
            line = line[:-3]
        pen.text(((width - type_.getlength(line)) / 2, y), line, fill=255, font=type_)
        y += body * float(rng.uniform(1.15, 2.2))
    return _as_ink(image)


def _written(height: int, width: int, scale: float, rng: np.random.Generator, font: str) -> Ink:
    """A few lines of a looping hand, aslant; or a number in pencil."""
    page: NDArray[np.uint8] = np.zeros((height, width), np.uint8)
    slant = float(rng.uniform(0.1, 0.6))
    y = float(rng.uniform(0.1, 0.6)) * height
    for _ in range(int(rng.integers(1, 6))):
        body = float(rng.uniform(1.2, 3.0)) * scale
        x = float(rng.uniform(0.06, 0.3)) * width
        end = float(rng.uniform(0.5, 0.95)) * width
        t = np.arange(0, max(end - x, 10.0), 0.5)
        letters = np.arange(0, t[-1] + body, 0.55 * body)
        swing = np.interp(t, letters, rng.choice([0.4, 0.5, 0.6, 1.2], len(letters)))
        down = y - body * 0.5 * swing * np.sin(t / (body * 0.16))
        across = x + t + 0.25 * body * np.cos(t / (body * 0.16)) + slant * (y - down)
        line = np.rint(np.column_stack([across, down])).astype(np.int32)
        cv2.polylines(page, [line], False, 255, max(1, round(0.22 * scale)), cv2.LINE_AA)
        y += body * float(rng.uniform(1.6, 2.6))
    return _as_ink(Image.fromarray(page))


def _type(font: str, body: float) -> ImageFont.FreeTypeFont:
    size = max(5, round(body))
    type_ = ImageFont.truetype(font, size) if font else ImageFont.load_default(size)
    if not isinstance(type_, ImageFont.FreeTypeFont):
        raise ValueError("Pillow was built without FreeType: name a TrueType font")
    return type_


def _as_ink(image: Image.Image) -> Ink:
    return np.asarray(cv2.GaussianBlur(np.asarray(image, np.float32) / 255, (0, 0), 0.6), np.float32)
