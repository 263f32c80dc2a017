"""From a card to a flatbed scan: in: a `Card` printed at the scan's resolution; out: a `Shot`, and its file.

A few millimetres of the scanner's lid show around the card, which lies almost straight.
"""

from __future__ import annotations

import io
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from matcher.lab.synthesis.camera import moved, rectangle
from matcher.lab.synthesis.photographing import Shot
from matcher.lab.synthesis.printing import Card

Lid = Literal["white", "black"]

_LID: dict[Lid, float] = {"white": 238.0, "black": 20.0}


def scan(card: Card, rng: np.random.Generator, *, dpi: float = 300.0, lid: Lid = "white") -> Shot:
    """Scan one card at `dpi`: pixels and true corners. A card printed at another scale is resampled."""
    scale = dpi / 25.4
    margins = rng.uniform(2.0, 5.0, 4) * scale
    angle = float(np.radians(np.clip(rng.normal(0, 0.5), -1.4, 1.4)))
    card_width, card_height = (side * scale for side in card.size_mm)
    width = round(card_width + margins[0] + margins[2])
    height = round(card_height + margins[1] + margins[3])
    place = _placement(card, scale, angle, (margins[0] + card_width / 2, margins[1] + card_height / 2))
    pixels, cover = _warped(card, place, width, height)
    picture = _on_lid(pixels, cover, _LID[lid], rng, scale)
    half = np.array([[1, 0, card.pixels.shape[1] / 2], [0, 1, card.pixels.shape[0] / 2], [0, 0, 1]])
    corners = moved(place @ half, rectangle((card.pixels.shape[1], card.pixels.shape[0])))
    return Shot(picture, corners)


def write_scan(shot: Shot, dpi: float = 300.0, quality: int = 90) -> bytes:
    """The JPEG file of a scan, its resolution stored in it."""
    buffer = io.BytesIO()
    Image.fromarray(shot.pixels).save(buffer, "JPEG", quality=quality, dpi=(dpi, dpi))
    return buffer.getvalue()


def _placement(card: Card, scale: float, angle: float, middle: tuple[float, float]) -> NDArray[np.float64]:
    """(3, 3), card pixels to scan pixels, both counted from outer corners."""
    ratio = scale / card.px_per_mm
    cosine, sine = ratio * np.cos(angle), ratio * np.sin(angle)
    height, width = card.cover.shape
    turn = np.array([[cosine, -sine, middle[0]], [sine, cosine, middle[1]], [0, 0, 1]])
    return np.asarray(turn @ np.array([[1, 0, -width / 2], [0, 1, -height / 2], [0, 0, 1]]))


def _warped(
    card: Card, place: NDArray[np.float64], width: int, height: int
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    to_centres = np.array([[1, 0, -0.5], [0, 1, -0.5], [0, 0, 1]])
    move = (to_centres @ place @ np.linalg.inv(to_centres))[:2]
    size = (width, height)
    pixels = cv2.warpAffine(card.pixels, move, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    cover = cv2.warpAffine(card.cover, move, size, flags=cv2.INTER_LINEAR)
    return np.asarray(pixels, np.uint8), np.asarray(cover, np.uint8)


def _on_lid(
    pixels: NDArray[np.uint8], cover: NDArray[np.uint8], level: float, rng: np.random.Generator, scale: float
) -> NDArray[np.uint8]:
    """Card over lid, with the thin shadow that a scanner's lamp throws on one side, and its noise."""
    alpha = cover.astype(np.float32) * np.float32(1 / 255)
    step = max(1, round(0.25 * scale))
    thrown = cv2.GaussianBlur(np.roll(alpha, step, axis=0), (0, 0), 0.3 * scale)
    lid = np.float32(level) * (1 - np.float32(0.4) * np.asarray(thrown, np.float32))
    below = cv2.merge([lid, lid * np.float32(0.995), lid * np.float32(0.98)])
    above = pixels.astype(np.float32)
    picture = cv2.blendLinear(above, np.asarray(below, np.float32), alpha, 1 - alpha)
    noise = rng.standard_normal(cover.shape, dtype=np.float32) * np.float32(1.1)
    return np.asarray(cv2.add(picture, cv2.merge([noise, noise, noise]), dtype=cv2.CV_8U), np.uint8)
