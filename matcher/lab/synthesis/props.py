"""What comes between card and lens: shadow, glare, sleeve, thumb; in: a `Camera` and rng; out: soft fields.

Fields are drawn small (they are soft) and enlarged by the caller; the thumb is painted into the picture.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.lab.synthesis.camera import Camera
from matcher.lab.synthesis.textures import Field, clouds, enlarge

SLEEVE_PX_PER_MM = 9.0

Box = tuple[float, float, float, float]
"""x0, y0, x1, y1 in world mm."""


def light(camera: Camera, shadow: float, rng: np.random.Generator, cells: int = 96) -> Field:
    """(h, w) float32 factor of brightness: a window's gradient, the lens's vignetting, a hand's shadow."""
    rows = max(8, round(cells * camera.height / camera.width))
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cells * 1j].astype(np.float32)
    angle = float(rng.uniform(0, 2 * np.pi))
    factor = 1 + float(rng.uniform(0.03, 0.12)) * (x * np.cos(angle) + y * np.sin(angle))
    factor *= 1 - float(rng.uniform(0.04, 0.12)) * (x * x + y * y) / 2
    # A shadow's rim: a straight side of a phone or arm, wavering, soft.
    turn, place = float(rng.uniform(0, 2 * np.pi)), float(rng.uniform(-0.35, 0.5))
    across = x * np.cos(turn) + y * np.sin(turn) + 0.1 * clouds(rows, cells, rng, 2, 2)
    softness = float(rng.uniform(0.03, 0.16))
    factor *= 1 - 0.5 * shadow / (1 + np.exp((place - across) / softness))
    return np.asarray(factor, np.float32)


def contact_shadow(camera: Camera, outline: NDArray[np.float64], rng: np.random.Generator, cells: int = 260) -> Field:
    """(h, w) float32 factor for the table around a card lying on it; outline (4, 2) mm."""
    rows = max(8, round(cells * camera.height / camera.width))
    step = camera.width / cells
    per_mm = camera.px_per_mm() / step
    factor = np.ones((rows, cells), np.float32)
    for reach, strength in ((0.5, 0.45), (2.2, 0.22)):
        shift = rng.normal(0, 0.45 * reach, 2)
        mask = np.zeros((rows, cells), np.uint8)
        seen = camera.project(outline + shift) / step
        cv2.fillConvexPoly(mask, np.rint((seen - 0.5) * 16).astype(np.int32), 255, cv2.LINE_AA, 4)
        soft = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), max(0.6, reach * per_mm))
        factor *= 1 - strength * np.asarray(soft, np.float32) / 255
    return factor


def glare(
    camera: Camera, outline: NDArray[np.float64], strength: float, rng: np.random.Generator, cells: int = 128
) -> Field:
    """(h, w) float32 share of white: a lamp's reflection somewhere on the card, its core burnt out."""
    rows = max(8, round(cells * camera.height / camera.width))
    total = np.zeros((rows, cells), np.float32)
    if strength <= 0:
        return total
    y, x = np.mgrid[0:rows, 0:cells].astype(np.float32) * (camera.width / cells)
    where = outline[0] + (outline[2] - outline[0]) * rng.uniform(0.12, 0.88, 2)
    centre = camera.project(where[None])[0]
    reach = camera.px_per_mm() * float(rng.uniform(2.0, 4.5)) * (0.6 + strength)
    turn, longer = float(rng.uniform(0, np.pi)), float(rng.uniform(1.0, 2.6))
    along = ((x - centre[0]) * np.cos(turn) + (y - centre[1]) * np.sin(turn)) / longer
    across = (y - centre[1]) * np.cos(turn) - (x - centre[0]) * np.sin(turn)
    away = np.hypot(along, across) / reach
    return np.asarray(strength * (1.25 * np.exp(-(away**2) * 1.6) + 0.22 * np.exp(-away * 0.9)), np.float32)


def sleeve(size_mm: tuple[float, float], rng: np.random.Generator) -> tuple[NDArray[np.uint8], Box]:
    """A clear sleeve: (h, w) uint8 share of white at `SLEEVE_PX_PER_MM`, and where it lies."""
    left, right, bottom = rng.uniform(1.2, 4.5, 3)
    top = float(rng.uniform(3, 9))
    half_width, half_height = size_mm[0] / 2, size_mm[1] / 2
    x0, y0, x1, y1 = -half_width - left, -half_height - top, half_width + right, half_height + bottom
    width, height = round((x1 - x0) * SLEEVE_PX_PER_MM), round((y1 - y0) * SLEEVE_PX_PER_MM)
    sheen = np.full((height, width), float(rng.uniform(0.03, 0.06)), np.float32)
    y, x = np.mgrid[0:height, 0:width].astype(np.float32) / SLEEVE_PX_PER_MM
    turn = float(rng.uniform(0.5, 1.2))
    across = x * np.cos(turn) + y * np.sin(turn)
    span = float(across.max())
    for _ in range(int(rng.integers(2, 5))):
        middle, half = float(rng.uniform(0, span)), float(rng.uniform(0.5, 4.0))
        ripple = 1 + 0.25 * clouds(height, width, rng, 2, 2)
        sheen += float(rng.uniform(0.05, 0.22)) * np.exp(-(np.abs((across - middle) / half * ripple) ** 3))
    for inset, value in ((0.15, 0.55), (1.1, 0.16)):  # the fold, and the welded seam beside it
        near = round(inset * SLEEVE_PX_PER_MM)
        far = (width - 1 - near, height - 1 - near)
        cv2.rectangle(sheen, (near, near), far, value, 1, cv2.LINE_AA)
    soft = cv2.GaussianBlur(sheen, (0, 0), 0.8)
    return np.clip(soft * 255, 0, 255).astype(np.uint8), (float(x0), float(y0), float(x1), float(y1))


def hold(
    picture: NDArray[np.uint8],
    camera: Camera,
    outline: NDArray[np.float64],
    corner: int,
    rng: np.random.Generator,
) -> None:
    """Paint a thumb over one corner of the card, in place; picture (h, w, 3) uint8 RGB, outline (4, 2) mm."""
    per_mm = camera.px_per_mm(outline[corner : corner + 1])
    place = camera.project(outline[corner : corner + 1])[0]
    inwards = camera.project(outline.mean(axis=0)[None])[0] - place
    inwards /= np.linalg.norm(inwards)
    swing = float(rng.normal(0, 0.25))
    inwards = np.array([[np.cos(swing), -np.sin(swing)], [np.sin(swing), np.cos(swing)]]) @ inwards
    radius = float(rng.uniform(7.0, 8.6)) * per_mm
    tip = place + inwards * (float(rng.uniform(4, 8)) * per_mm - radius)
    reach = 1.7 * radius + 75 * per_mm
    low = np.maximum(np.floor(np.minimum(tip, tip - inwards * reach) - 1.7 * radius), 0).astype(int)
    high = np.minimum(
        np.ceil(np.maximum(tip, tip - inwards * reach) + 1.7 * radius), (camera.width, camera.height)
    ).astype(int)
    if (high <= low).any():
        return
    part = picture[low[1] : high[1], low[0] : high[0]]
    small = max(1.0, radius / 60)
    rows, columns = max(2, round(part.shape[0] / small)), max(2, round(part.shape[1] / small))
    colour, cover, shade = _thumb(rows, columns, (tip - low) / small, -inwards, radius / small, rng)
    height, width = part.shape[:2]
    layer = part * enlarge(shade, height, width)[..., None]
    layer += (enlarge(colour, height, width) - layer) * enlarge(cover, height, width)[..., None]
    part[:] = np.clip(layer, 0, 255).astype(np.uint8)


def _thumb(
    rows: int,
    columns: int,
    tip: NDArray[np.float64],
    back: NDArray[np.float64],
    radius: float,
    rng: np.random.Generator,
) -> tuple[Field, Field, Field]:
    """A thumb whose tip's middle is `tip`: colours (h, w, 3), cover (h, w), factor of its shadow (h, w)."""
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    dx, dy = x - float(tip[0]), y - float(tip[1])
    along = dx * float(back[0]) + dy * float(back[1])
    across = dy * float(back[0]) - dx * float(back[1])
    down = along / radius
    girth = radius * (1 + 0.10 * np.clip(down / 4, 0, 1) - 0.04 * np.exp(-((down - 2.4) ** 2)))
    away = np.where(along > 0, np.abs(across), np.hypot(along * 0.92, across)) / girth
    round_ = np.sqrt(np.clip(1 - away**2, 0, 1))
    skin = np.array(_SKINS[int(rng.integers(0, len(_SKINS)))], np.float32)
    knuckle = (down - 2.2 + 0.06 * np.sin(across / radius * 3)) % 0.16 - 0.08
    creases = 0.06 * np.exp(-((knuckle / 0.02) ** 2)) * np.exp(-(((down - 2.3) / 0.5) ** 2))
    tone = 0.58 + 0.45 * round_ - creases + 0.02 * clouds(rows, columns, rng, 12, 4)
    colour = skin * tone[..., None]
    nail = np.hypot((along - 0.25 * radius) / (0.75 * radius), across / (0.60 * radius))
    on_nail = 1 / (1 + np.exp(np.clip((nail - 1) * 22, -30, 30)))
    gloss = 0.22 * np.exp(-((across / radius - 0.18) ** 2) / 0.02)
    plate = (skin * 0.82 + np.array([50, 34, 32], np.float32)) * (0.82 + 0.2 * round_ + gloss)[..., None]
    rim = np.exp(-(((nail - 1.04) / 0.06) ** 2)) * 0.15
    colour = (colour + (plate - colour) * on_nail[..., None]) * (1 - rim)[..., None]
    cover = np.clip((1 - away) * radius / 1.5 + 0.5, 0, 1)
    shade = 1 - 0.4 * np.exp(-np.clip(away - 1, 0, None) / 0.22)
    return np.asarray(colour, np.float32), np.asarray(cover, np.float32), np.asarray(shade, np.float32)


_SKINS = ((228, 178, 150), (205, 150, 120), (162, 112, 84), (112, 76, 58), (236, 190, 168))
