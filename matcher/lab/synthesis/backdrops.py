"""Harder things for a card to lie on: newsprint, plaid, a photograph, ruled paper, a field of rectangles.

In: size, scale, rng (and a photograph); out: (h, w, 3) uint8 RGB textures seen from above, as in `surfaces`.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from matcher.lab.synthesis.textures import Field, clouds, grain, tiled

Texture = NDArray[np.uint8]
Colour = NDArray[np.float32]

_SYLLABLES = (
    "ba",
    "den",
    "rul",
    "ko",
    "mar",
    "tin",
    "os",
    "vel",
    "qua",
    "ster",
    "nim",
    "por",
    "gal",
    "hu",
    "lent",
    "wick",
)


def newsprint(
    height: int, width: int, px_per_mm: float, rng: np.random.Generator, picture: Texture | None = None
) -> Texture:
    """Columns of small type under bold headings, rules between them, sometimes a picture."""
    page = Image.new("L", (width, height), 255)
    pen = ImageDraw.Draw(page)
    column, gutter = float(rng.uniform(35, 60)) * px_per_mm, 4 * px_per_mm
    x = -float(rng.uniform(0, column))
    while x < width:
        _column(pen, x, column, height, px_per_mm, rng)
        pen.line(
            [(x + column + gutter / 2, 0), (x + column + gutter / 2, height)], 110, max(1, round(0.15 * px_per_mm))
        )
        x += column + gutter
    tone = np.asarray(page, np.float32) * np.float32(1 / 255)
    if picture is not None:
        _printed_picture(tone, picture, column, rng)
    paper = colour(rng, 195, 245, 3) * np.array([1.0, 0.985, 0.93], np.float32)
    ink = np.float32(rng.uniform(20, 80))
    worn = (1 + 0.02 * clouds(height, width, rng, 3, 3))[..., None]
    return _levels((ink + (paper - ink) * tone[..., None]) * worn)


def _column(
    pen: ImageDraw.ImageDraw, x: float, width: float, height: int, scale: float, rng: np.random.Generator
) -> None:
    body = max(6, round(float(rng.uniform(1.7, 2.8)) * scale))
    y = -float(rng.uniform(0, 20)) * scale
    while y < height:
        size = body if rng.random() > 0.06 else round(body * float(rng.uniform(1.8, 4.0)))
        type_ = ImageFont.load_default(size)
        end = x + width * (1.0 if rng.random() > 0.15 else float(rng.uniform(0.3, 0.9)))
        words, length = "", 0.0
        while length < end - x:
            words += "".join(rng.choice(_SYLLABLES) for _ in range(int(rng.integers(1, 4)))) + " "
            length = type_.getlength(words)
        words = words.rsplit(" ", 2)[0]
        if y > -size:
            pen.text((x, y), words.upper() if size > 2 * body else words, fill=0, font=type_)
        y += size * 1.25


def _printed_picture(tone: Field, picture: Texture, column: float, rng: np.random.Generator) -> None:
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    wide = round(column)
    rows = round(wide * grey.shape[0] / grey.shape[1])
    small = cv2.resize(grey, (wide, rows), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    y, x = (int(rng.integers(0, max(1, side))) for side in tone.shape)
    part = tone[y : y + rows, x : x + wide]
    part[:] = 0.15 + 0.8 * small[: part.shape[0], : part.shape[1]]


def plaid(height: int, width: int, px_per_mm: float, rng: np.random.Generator) -> Texture:
    """Woven stripes both ways, square to each other, at any angle: cloth full of straight sides."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float32) / np.float32(px_per_mm)
    turn = float(rng.uniform(0, np.pi / 2)) if rng.random() < 0.6 else float(rng.normal(0, 0.08))
    across, along = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    across += 0.4 * clouds(height, width, rng, 3, 2)
    along += 0.4 * clouds(height, width, rng, 3, 2)
    base = colour(rng, 40, 220, 25)
    picture = np.broadcast_to(base, (height, width, 3)).astype(np.float32)
    for _ in range(int(rng.integers(1, 4))):
        pitch, share = float(rng.uniform(8, 45)), float(rng.uniform(0.1, 0.5))
        phase, stripe = float(rng.uniform(0, 1)), colour(rng, 20, 240, 30)
        cover = 0.5 * _stripes(across, pitch, phase, share) + 0.5 * _stripes(along, pitch, phase, share)
        picture = np.asarray(picture + (stripe - picture) * (0.8 * cover)[..., None], np.float32)
    weave = 1 + 0.05 * np.sin(x * 9) * np.sin(y * 9) + 0.05 * clouds(height, width, rng, 3, 3)
    return _levels(picture * weave[..., None])


def _stripes(at: Field, pitch: float, phase: float, share: float) -> Field:
    away = np.abs((at / pitch + phase) % 1 - 0.5) * pitch
    return np.asarray(np.clip((share * pitch / 2 - away) * 4 + 0.5, 0, 1), np.float32)


def photograph_of(picture: Texture, height: int, width: int, rng: np.random.Generator) -> Texture:
    """A photograph spread out under the card: clutter of every kind. picture: (h, w, 3) uint8 RGB."""
    turned = np.rot90(picture, int(rng.integers(4)))
    share = max(width / turned.shape[1], height / turned.shape[0])
    size = (max(width, round(turned.shape[1] * share)), max(height, round(turned.shape[0] * share)))
    grown = cv2.resize(np.ascontiguousarray(turned), size, interpolation=cv2.INTER_CUBIC)
    rough = grain(256, 256, rng, 0.7) * 3 + 128
    noise = tiled(np.clip(rough, 0, 255).astype(np.uint8), height, width).astype(np.float32) - 128
    return _levels(grown[:height, :width].astype(np.float32) + noise[..., None])


def ruled(height: int, width: int, px_per_mm: float, rng: np.random.Generator) -> Texture:
    """Squared or lined writing paper."""
    picture = np.broadcast_to(colour(rng, 215, 252, 4), (height, width, 3)).copy()
    pitch, line = float(rng.uniform(4, 9)) * px_per_mm, colour(rng, 90, 190, 25)
    thick = max(1, round(0.25 * px_per_mm))
    for y in np.arange(float(rng.uniform(0, pitch)), height, pitch):
        picture[round(y) : round(y) + thick] = line
    if rng.random() < 0.5:
        for x in np.arange(float(rng.uniform(0, pitch)), width, pitch):
            picture[:, round(x) : round(x) + thick] = line
    return _levels(picture * (1 + 0.015 * clouds(height, width, rng, 3, 4))[..., None])


def rectangles(height: int, width: int, px_per_mm: float, rng: np.random.Generator) -> Texture:
    """A playing field of rectangles: marked lawns and courts, tiles, boxes, none of them a card."""
    picture = np.broadcast_to(colour(rng, 50, 190, 30), (height, width, 3)).copy()
    picture *= (1 + 0.05 * clouds(height, width, rng, 5, 5))[..., None]
    chalk = colour(rng, 190, 250, 5)
    for _ in range(int(rng.integers(3, 12))):
        wide, high = rng.uniform(0.08, 0.6, 2) * min(height, width)
        x, y = float(rng.uniform(-0.1, 1)) * width, float(rng.uniform(-0.1, 1)) * height
        box = cv2.boxPoints(((x, y), (float(wide), float(high)), float(rng.normal(0, 4))))
        filled = rng.random() < 0.35
        ink = colour(rng, 30, 240, 35) if filled else chalk
        if filled:
            cv2.fillConvexPoly(picture, np.rint(box).astype(np.int32), ink.tolist(), cv2.LINE_AA)
        else:
            cv2.polylines(picture, [np.rint(box).astype(np.int32)], True, ink.tolist(), max(1, round(px_per_mm)))
    return _levels(picture)


def sheet(height: int, width: int, px_per_mm: float, rng: np.random.Generator) -> Texture:
    """A white sheet of paper, nearly the tone of a badly faded card."""
    tone = 1 + 0.012 * clouds(height, width, rng, 2, 4)
    return _levels(colour(rng, 222, 246, 3) * tone[..., None])


def colour(rng: np.random.Generator, low: float, high: float, spread: float) -> Colour:
    """One RGB colour, float32, its channels within about `spread` of a level between low and high."""
    return np.asarray(np.clip(rng.uniform(low, high) + rng.normal(0, spread, 3), 4, 252), np.float32)


def _levels(picture: NDArray[np.floating]) -> Texture:
    return np.asarray(np.clip(picture, 0, 255), np.uint8)


BACKDROPS: dict[str, Callable[[int, int, float, np.random.Generator], Texture]] = {
    "news": newsprint,
    "plaid": plaid,
    "ruled": ruled,
    "sheet": sheet,
    "rectangles": rectangles,
}
