"""What a card may lie on; in: kind, size, scale, rng; out: (h, w, 3) uint8 RGB textures seen from above."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from matcher.lab.synthesis.scene import Surface
from matcher.lab.synthesis.textures import Field, clouds, enlarge, grain, tiled

Texture = NDArray[np.uint8]
Colours = tuple[tuple[float, float, float], tuple[float, float, float]]

_WOODS: tuple[Colours, ...] = (
    ((52, 30, 18), (158, 110, 70)),
    ((96, 66, 40), (205, 166, 118)),
    ((44, 33, 27), (112, 86, 66)),
)
_CLOTHS: tuple[Colours, ...] = (
    ((26, 34, 52), (86, 100, 130)),
    ((60, 18, 20), (150, 66, 62)),
    ((120, 112, 98), (208, 200, 184)),
    ((30, 46, 34), (92, 118, 92)),
)
_SHEETS: tuple[Colours, ...] = (
    ((206, 204, 198), (250, 249, 245)),
    ((196, 186, 162), (240, 232, 212)),
    ((120, 128, 138), (182, 188, 196)),
)
_SLATES: tuple[Colours, ...] = (((16, 16, 17), (58, 58, 60)), ((30, 34, 38), (80, 86, 92)))
_PRINTS: tuple[Colours, ...] = (
    ((152, 44, 40), (240, 232, 220)),
    ((44, 76, 120), (232, 236, 238)),
    ((88, 108, 72), (234, 230, 206)),
)
_PAGES: tuple[Colours, ...] = (((24, 22, 20), (252, 249, 240)), ((40, 32, 24), (240, 228, 200)))


def surface(
    kind: Surface, height: int, width: int, px_per_mm: float, rng: np.random.Generator, font: str = ""
) -> Texture:
    """One texture of height x width pixels at `px_per_mm`; `font`, a TrueType file, for a page of text."""
    if kind == "text":
        return _text(height, width, px_per_mm, rng, font)
    return _MAKERS[kind](height, width, px_per_mm, rng)


def _coloured(tone: Field, dark: tuple[float, float, float], light: tuple[float, float, float]) -> Texture:
    """0..1 to the colours between dark and light."""
    share = (np.clip(tone, 0, 1) * 255).astype(np.uint8)
    steps = np.linspace(0, 1, 256)[:, None]
    table = np.array(dark) + steps * (np.array(light) - np.array(dark))
    lookup = np.clip(np.rint(table), 0, 255).astype(np.uint8).reshape(1, 256, 3)
    return np.asarray(cv2.LUT(cv2.merge([share, share, share]), lookup), np.uint8)


def _roughness(height: int, width: int, rng: np.random.Generator, sigma: float) -> Field:
    """Fine noise from a repeated tile, standard deviation 1."""
    tile = grain(384, 384, rng, sigma)
    levels = np.clip(tile * 40 + 128, 0, 255).astype(np.uint8)
    return np.asarray((tiled(levels, height, width).astype(np.float32) - 128) / 40, np.float32)


def _wood(height: int, width: int, scale: float, rng: np.random.Generator) -> Texture:
    """Boards with grain along them, seams between."""
    board = float(rng.uniform(45, 95)) * scale
    row = np.arange(height, dtype=np.float32)[:, None]
    which = np.floor((row + float(rng.uniform(0, board))) / board).astype(int)
    shades = rng.normal(0, 0.09, int(which.max()) + 1).astype(np.float32)
    long_waves = enlarge(rng.standard_normal((max(4, height // 24), 5), dtype=np.float32), height, width)
    streaks = rng.standard_normal((max(4, height // 2), max(4, width // 60)), dtype=np.float32)
    pores = enlarge(streaks, height, width)
    rings = np.sin(row / scale * float(rng.uniform(0.9, 1.9)) + 2.2 * long_waves + which * 1.7)
    tone = 0.5 + 0.12 * rings + 0.07 * pores + shades[which] + 0.06 * clouds(height, width, rng, 3, 3)
    phase = (row + 0.0) / board
    seam = np.abs(phase - np.rint(phase)) * board < 0.35 * scale
    tone = np.where(seam, tone * 0.45, tone)
    return _coloured(tone.astype(np.float32), *_pick(rng, _WOODS))


def _cloth(height: int, width: int, scale: float, rng: np.random.Generator) -> Texture:
    """A plain weave with uneven threads and soft folds."""
    thread = max(2.2, float(rng.uniform(0.45, 0.8)) * scale)
    x = np.arange(width, dtype=np.float32)[None, :] / thread
    y = np.arange(height, dtype=np.float32)[:, None] / thread
    over = np.sin(np.pi * x) * np.sin(np.pi * y)
    warp = rng.normal(0, 0.05, int(x.max()) + 2).astype(np.float32)[x.astype(int)]
    weft = rng.normal(0, 0.05, int(y.max()) + 2).astype(np.float32)[y.astype(int)]
    folds = clouds(height, width, rng, 2, 3) * 0.08
    tone = 0.55 + 0.16 * over + warp + weft + folds + 0.03 * _roughness(height, width, rng, 0.8)
    return _coloured(tone.astype(np.float32), *_pick(rng, _CLOTHS))


def _paper(height: int, width: int, scale: float, rng: np.random.Generator) -> Texture:
    """A sheet of plain paper or card, white, cream or grey-blue."""
    tone = 0.6 + 0.06 * clouds(height, width, rng, 2, 4) + 0.045 * _roughness(height, width, rng, 0.9)
    return _coloured(tone.astype(np.float32), *_pick(rng, _SHEETS))


def _dark(height: int, width: int, scale: float, rng: np.random.Generator) -> Texture:
    """A black or slate table top, with dust."""
    tone = 0.4 + 0.10 * clouds(height, width, rng, 3, 4) + 0.05 * _roughness(height, width, rng, 0.7)
    dust = _roughness(height, width, rng, 0.6) > 3.3
    tone = tone + 0.5 * dust
    return _coloured(tone.astype(np.float32), *_pick(rng, _SLATES))


def _pattern(height: int, width: int, scale: float, rng: np.random.Generator) -> Texture:
    """Printed stuff: checks or spots, straight lines that are no card."""
    pitch = float(rng.uniform(9, 22)) * scale
    turn = float(rng.uniform(0, np.pi / 2))
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    across, along = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    if rng.random() < 0.5:
        check = ((across / pitch) % 1 < 0.5).astype(np.float32) + ((along / pitch) % 1 < 0.5)
        tone = 0.2 + 0.32 * check
    else:
        spot = np.hypot((across / pitch) % 1 - 0.5, (along / pitch) % 1 - 0.5)
        tone = 0.25 + 0.55 / (1 + np.exp((spot - 0.22) * 60))
    tone = tone + 0.05 * _roughness(height, width, rng, 0.9) + 0.05 * clouds(height, width, rng, 2, 3)
    return _coloured(tone.astype(np.float32), *_pick(rng, _PRINTS))


def _text(height: int, width: int, scale: float, rng: np.random.Generator, font: str) -> Texture:
    """A page of a book: justified lines of made-up words."""
    body = max(7, round(float(rng.uniform(2.3, 3.4)) * scale))
    type_ = ImageFont.truetype(font, body) if font else ImageFont.load_default(body)
    words = _words(rng)
    page = Image.new("L", (width, height), 255)
    pen = ImageDraw.Draw(page)
    y = -float(rng.uniform(0, body))
    while y < height:
        x = -float(rng.uniform(0, 60))
        while x < width:
            word = words[int(rng.integers(0, len(words)))]
            pen.text((x, y), word, fill=40, font=type_)
            x += type_.getlength(word) + body * float(rng.uniform(0.28, 0.45))
        y += body * 1.32
    tone = np.asarray(page, np.float32) * np.float32(1 / 255)
    stock = 0.03 * clouds(height, width, rng, 2, 4) + 0.02 * _roughness(height, width, rng, 0.9)
    return _coloured(np.asarray(tone * (0.86 + stock), np.float32), *_pick(rng, _PAGES))


def _words(rng: np.random.Generator) -> list[str]:
    onsets = ["b", "br", "d", "f", "gl", "h", "k", "l", "m", "n", "p", "r", "s", "st", "t", "tr", "v", "w"]
    vowels, codas = ["a", "e", "i", "o", "u", "ea", "ou"], ["", "l", "n", "r", "s", "t", "nd", "rk"]

    def syllable() -> str:
        return "".join(part[int(rng.integers(0, len(part)))] for part in (onsets, vowels, codas))

    return ["".join(syllable() for _ in range(int(rng.integers(1, 4)))) for _ in range(60)]


def _pick(rng: np.random.Generator, pairs: tuple[Colours, ...]) -> Colours:
    return pairs[int(rng.integers(0, len(pairs)))]


_MAKERS: dict[Surface, Callable[[int, int, float, np.random.Generator], Texture]] = {
    "wood": _wood,
    "cloth": _cloth,
    "paper": _paper,
    "pattern": _pattern,
    "dark": _dark,
}
